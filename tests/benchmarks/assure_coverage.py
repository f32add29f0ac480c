"""How often the printed limits hold, by simulation, at a nominal 90 %.

Usage::

    python -m tests.benchmarks.assure_coverage --runs 4000

Each row: share of simulated cases in which the limit or interval holds the truth (of decisions: share that are not
wrong). *exact*: the formula is exact for these data, so 0.90 is due. *about*: an approximation. *at least*: never
less than 0.90, since counts are discrete (with 20 coupons and a true rate of 0.95 even 20 passes say no more than
0.89), or since the larger of two errors is taken on purpose. Wanted: 0.88 to 0.94 where it is exact, nowhere below
0.88. All cases are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd

from doe.assure.binomial import pass_rate_high, pass_rate_low, wilson_interval
from doe.assure.comparison.equivalence import compare_hand
from doe.assure.comparison.plan import (
    Pairs,
    non_inferior_pairs,
    non_inferior_separate,
    paired_difference,
    separate_difference,
)
from doe.assure.confirmation.attempts import combine_with_study
from doe.assure.confirmation.claims import claim_limits, claim_plan
from doe.assure.confirmation.verdict import predict_hand
from doe.assure.gauges.dates import measure_drift
from doe.assure.gauges.display import fit_display, fit_error_line
from doe.assure.gauges.platen import place_name
from doe.assure.gauges.setting_error import measure_setting_error
from doe.assure.people.concordance import kendall_w, lean_of_people, score_agreement
from doe.assure.people.kappa import fleiss_kappa, kappa_of_table
from doe.domain.gauge import GaugeReading
from tests.benchmarks.results import Figures, arguments, cell, table, written

Case = Callable[[np.random.Generator], bool]
START = datetime(2030, 1, 1, tzinfo=UTC)
LEVEL = 0.90


def counts(rate: float, n: int, which: str) -> Case:
    """Limits of one pass rate."""

    def case(rng: np.random.Generator) -> bool:
        k = int(rng.binomial(n, rate))
        if which == "low":
            return pass_rate_low(k, n, LEVEL) <= rate
        if which == "high":
            return pass_rate_high(k, n, LEVEL) >= rate
        if which == "exact":
            each = (1 + LEVEL) / 2
            return pass_rate_low(k, n, each) <= rate <= pass_rate_high(k, n, each)
        found = wilson_interval(k, n, LEVEL)
        return found.low <= rate <= found.high

    return case


def stopped(rate: float, failures: int, which: str) -> Case:
    """Limits of a confirmation that stops as soon as its verdict is certain."""
    plan = claim_plan(0.9, LEVEL, failures=failures)

    def case(rng: np.random.Generator) -> bool:
        passed = failed = 0
        while plan.state(passed, failed) == "open":
            good = rng.uniform() < rate
            passed, failed = passed + good, failed + (not good)
        limits = claim_limits(plan, int(passed), int(failed))
        return limits.low <= rate if which == "low" else limits.high >= rate

    return case


def strokes(rate: float, shared: float, which: str) -> Case:
    """The same with three coupons a stroke that share their fate with probability ``shared``."""
    plan = claim_plan(0.8, LEVEL, failures=2)

    def case(rng: np.random.Generator) -> bool:
        n = plan.units
        alike = rng.uniform(size=(n, 1)) < shared
        good = np.where(alike, rng.uniform(size=(n, 1)) < rate, rng.uniform(size=(n, 3)) < rate)
        whole, some = int(good.all(axis=1).sum()), int(good.any(axis=1).sum())
        limits = claim_limits(plan, whole, n - whole, any_passed=some)
        return limits.low <= rate if which == "low" else limits.high >= rate

    return case


def calibrated(n: int) -> Case:
    """Study and confirmation together, the truth drawn from what the study believes."""

    def case(rng: np.random.Generator) -> bool:
        draws = rng.beta(18, 2, size=800)
        truth = rng.beta(18, 2)
        found = combine_with_study(draws, draws[:, None], [rng.binomial(n, truth)], [n], assurance=LEVEL)
        return found.low <= truth

    return case


def hand(n_strokes: int, each: int, stroke_sd: float, which: str) -> Case:
    """Prediction of the mean of four further prints, two people scoring."""

    def case(rng: np.random.Generator) -> bool:
        stroke = np.repeat(np.arange(n_strokes), each)
        coupon = (stroke_sd * rng.normal(size=n_strokes))[stroke] + 0.2 * rng.normal(size=len(stroke))
        scores = 3.8 + coupon[:, None] + 0.3 * rng.normal(size=(len(stroke), 2)) + [0.0, 0.3]
        frame = pd.DataFrame({"hand_a": scores[:, 0], "hand_b": scores[:, 1], "stroke": stroke})
        found = predict_hand(frame, future=4, assurance=LEVEL)
        further = 3.95 + stroke_sd * rng.normal(size=4) + 0.2 * rng.normal(size=4)
        mean = float((further + 0.3 * rng.normal(size=(2, 4)).mean(axis=0)).mean())
        if which == "mean":
            return found.low_mean <= 3.95
        return found.low <= mean if which == "low" else found.high >= mean

    return case


def difference(new: float, old: float, n: int, shared: float) -> Case:
    """Newcombe's limits of a difference; paired where ``shared`` is not negative."""

    def case(rng: np.random.Generator) -> bool:
        if shared < 0:
            found = separate_difference(int(rng.binomial(n, new)), n, int(rng.binomial(n, old)), n, LEVEL)
        else:
            u, v = rng.uniform(size=(2, n))
            v = np.where(rng.uniform(size=n) < shared, u, v)
            a, b = u < new, v < old
            found = paired_difference(
                Pairs(int((a & b).sum()), int((a & ~b).sum()), int((b & ~a).sum()), int((~a & ~b).sum())), LEVEL
            )
        return found.low <= new - old <= found.high

    return case


