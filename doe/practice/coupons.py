"""Making and scoring coupons on a simulated line, as a shop would: wandering machines, late washes, human scorers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol
from zlib import crc32

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.outcome import ACTUAL_PREFIX, BAD, CLEAN, HAND_PREFIX, JUST, SLIGHT
from doe.domain.spec import HAND_HIGH, HAND_LOW, HAND_STEP
from doe.domain.study import MAX_FACTORS, Study
from doe.practice.truth import Margins

if TYPE_CHECKING:
    import numpy as np


@dataclass(frozen=True)
class Habits:
    """How people and machines add to what the settings do.

    Attributes
    ----------
    batch_share : float
        Share of the setting-error variance of a hard-to-change factor that a whole batch has in common.
    garment_share : float
        Share of the coupon scatter's variance that coupons on one garment have in common.
    lapse : float
        Share of prints lost to something that is not a setting: lint, a jerk at the peel. They fail as ``other``,
        in the trial and in production alike.
    unknown, wrong_side : float
        Share of failed coupons whose side is not known, or taken for the other side.
    hand_coupon_sd, hand_scorer_sd, hand_bias_sd : float
        Spread of hand-feel from coupon to coupon, from scoring to scoring, and between people (scale points).
    just, slight : float
        How far from the line between pass and fail a pass is called clean and a failure bad, in standard deviations of
        the coupon scatter.
    grade_slip : float
        Share of coupons whose grade is the other one of their side.
    """

    batch_share: float = 0.5
    garment_share: float = 0.15
    lapse: float = 0.005
    unknown: float = 0.10
    wrong_side: float = 0.05
    hand_coupon_sd: float = 0.15
    hand_scorer_sd: float = 0.35
    hand_bias_sd: float = 0.25
    just: float = 1.5
    slight: float = 1.5
    grade_slip: float = 0.05

    @classmethod
    def draw(cls, rng: np.random.Generator) -> Habits:
        """Habits of one shop; the ranges are invented."""
        return cls(
            batch_share=rng.uniform(0.3, 0.7),
            garment_share=rng.uniform(0.0, 0.3),
            lapse=rng.uniform(0.0, 0.01),
            unknown=rng.uniform(0.05, 0.2),
            wrong_side=rng.uniform(0.02, 0.08),
            hand_coupon_sd=rng.uniform(0.1, 0.2),
            hand_scorer_sd=rng.uniform(0.25, 0.45),
        )


FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Always drawn for this many, so that a coupon's luck does not depend on how many there are.
_FACTORS, _MECHANISMS = MAX_FACTORS, 8
_CHANCES = ("lapse", "lapse check", "machine", "side", "symptom", "grade", "grade slip")

OTHER_MECHANISMS = ("thin", "thick", "steam")
"""Ways to fail that are no question of heat, in the order of `Margins.other`: too little powder, too much, steam."""

# What is seen on a failed coupon, by side, machine, and whether it failed before or after the wash. Keys of the
# symptom catalogue; a test holds them against it.
_SEEN: dict[tuple[str, str], tuple[tuple[str, ...], tuple[str, ...]]] = {
    ("under", "cure"): (("grainy_back", "wet_sheen"), ("colour_shed",)),
    ("under", "press"): (("no_transfer", "patchy_transfer", "edge_lift_dry"), ("edge_lift_wash", "sheet_lift_wash")),
    ("over", "cure"): (("glass_back", "yellowing"), ("yellowing",)),
    ("over", "press"): (("film_lock", "scorch", "strike_through"), ("dye_bleed", "sunk_print")),
    ("other", ""): (("edge_haze", "small_part_loss"), ("wash_ripple", "pinholes")),
    ("other", "thin"): (("small_part_loss",), ("small_part_loss",)),
    ("other", "thick"): (("edge_haze", "stiff_hand"), ("stiff_hand",)),
    ("other", "steam"): (("blisters", "pinholes"), ("wash_ripple", "blisters")),
    ("unknown", ""): (("stretch_crack", "blisters"), ("stretch_crack",)),
}


class CouponMaker(Protocol):
    """What making coupons needs of a simulated line; `doe.practice.lines.SimulatedLine` says what each part is."""

    @property
    def seed(self) -> int: ...
    @property
    def study(self) -> Study: ...
    @property
    def habits(self) -> Habits: ...
    @property
    def platen_degc(self) -> tuple[float, ...]: ...
    def real_settings(self, settings: pd.DataFrame) -> tuple[FloatArray, IntArray]: ...
    def margins_at(self, natural: FloatArray, levels: IntArray) -> Margins: ...
    def hand_at(self, natural: FloatArray, levels: IntArray) -> FloatArray: ...


@dataclass(frozen=True)
class Scoring:
    """How the coupons are scored.

    Attributes
    ----------
    people : tuple of str
        Who scores hand-feel. Each has a bias of their own on a line, the same in every round.
    washes : int or None
        Washes done so far: checks that need more are left empty, and ``passed`` counts the others. None: all done.
    measured : tuple of str
        Factors whose real value is measured and given as ``actual_<factor>``.
    gauge_sd : float
        Standard deviation of that measurement, as a share of the factor's setting error.
    grades : bool
        Whether coupons are graded besides passed or failed.
    """

    people: tuple[str, ...] = ("ana", "ben")
    washes: int | None = None
    measured: tuple[str, ...] = ()
    gauge_sd: float = 0.25
    grades: bool = False


DEFAULT_SCORING = Scoring()


def run(line: CouponMaker, coupons: pd.DataFrame, seed: int, how: Scoring = DEFAULT_SCORING) -> pd.DataFrame:
    """Make and score coupons.

    Luck belongs to the coupon, the batch and the garment, not to the call: with the same seed a coupon comes out the
    same whether it is made alone, with its round, or with the whole plan.

    Parameters
    ----------
    line : CouponMaker
    coupons : DataFrame
        Every factor; ``coupon``, ``round``, ``cure_batch``, ``press_batch``, ``garment`` where known (without them
        every coupon is its own batch and garment).
    seed : int
        0 or more; another seed is another day with the same line.
    how : Scoring

    Returns
    -------
    DataFrame
        The given columns, then ``actual_<factor>`` where measured, one column a check (empty when not reached or not
        yet washed), ``passed`` (empty when no check is scored yet), ``side``, ``symptom`` and ``hand_<person>``
        (missing for coupons that failed the first check: nothing to feel).
    """
    frame = coupons.reset_index(drop=True)
    luck = _Luck(line.seed, seed, frame)
    real, levels = line.real_settings(frame)
    real = real + _setting_error(line, frame, luck)
    margins = line.margins_at(real, levels)
    under, over = _with_scatter(line, margins, luck)
    lapse = luck.uniform["lapse"] < line.habits.lapse
    other = _other(margins, luck)
    side, severity, machine = _failures(line, under, over, other, lapse, luck)
    first = _first_failed(line, severity, lapse, luck)
    failed = first < len(line.study.spec.checks)
    checks = _check_results(line, first, how)
    passed = _passed(checks)
    shown = _recorded_side(line, side, luck)
    seen = np.array([p is False for p in passed])  # a fault not yet washed out is not yet seen
    out = frame.copy()
    for name in how.measured:
        j = [f.name for f in line.study.numeric].index(name)
        spread = how.gauge_sd * line.study.numeric[j].setting_sd
        out[ACTUAL_PREFIX + name] = np.round(real[:, j] + spread * luck.gauge[:, j], 1)
    for check in line.study.spec.checks:
        out[check.name] = checks[check.name]
    out["passed"] = passed
    out["side"] = np.where(seen, shown, "")
    if how.grades:
        slack = np.column_stack([under, over, other]).min(axis=1)
        out["grade"] = _grades(line, slack, lapse, passed, luck)
    out["symptom"] = _symptoms(line, shown, machine, first, seen, luck)
    hand = line.hand_at(real, levels)
    hand = np.clip(hand + line.habits.hand_coupon_sd * luck.hand, HAND_LOW, HAND_HIGH)
    nothing = failed & (first == 0)
    for person in how.people:
        score = (
            hand + lean(line, person) + line.habits.hand_scorer_sd * luck.shared(f"hand {person}", luck.coupon)[:, 0]
        )
        score = np.clip(np.round(score / HAND_STEP) * HAND_STEP, HAND_LOW, HAND_HIGH)
        out[HAND_PREFIX + person] = np.where(nothing, np.nan, score)
    return out


def lean(line: CouponMaker, person: str) -> float:
    """How much higher a person scores hand-feel on a line than it is: their own bias, the same in every round."""
    return float(line.habits.hand_bias_sd * _stream(line.seed, 0, f"person {person}").normal())


def _stream(line_seed: int, seed: int, name: str) -> np.random.Generator:
    return np.random.default_rng([line_seed, seed, crc32(name.encode())])


class _Luck:
    """Random numbers that belong to named things (coupons, batches, garments), drawn the same in any company.

    ``setting``, ``gauge``: shape (coupons, 6); ``scatter``: (coupons, mechanisms of both sides); ``hand``: (coupons,);
    ``uniform``: one array (coupons,) a chance of `_CHANCES`.
    """

    def __init__(self, line_seed: int, seed: int, frame: pd.DataFrame) -> None:
        self.seeds = line_seed, seed
        rows = [f"row {i}" for i in range(len(frame))]
        self.coupon = frame["coupon"].astype(str).to_list() if "coupon" in frame else rows
        rounds = frame["round"].astype(str).to_list() if "round" in frame else ["1"] * len(frame)

        def labels(column: str) -> list[str]:
            if column not in frame:
                return [f"{column} of {c}" for c in self.coupon]
            given = zip(frame[column], rounds, self.coupon, strict=True)
            return [f"{column} of {c}" if pd.isna(v) else f"{column} {r}/{v}" for v, r, c in given]

        self.batch = {"cure": labels("cure_batch"), "press": labels("press_batch")}
        self.garment = labels("garment")
        streams = [_stream(*self.seeds, f"coupon | {n}") for n in self.coupon]
        draws = np.array([s.normal(size=2 * _FACTORS + 2 * _MECHANISMS + 1) for s in streams]).reshape(len(frame), -1)
        self.setting, self.gauge, self.scatter, rest = np.split(
            draws, np.cumsum([_FACTORS, _FACTORS, 2 * _MECHANISMS]), axis=1
        )
        self.hand = rest[:, 0]
        chances = np.array([s.random(len(_CHANCES)) for s in streams]).reshape(len(frame), len(_CHANCES))
        self.uniform = dict(zip(_CHANCES, chances.T, strict=True))

    def shared(self, what: str, of: Sequence[str], width: int = 1) -> FloatArray:
        """Standard normal numbers, shape (coupons, width); equal for rows whose ``of`` is equal."""
        drawn = {n: _stream(*self.seeds, f"{what} | {n}").normal(size=width) for n in dict.fromkeys(of)}
        return np.array([drawn[n] for n in of]).reshape(len(of), width)


def _setting_error(line: CouponMaker, frame: pd.DataFrame, luck: _Luck) -> FloatArray:
    """Real minus set, shape (coupons, numeric factors): a batch of a hard-to-change factor shares part of it."""
    numeric = line.study.numeric
    error = luck.setting[:, : len(numeric)].copy()
    shared = line.habits.batch_share
    for j, f in enumerate(numeric):
        if f.hard_to_change:
            batch = luck.shared(f"batch {f.name}", luck.batch[f.stage or "press"])[:, 0]
            error[:, j] = np.sqrt(shared) * batch + np.sqrt(1 - shared) * error[:, j]
    made = error * np.array([f.trial_error for f in numeric])
    if line.platen_degc:
        count = len(line.platen_degc)
        place = [int(_stream(*luck.seeds, f"place | {c}").integers(count)) for c in luck.coupon]
        made[:, [f.name == "press_temp" for f in numeric]] += np.array(line.platen_degc)[place][:, None]
    return np.asarray(made)


def _with_scatter(line: CouponMaker, margins: Margins, luck: _Luck) -> tuple[FloatArray, FloatArray]:
    """Margins with the coupon's and its garment's scatter; the total scatter is 1, as the truth has it."""
    shared = line.habits.garment_share
    garment = luck.shared("garment", luck.garment, 2 * _MECHANISMS)
    scatter = np.sqrt(shared) * garment + np.sqrt(1 - shared) * luck.scatter
    under, over = margins.under.shape[1], margins.over.shape[1]
    return margins.under + scatter[:, :under], margins.over + scatter[:, _MECHANISMS : _MECHANISMS + over]


def _other(margins: Margins, luck: _Luck) -> FloatArray:
    """Margins with scatter against what is no question of heat, shape (coupons, 1 or more)."""
    if margins.other is None:
        return np.full((len(margins.under), 1), np.inf)
    return margins.other + luck.shared("other", luck.coupon, margins.other.shape[1])


def _failures(
    line: CouponMaker, under: FloatArray, over: FloatArray, other: FloatArray, lapse: NDArray[np.bool_], luck: _Luck
) -> tuple[NDArray[np.str_], FloatArray, NDArray[np.str_]]:
    """Side of each failed coupon ("" when sound), how badly it failed, and at which machine (or what it lacked)."""
    too_much, too_little = over.min(axis=1) < 0, under.min(axis=1) < 0
    amiss = (other.min(axis=1) < 0) & ~too_much
    side = np.where(lapse | amiss, "other", np.where(too_much, "over", np.where(too_little, "under", "")))
    worst_margin = np.where(too_much, over.min(axis=1), np.where(amiss, other.min(axis=1), under.min(axis=1)))
    severity = np.maximum(-worst_margin, 0.0)
    worst = np.where(too_much, over.argmin(axis=1), under.argmin(axis=1))
    stages = sorted({f.stage or "press" for f in line.study.factors})
    if over.shape[1] > 1:  # one heat direction a machine, oven first; anything further shows at the press
        machine = np.where(worst == 0, "cure", "press")
    else:
        machine = np.array(stages)[(luck.uniform["machine"] * len(stages)).astype(int)]
    machine = np.where(amiss & ~lapse, np.array([*OTHER_MECHANISMS, ""])[other.argmin(axis=1)], machine)
    return side, severity, np.where(lapse, "", machine)


def _first_failed(line: CouponMaker, severity: FloatArray, lapse: NDArray[np.bool_], luck: _Luck) -> NDArray[np.int64]:
    """Number of the first check each coupon fails; the number of checks when it fails none.

    A bad failure shows at once, a slight one only after washes: half a standard deviation of scatter a check.
    """
    count = len(line.study.spec.checks)
    late = np.clip(count - 1 - np.floor(severity / 0.5), 0, count - 1)
    lost = np.floor(luck.uniform["lapse check"] * count)
    return np.where(lapse, lost, np.where(severity > 0, late, count)).astype(np.int64)


def _check_results(line: CouponMaker, first: NDArray[np.int64], how: Scoring) -> dict[str, list[bool | None]]:
    results: dict[str, list[bool | None]] = {}
    for number, check in enumerate(line.study.spec.checks):
        due = how.washes is None or check.after_washes <= how.washes
        results[check.name] = [None if not due or number > f else bool(number < f) for f in first]
    return results


def _passed(checks: dict[str, list[bool | None]]) -> list[bool | None]:
    rows = zip(*checks.values(), strict=True)
    scored = [[c for c in row if c is not None] for row in rows]
    return [all(row) if row else None for row in scored]


def _recorded_side(line: CouponMaker, side: NDArray[np.str_], luck: _Luck) -> NDArray[np.str_]:
    """Side as the scorer wrote it down: sometimes unknown, sometimes the wrong one."""
    draw = luck.uniform["side"]
    wrong = np.where(side == "under", "over", np.where(side == "over", "under", side))
    unknown = line.habits.unknown
    shown = np.where(draw < unknown + line.habits.wrong_side, wrong, side)
    return np.where(side == "", "", np.where(draw < unknown, "unknown", shown))


def _grades(
    line: CouponMaker, slack: FloatArray, lapse: NDArray[np.bool_], passed: list[bool | None], luck: _Luck
) -> list[str]:
    """Grade of each scored coupon: how far its worst margin lies from 0; chance alone where no setting spoiled it."""
    far = np.where(slack > 0, slack > line.habits.just, slack < -line.habits.slight)
    far = np.where(lapse, luck.uniform["grade"] < 0.5, far)
    far ^= luck.uniform["grade slip"] < line.habits.grade_slip
    return [
        "" if ok is None else (CLEAN if f else JUST) if ok else (BAD if f else SLIGHT)
        for ok, f in zip(passed, far, strict=True)
    ]


def _symptoms(
    line: CouponMaker,
    shown: NDArray[np.str_],
    machine: NDArray[np.str_],
    first: NDArray[np.int64],
    seen: NDArray[np.bool_],
    luck: _Luck,
) -> list[str]:
    draw = luck.uniform["symptom"]
    washed = [check.is_later for check in line.study.spec.checks]
    found = []
    for i, side in enumerate(shown):
        if not seen[i]:
            found.append("")
            continue
        at = str(machine[i]) if (str(side), str(machine[i])) in _SEEN else ""
        choices = _SEEN[(str(side), at)][int(washed[first[i]])]
        found.append(choices[int(draw[i] * len(choices))])
    return found
