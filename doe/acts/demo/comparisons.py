"""The comparisons of the demo: what is new, and coupons pressed on the demo's simulated line."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pandas as pd

from doe.acts.comparison.plan import Wanted, begin_comparison
from doe.acts.comparison.verdict import Compared, judge_comparison
from doe.acts.demo.story import Story, packaged, simulated_line
from doe.domain.recipe import PARTS
from doe.domain.score import ScoreEntry
from doe.domain.units import METRIC
from doe.words import typed

if TYPE_CHECKING:
    from doe.book.book import Book

SEED = 7
"""Of the order of the coupons."""


@dataclass(frozen=True)
class DemoComparison:
    """One comparison of the story: what is new, how the simulated line shifts under it (degC), and its luck."""

    name: str
    wanted: Wanted
    shift: Mapping[str, float]
    day_seed: int


def read_comparisons() -> tuple[DemoComparison, ...]:
    """The comparisons of the story, in their order; needs no pandas."""
    return tuple(
        DemoComparison(
            made["name"],
            Wanted(
                parts={part: typed.material(made[part], part) for part in PARTS if part in made},
                limits=typed.limits(made["limits"], None, METRIC),
                name=made["name"],
                seed=SEED,
            ),
            dict(made["shift"]),
            int(made["day_seed"]),
        )
        for made in tomllib.loads(packaged("comparisons.toml"))["comparisons"]
    )


def tell_comparison(book: Book, recipe_name: str, told: DemoComparison, story: Story) -> Compared:
    """Begin a comparison with a released recipe of the demo's book, make and score its coupons, and judge it."""
    begun = begin_comparison(book, recipe_name, told.wanted)
    book.record(begun.record.id, scores_of(story, told, begun.coupons))
    return judge_comparison(book, begun.record.id)


def scores_of(story: Story, told: DemoComparison, coupons: pd.DataFrame) -> list[ScoreEntry]:
    """Scores of a comparison's coupons from the simulated line, each material as the line takes it."""
    line = simulated_line(story)
    offsets = {k: line.display_offset.get(k, 0.0) + told.shift.get(k, 0.0) for k in {*line.display_offset, *told.shift}}
    made: list[ScoreEntry] = []
    for material, seed in (("incumbent", told.day_seed), ("new", told.day_seed + 1000)):
        pressed = replace(line, display_offset=offsets) if material == "new" else line
        mine = pressed.run(coupons[coupons["material"] == material], seed)
        made += [_entry(story, row) for row in mine.to_dict("records")]
    return made


def _entry(story: Story, row: Mapping[object, object]) -> ScoreEntry:
    checks = {c.name: row[c.name] for c in story.study.spec.checks}
    hand = {who: float(str(row[f"hand_{who}"])) for who in story.people}
    return ScoreEntry(
        str(row["coupon"]),
        checks={name: bool(value) for name, value in checks.items() if value in (True, False)},
        symptoms=tuple(s for s in str(row["symptom"]).split(";") if s),
        side=str(row["side"]),
        hand={who: value for who, value in hand.items() if value == value},  # noqa: PLR0124 - NaN
    )