def wrongly_good(old: float, margin: float, n: int, paired: bool) -> Case:
    """A material worse by just the margin is *not* called good enough."""

    def case(rng: np.random.Generator) -> bool:
        a, b = rng.uniform(size=n) < old - margin, rng.uniform(size=n) < old
        if not paired:
            return non_inferior_separate(int(a.sum()), n, int(b.sum()), n, margin=margin).p_exact > 1 - LEVEL
        pairs = Pairs(int((a & b).sum()), int((a & ~b).sum()), int((b & ~a).sum()), int((~a & ~b).sum()))
        return non_inferior_pairs(pairs, margin=margin).p_exact > 1 - LEVEL

    return case


def hand_difference(n_strokes: int, each: int, stroke_sd: float) -> Case:
    """Interval of the hand-feel difference, materials side by side in strokes, half steps, two people."""

    def case(rng: np.random.Generator) -> bool:
        stroke = np.repeat(np.arange(n_strokes), 2 * each)
        new = np.tile([True, False], n_strokes * each)
        level = 3.8 + 0.3 * new + (stroke_sd * rng.normal(size=n_strokes))[stroke] + 0.2 * rng.normal(size=len(stroke))
        scores = np.round(2 * (level[:, None] + 0.3 * rng.normal(size=(len(stroke), 2)))) / 2
        frame = pd.DataFrame(
            {"material": np.where(new, "new", "old"), "stroke": stroke, "hand_a": scores[:, 0], "hand_b": scores[:, 1]}
        )
        found = compare_hand(frame, margin=0.5, alpha=(1 - LEVEL) / 2)
        return found.low <= 0.3 <= found.high

    return case


def cohen(n: int, share: float, errors: float) -> Case:
    """Kappa of two people who each err with the same probability."""
    cells = np.array(
        [
            [share * (1 - errors) ** 2 + (1 - share) * errors**2, errors * (1 - errors)],
            [errors * (1 - errors), share * errors**2 + (1 - share) * (1 - errors) ** 2],
        ]
    )
    truth = kappa_of_table(1000 * cells).kappa

    def case(rng: np.random.Generator) -> bool:
        found = kappa_of_table(rng.multinomial(n, cells.ravel()).reshape(2, 2), assurance=LEVEL)
        return found.low <= truth <= found.high

    return case


