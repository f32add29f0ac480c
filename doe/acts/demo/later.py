"""The demo after its answer: the confirmation, the release, the comparisons, and what is printed for them."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from doe.acts.base import today
from doe.acts.comparison.verdict import Compared, Wanted, begin_comparison, judge_comparison, write_comparison
from doe.acts.confirmation.plan import ClaimWishes, ConfirmationPlanned, plan_confirmation
from doe.acts.confirmation.verdict import confirm_study
from doe.acts.demo.story import Story, entry_of, packaged, rows_of, simulated_line
from doe.acts.recipe.release import Released, Wishes, release_study
from doe.domain.recipe import PARTS
from doe.domain.score import ScoreEntry
from doe.domain.units import METRIC, Shown
from doe.words import typed
from doe.words.wording import count
from reports.files import write_whole
from reports.recipe.card import recipe_card

if TYPE_CHECKING:
    from doe.book.book import Book

CONFIRMATION = "confirmation.csv"
CLAIM, ASSURANCE = 0.90, 0.90
"""What the demo's confirmation is to show: 22 coupons without a failure."""


def plan_the_confirmation(book: Book, story: Story) -> ConfirmationPlanned:
    """Fix the rule of the demo's confirmation and store its coupons."""
    return plan_confirmation(book, story.study.name, ClaimWishes((CLAIM,), ASSURANCE))


def scores_from(story: Story, text: str) -> tuple[ScoreEntry, ...]:
    """Scores of a data file."""
    return tuple(entry_of(story, row) for row in rows_of(text))


def confirm(book: Book, story: Story) -> str:
    """Plan the confirmation, and record what came of it; its verdict in words."""
    plan_the_confirmation(book, story)
    book.record(story.study.name, scores_from(story, packaged(CONFIRMATION)))
    found = confirm_study(book, story.study.name).confirmed
    return f"Confirmation, {count(found.counts.coupons, 'coupon')}: {found.verdict}."


def release(book: Book, story: Story) -> Released:
    """Release the confirmed answer as the first revision of a recipe."""
    return release_study(book, story.study.name, Wishes(**story.data["release"]), now=datetime.now(UTC))


def write_card(book: Book, released: Released, output: Path, *, shown: Shown) -> None:
    """Print the recipe card."""
    write_whole(output, recipe_card(book.recipe(released.recipe.name), today(), shown))


def release_words(released: Released) -> str:
    """The release in a sentence."""
    return f"Released: {released.recipe.name}, revision {released.recipe.revision}."


def compare(
    book: Book, story: Story, released: Released, files: Sequence[Path], *, shown: Shown, made_by: str
) -> tuple[str, ...]:
    """Compare each new material of the story with the recipe, and write its page; the verdicts in words."""
    said = []
    for told, output in zip(read_comparisons(), files, strict=True):
        found = tell_comparison(book, released.recipe.name, told, story)
        write_comparison(book, found, output, shown=shown, made_by=made_by)
        said.append(f"Compared, {told.name}: {found.comparison.verdict}.")
    return tuple(said)


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
