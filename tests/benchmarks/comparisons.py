"""How often a comparison's verdict is right.

Usage::

    python -m tests.benchmarks.comparisons --lines 120

Each line's truly best setting, rounded, is the recipe, with a window of half a setting error to either side. The new
material takes some degC more or less at both machines. Pairs are made in one session (batches share their errors)
and judged by the plan that `doe compare` takes for a margin of 15 points: two looks, 90 % assurance, power 80 %.
Where the first round leaves it open, a second one is made as the tool proposes. Verdicts are counted by the true
drop of the robust pass rate at the setpoint. Seeds from 50000 up; no choice was made on them. Both materials are
pressed in one session: what changes from day to day is not in it.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pandas as pd

from doe.acts.comparison.verdict import judged_frame
from doe.assure.comparison.order import comparison_coupons, recipe_points
from doe.assure.comparison.plan import strokes_for_rates
from doe.assure.comparison.verdict import Comparison, compare_materials
from doe.domain.coding import round_settings
from doe.domain.recipe import Recipe, RecipeSetting
from doe.domain.stack import DEFAULT_LINE, Material, Stack
from doe.practice.lines import SimulatedLine, make_line
from tests.benchmarks.decision_case import usual_study
from tests.benchmarks.results import Figures, arguments, table, written

KINDS = ("smooth", "thermal", "sharp", "ridge", "wiggly", "easy")
SHIFTS_DEGC = (0.0, 3.0, 8.0, 15.0)
MARGIN, EDGE_STROKES, LOOKS = 0.15, 4, 2
FIRST_SEED = 50_000


def recipe_of(line: SimulatedLine) -> Recipe:
    """The line's best setting as a recipe."""
    best = line.best().settings
    settings = []
    for f in line.study.numeric:
        at = float(round_settings(f, np.array([float(best[f.name])]))[0])
        low, high = max(f.low, at - f.setting_sd / 2), min(f.high, at + f.setting_sd / 2)
        settings.append(RecipeSetting(f.name, f.label, f.unit, at, window_low=min(low, at), window_high=max(high, at)))
    return Recipe(
        name="r",
        revision=1,
        stack=Stack("s", Material("a"), Material("b"), Material("c")),
        line=DEFAULT_LINE,
        settings=tuple(settings),
        pass_rate=0.97,
        pass_rate_low=0.9,
        study="s",
        approved_by="bench",
        approved_at=datetime(2031, 1, 1, tzinfo=UTC),
        review_on=date(2032, 1, 1),
        exception="bench",
    )


def score(old: SimulatedLine, new: SimulatedLine, coupons: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Results in the columns of the book."""
    made = pd.concat(
        [line.run(coupons[coupons["material"] == m], seed) for m, line in (("incumbent", old), ("new", new))],
        ignore_index=True,
    )
    checks = {c.name: f"check_{c.name}" for c in old.study.spec.checks}
    return made.rename(columns=checks).assign(void="")


def case(seed: int, kind: str, shift: float) -> dict[str, object]:
    """One comparison, up to two rounds."""
    study = usual_study()
    old = make_line(kind, seed, study)
    rng = np.random.default_rng([seed, int(shift)])
    signs = rng.choice([-1.0, 1.0])
    new = replace(old, display_offset={"cure_temp": signs * shift, "press_temp": signs * shift})
    recipe = recipe_of(old)
    points = recipe_points(recipe, study)
    risk = (1 - study.spec.assurance) / LOOKS
    strokes = strokes_for_rates(0.97, margin=MARGIN, alpha=risk, power=0.80)

    def judge(frame: pd.DataFrame) -> Comparison:
        return compare_materials(judged_frame(frame), study.spec, rate_margin=MARGIN, looks=LOOKS)

    def coupons(points: pd.DataFrame, here: int, there: int, number: int) -> pd.DataFrame:
        made = comparison_coupons(
            study,
            points,
            strokes=here,
            edge_strokes=there,
            line=DEFAULT_LINE,
            seed=seed,
            own_garments=True,
            number=number,
        )
        return made.assign(
            **{n: made[n] + 1000 * (number - 1) for n in ("pair", "cure_batch", "press_batch", "stroke")}
        )

    frame = score(old, new, coupons(points, strokes, EDGE_STROKES, 1), seed)
    first = found = judge(frame)
    made = len(frame)
    if found.verdict == "not enough coupons yet":
        doubtful = [e.new.role for e in found.edges if e.new.verdict == "doubtful"]
        again = points[points["role"].isin(["setpoint", *doubtful])].reset_index(drop=True)
        here = found.more_units
        if here or doubtful:
            more = score(old, new, coupons(again, here, EDGE_STROKES if doubtful else 0, 2), seed + 1)
            frame = pd.concat([frame, more], ignore_index=True)
            found = judge(frame)
    rates = [float(line.robust_pass(points[points["role"] == "setpoint"])[0]) for line in (old, new)]
    return {
        "seed": seed,
        "kind": kind,
        "shift": shift,
        "drop": rates[0] - rates[1],
        "first": first.verdict,
        "last": found.verdict,
        "coupons": made,
        "all_coupons": len(frame),
    }


GROUPS = {"small": "below 2 points", "middling": "2 to 15 points", "large": "15 points or more"}
"""Drops of the true rate; name in the JSON file and label."""


def by_drop(rows: pd.DataFrame) -> tuple[str, Figures]:
    """Verdicts by true drop."""
    groups = pd.cut(rows["drop"], [-1, 0.02, 0.15, 1], labels=list(GROUPS))
    body, figures = [], {}
    for group, part in rows.groupby(groups, observed=True):
        said = {
            (when, verdict): float((part[when] == verdict).mean())
            for when in ("first", "last")
            for verdict in ("same recipe holds", "retune", "not enough coupons yet")
        }
        figures |= {f"holds_{group}": said["last", "same recipe holds"], f"retune_{group}": said["last", "retune"]}
        body.append(
            [
                GROUPS[str(group)],
                str(len(part)),
                *(
                    " / ".join(f"{said[when, verdict]:.2f}" for when in ("first", "last"))
                    for verdict in ("same recipe holds", "retune")
                ),
                f"{said['last', 'not enough coupons yet']:.2f}",
                f"{part['all_coupons'].mean():.0f}",
            ]
        )
    head = ["true drop of the robust pass rate", "comparisons", "holds after round 1 / 2", "retune after round 1 / 2"]
    return table([*head, "still open", "coupons, mean"], body), figures


def main() -> None:
    """Make the comparisons, print the table."""
    parser = arguments(__doc__)
    parser.add_argument("--lines", type=int, default=120)
    given = parser.parse_args()
    cases = f"{given.lines} lines of {len(KINDS)} kinds, seeds from {FIRST_SEED}; {len(SHIFTS_DEGC)} shifts each"
    with written(given, __file__, __doc__, cases=cases) as figures:
        seeds = range(FIRST_SEED, FIRST_SEED + given.lines)
        rows = [case(seed, KINDS[i % len(KINDS)], shift) for i, seed in enumerate(seeds) for shift in SHIFTS_DEGC]
        text, found = by_drop(pd.DataFrame(rows))
        print(text)
        figures.update(found)


if __name__ == "__main__":
    main()