def weighted(n: int) -> Case:
    """Quadratically weighted kappa of nine ordered classes."""
    apart = np.subtract.outer(np.arange(9), np.arange(9)) ** 2

    def table(rng: np.random.Generator, size: int) -> np.ndarray:
        coupon = rng.normal(3.5, 0.7, size=(size, 1))
        scores = np.clip(np.round(2 * (coupon + 0.35 * rng.normal(size=(size, 2)) + [0, 0.2])) / 2, 1, 5)
        counts = np.zeros((9, 9))
        np.add.at(counts, tuple((2 * scores - 2).astype(int).T), 1)
        return counts

    truth = kappa_of_table(table(np.random.default_rng(0), 400_000), disagreement=apart).kappa

    def case(rng: np.random.Generator) -> bool:
        found = kappa_of_table(table(rng, n), disagreement=apart, assurance=LEVEL)
        return found.low <= truth <= found.high

    return case


def fleiss(n: int, people: int, share: float, errors: float) -> Case:
    """Kappa of several people on pass/fail."""

    def given(rng: np.random.Generator, size: int) -> np.ndarray:
        truth = rng.uniform(size=(size, 1)) < share
        return truth ^ (rng.uniform(size=(size, people)) < errors)

    big = given(np.random.default_rng(0), 300_000)
    pairs = np.mean([(big[:, i] == big[:, j]).mean() for i in range(people) for j in range(i)])
    p = big.mean()
    truth = (pairs - p**2 - (1 - p) ** 2) / (2 * p * (1 - p))

    def case(rng: np.random.Generator) -> bool:
        passes = given(rng, n).sum(axis=1)
        found = fleiss_kappa(np.column_stack([people - passes, passes]), assurance=LEVEL).overall
        return bool(found.low <= truth <= found.high)

    return case


def w_of_ranks(n: int, people: int, correlation: float) -> Case:
    """Kendall's W, half steps."""

    def scores(rng: np.random.Generator, size: int) -> np.ndarray:
        x = np.sqrt(correlation) * rng.normal(size=(size, 1)) + np.sqrt(1 - correlation) * rng.normal(
            size=(size, people)
        )
        return np.round(2 * x) / 2

    big = pd.DataFrame(scores(np.random.default_rng(0), 200_000)).corr("spearman").to_numpy()
    truth = (1 + (people - 1) * big[np.triu_indices(people, 1)].mean()) / people

    def case(rng: np.random.Generator) -> bool:
        found = kendall_w(scores(rng, n), assurance=LEVEL)
        return bool(found.low <= truth <= found.high)

    return case


def intraclass(kind: str, n: int, people: int, person_sd: float) -> Case:
    """Intraclass correlation of one score, each kind under its own model."""
    coupon, error = 0.6, 0.35
    below = coupon**2 + error**2 + (0 if kind == "these very people" else person_sd**2)
    truth = coupon**2 / below

    def case(rng: np.random.Generator) -> bool:
        persons = rng.normal(size=(n if kind == "different people a coupon" else 1, people)) * person_sd
        scores = coupon * rng.normal(size=(n, 1)) + persons + error * rng.normal(size=(n, people))
        rows = score_agreement(scores, assurance=LEVEL).table
        row = rows[(rows["kind"] == kind) & (rows["scores"] == 1)].iloc[0]
        return bool(row["low"] <= truth <= row["high"])

    return case


def lean(n: int) -> Case:
    """How harsh one of three people is."""

    def case(rng: np.random.Generator) -> bool:
        scores = rng.normal(size=(n, 1)) + np.array([0.3, 0.0, -0.3]) + 0.35 * rng.normal(size=(n, 3))
        row = lean_of_people(pd.DataFrame(scores, columns=list("abc")), assurance=LEVEL).iloc[0]
        return bool(row["low"] <= 0.3 <= row["high"])

    return case


def line(points: int, scatter: str, truth_scale: float, what: str) -> Case:
    """Line with errors in both directions: height, slope, inverse."""
    at = np.linspace(120, 170, points)

    def case(rng: np.random.Generator) -> bool:
        x = at + 0.5 * truth_scale * rng.normal(size=points)
        y = 2 + 0.95 * at + 1.0 * truth_scale * rng.normal(size=points)
        found = fit_error_line(x, y, 0.5, 1.0, scatter=scatter)  # type: ignore[arg-type] # one of the three words
        if what == "height":
            value, truth = found.height(150, assurance=LEVEL), 2 + 0.95 * 150
        else:
            value, truth = found.inverse(2 + 0.95 * 150, assurance=LEVEL), 150.0
        return value.low <= truth <= value.high

    return case


