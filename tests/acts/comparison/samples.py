"""A released recipe for the invented shop, and comparisons scored by simulated lines."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pandas as pd

from doe.acts.demo.story import read_story, simulated_line
from doe.book.book import Book
from doe.domain.recipe import Recipe, RecipeSetting
from doe.domain.score import ScoreEntry
from doe.practice.lines import SimulatedLine

NAME = "heavy tee"
WINDOWS = {
    "cure_temp": (120, 116, 124),
    "cure_time": (140, 130, 155),
    "press_temp": (157, 152, 161),
    "dwell": (16, 14, 18),
}


def release(book: Book, **changes: object) -> Recipe:
    """Keep a recipe of the demo's study; its window is invented to be well inside the truth."""
    story = read_story()
    made = tuple(
        RecipeSetting(
            f.name, f.label, f.unit, WINDOWS[f.name][0], window_low=WINDOWS[f.name][1], window_high=WINDOWS[f.name][2]
        )
        for f in story.study.factors
    )
    recipe = Recipe(
        name=NAME,
        revision=1,
        stack=story.stack,
        line=story.line,
        settings=made,
        pass_rate=0.97,
        pass_rate_low=0.9,
        study=story.study.name,
        approved_by="Kim",
        approved_at=datetime(2031, 3, 4, tzinfo=UTC),
        review_on=date(2032, 3, 4),
        exception="invented for a test",
        held=story.study.held,
    )
    recipe = replace(recipe, **changes)  # type: ignore[arg-type] # a test gives what fits
    book.release_recipe(recipe, study=story.study.name)
    return recipe


def lines(shift_degc: float = 0.0) -> tuple[SimulatedLine, SimulatedLine]:
    """The demo's line with the material in use, and with a new one that takes so many degC more at both machines."""
    line = simulated_line(read_story())
    offsets = {k: v - shift_degc for k, v in line.display_offset.items()}
    return line, replace(line, display_offset=offsets)


def score(coupons: pd.DataFrame, shift_degc: float = 0.0, seed: int = 5) -> list[ScoreEntry]:
    """Scores of a comparison's coupons, each material on its line."""
    entries = []
    for material, line in zip(("incumbent", "new"), lines(shift_degc), strict=True):
        mine = coupons[coupons["material"] == material]
        scored = line.run(mine, seed + (material == "new"))
        for row in scored.to_dict("records"):
            checks = {c.name: bool(row[c.name]) for c in line.study.spec.checks if row[c.name] in (True, False)}
            hand = {
                who: float(row[f"hand_{who}"]) for who in ("ana", "ben") if row[f"hand_{who}"] == row[f"hand_{who}"]
            }
            symptoms = tuple(row["symptom"].split(";")) if row["symptom"] else ()
            entries.append(ScoreEntry(row["coupon"], checks=checks, hand=hand, symptoms=symptoms, side=row["side"]))
    return entries


def all_pass(coupons: pd.DataFrame, failing: tuple[str, ...] = (), hand: float = 4.0) -> list[ScoreEntry]:
    """Every coupon passes but those named; hand-feel alike, with a little scatter."""
    checks = [c.name for c in read_story().study.spec.checks]
    return [
        ScoreEntry(
            name,
            checks=dict.fromkeys(checks[: 1 if name in failing else None], name not in failing),
            hand={"ana": hand + 0.5 * (i % 3 == 0), "ben": hand + 0.5 * (i % 4 == 0)},
        )
        for i, name in enumerate(coupons["coupon"])
    ]