def display(readings: int) -> Case:
    """What to dial in, the gauge's own common error included."""

    def case(rng: np.random.Generator) -> bool:
        probe = 1.1 * rng.normal()
        settings = np.linspace(130, 170, readings) if readings > 2 else np.full(readings, 150.0)
        taken = [
            GaugeReading("press", float(s), None, float(0.96 * s + 1 + probe + rng.normal(0, 0.5))) for s in settings
        ]
        wanted = 0.96 * 150 + 1
        found = fit_display(taken, "press").dial(wanted, LEVEL)
        return found.low_degc <= 150 <= found.high_degc

    return case


def setting_error(places: int, days: int) -> Case:
    """Upper limit of the setting error, time and place."""
    names = [place_name(r, c) for r in range(3) for c in range(3)][:places]

    def case(rng: np.random.Generator) -> bool:
        place = 2.0 * rng.normal(size=places) * (places > 1)
        taken = [
            GaugeReading("press", 160.0, None, float(157 + place[i] + 1.5 * rng.normal()), names[i])
            for i in range(places)
            for _ in range(days)
        ]
        truth = np.hypot(1.5, 2.0 if places > 1 else 0.0)
        return measure_setting_error(taken, "press", assurance=LEVEL).high_delta_degc >= truth

    return case


def drift(days: int) -> Case:
    """Drift a year from several days."""

    def case(rng: np.random.Generator) -> bool:
        taken = [
            GaugeReading(
                "press",
                160.0,
                None,
                float(157 - 8 * d * 60 / 365.25 + rng.normal(0, 1)),
                taken_at=START + timedelta(days=60 * d),
            )
            for d in range(days)
        ]
        found = measure_drift(taken, "press", assurance=LEVEL)
        return found.low_delta_degc <= -8 <= found.high_delta_degc

    return case


CASES: dict[str, tuple[str, Case, float]] = {
    # what is claimed, case, share of the runs asked for (slow ones take fewer)
    "exact lower limit, 20 coupons, rate 0.95": ("at least (counts)", counts(0.95, 20, "low"), 1),
    "exact upper limit, 20 coupons, rate 0.80": ("at least (counts)", counts(0.80, 20, "high"), 1),
    "exact two-sided limits, 20 coupons, rate 0.90": ("at least (counts)", counts(0.90, 20, "exact"), 1),
    "score limits (description only), 20 coupons, rate 0.90": ("right on average", counts(0.90, 20, "wilson"), 1),
    "confirmation stopped early, lower, no failure, 0.95": ("at least (counts)", stopped(0.95, 0, "low"), 1),
    "confirmation stopped early, lower, 2 failures, 0.92": ("at least (counts)", stopped(0.92, 2, "low"), 1),
    "confirmation stopped early, upper, 2 failures, 0.92": ("at least (counts)", stopped(0.92, 2, "high"), 1),
    "strokes of three, half alike, lower, 0.95": ("at least (counts)", strokes(0.95, 0.5, "low"), 1),
    "strokes of three, half alike, upper, 0.95": ("at least (counts)", strokes(0.95, 0.5, "high"), 1),
    "strokes of three, always alike, lower, 0.95": ("at least (counts)", strokes(0.95, 1.0, "low"), 1),
    "study and confirmation together, 20 coupons": ("exact", calibrated(20), 1),
    "hand of 4 further prints, 8 strokes of 3, lower": ("about", hand(8, 3, 0.3, "low"), 0.6),
    "hand of 4 further prints, 8 strokes of 3, upper": ("about", hand(8, 3, 0.3, "high"), 0.6),
    "hand of 4 further prints, 8 strokes of 3 (alike), lower": ("about", hand(8, 3, 0.0, "low"), 0.6),
    "hand of 4 further prints, 5 strokes of 4, lower": ("about", hand(5, 4, 0.3, "low"), 0.6),
    "hand, long-run mean, 8 strokes of 3, lower": ("about", hand(8, 3, 0.3, "mean"), 0.6),
    "difference of rates, apart, 20 each, 0.90 and 0.95": ("about (counts)", difference(0.90, 0.95, 20, -1), 1),
    "difference of rates, apart, 30 each, 0.70 and 0.95": ("about (counts)", difference(0.70, 0.95, 30, -1), 1),
    "difference of rates, pairs, 20, half shared": ("about (counts)", difference(0.85, 0.95, 20, 0.5), 1),
    "difference of rates, pairs, 30, nothing shared": ("about (counts)", difference(0.70, 0.95, 30, 0.0), 1),
    "worse by the margin not called good enough, apart, 25": (
        "at least (counts)",
        wrongly_good(0.95, 0.15, 25, False),
        1,
    ),
    "worse by the margin not called good enough, pairs, 25": (
        "at least (counts)",
        wrongly_good(0.95, 0.15, 25, True),
        1,
    ),
    "hand difference, 8 strokes, one coupon of each": ("about", hand_difference(8, 1, 0.3), 0.6),
    "hand difference, 4 strokes, three coupons of each": ("about", hand_difference(4, 3, 0.3), 0.6),
    "kappa, 20 coupons, 70 % good, 10 % errors": ("about", cohen(20, 0.7, 0.10), 1),
    "kappa, 30 coupons, 85 % good, 5 % errors": ("about", cohen(30, 0.85, 0.05), 1),
    "weighted kappa, 20 coupons": ("about", weighted(20), 1),
    "kappa of four people, 24 coupons": ("about", fleiss(24, 4, 0.7, 0.10), 0.5),
    "Kendall's W, 20 coupons, 2 people": ("about", w_of_ranks(20, 2, 0.7), 0.3),
    "Kendall's W, 12 coupons, 4 people": ("about", w_of_ranks(12, 4, 0.5), 0.3),
    "intraclass, different people a coupon, 20 by 2": (
        "exact",
        intraclass("different people a coupon", 20, 2, 0.3),
        0.5,
    ),
    "intraclass, any such people, 20 by 2": ("about", intraclass("any such people", 20, 2, 0.3), 0.5),
    "intraclass, these very people, 20 by 2": ("exact", intraclass("these very people", 20, 2, 0.3), 0.5),
    "lean of one person, 12 coupons": ("about", lean(12), 0.5),
    "line, height, 6 points, stated errors": ("about", line(6, "stated", 1, "height"), 0.5),
    "line, inverse, 6 points, stated errors": ("about", line(6, "stated", 1, "inverse"), 0.5),
    "line, height, 6 points, errors twice as large, observed": ("about", line(6, "observed", 2, "height"), 0.5),
    "line, inverse, 6 points, errors twice as large, larger": (
        "at least (the larger of two)",
        line(6, "larger", 2, "inverse"),
        0.5,
    ),
    "line, height, 6 points, larger of the two": ("at least (the larger of two)", line(6, "larger", 1, "height"), 0.5),
    "what to dial in, 5 readings": ("about", display(5), 0.5),
    "what to dial in, 2 readings at one setting": ("at least", display(2), 0.5),
    "setting error, upper limit, one place, 6 readings": ("exact", setting_error(1, 6), 0.5),
    "setting error, upper limit, 9 places, 3 readings": ("at least", setting_error(9, 3), 0.25),
    "drift, 5 days": ("exact", drift(5), 0.5),
    "drift, 2 days": ("exact", drift(2), 0.5),
}


def main() -> None:
    """One row a case, with its standard error."""
    parser = arguments(__doc__)
    parser.add_argument("--runs", type=int, default=4000, help="runs of the quick cases; slow ones take fewer")
    given = parser.parse_args()
    rows: list[list[str]] = []
    all_held: dict[str, list[float]] = {}
    low = []
    with written(given, __file__, __doc__, cases=f"{given.runs} runs of the quick cases, seeds 20250103") as figures:
        for i, (name, (claimed, case, part)) in enumerate(CASES.items()):
            rng = np.random.default_rng([20_250_103, i])
            n = max(int(given.runs * part), 50)
            held = float(np.mean([case(rng) for _ in range(n)]))
            error = float(np.sqrt(held * (1 - held) / n))
            rows.append([name, claimed, cell((held, error, n), 3), str(n)])
            all_held.setdefault(claimed.split(" (")[0], []).append(held)
            if held < LEVEL - 0.02 - 2 * error:
                low.append(name)
        print(table(["limit or interval", "claimed", "measured", "runs"], rows))
        print(f"\nBelow 0.88 by more than chance: {'; '.join(low) or 'none'}.")
        figures.update(lowest(all_held))


def lowest(held: dict[str, list[float]]) -> Figures:
    """The lowest share by claim."""
    return {f"lowest_{claimed.replace(' ', '_')}": min(shares) for claimed, shares in held.items()}


if __name__ == "__main__":
    main()
