"""What an exercise is: questions, answers, hints that cost, and an outcome with a rule that is shown beforehand.

An exercise is pure logic and repeatable: the same seed and the same answers give the same coupons and the same score.
It holds facts; what is said about them is made in `doe.words.practice`.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.errors import InputError
from doe.domain.factors import DEFAULT_FACTORS, Factor, usual_factor
from doe.domain.finding import Finding, Value
from doe.domain.outcome import hand_columns
from doe.domain.study import COUPONS_PER_GARMENT, Study
from doe.domain.units import METRIC, Shown, parse_quantity, show
from doe.practice.charts import RunChart
from doe.practice.materials import CLOTHS, POWDERS
from doe.practice.mix import believable

if TYPE_CHECKING:
    from doe.practice.lines import SimulatedLine

    FloatArray = NDArray[np.float64]

HINT_COST = 5
"""Points a hint costs."""

Settings = Mapping[str, float]

Code = Literal[
    # any exercise
    "hints",
    "over",
    "kept",
    "noted",
    "as good",
    # tune
    "settings left",
    "minutes taken",
    "move several",
    "fails where",
    "best half",
    "rates tuned",
    "tool tuned",
    "you used",
    # fault
    "checks left",
    "causes",
    "check",
    "outcome",
    "check found",
    "not it",
    "no check",
    "best check",
    "which side",
    "one of",
    "cause found",
    "cause missed",
    "check minutes",
    "wrong causes",
    "it was",
    "ranked",
    "tool checks",
    # blank
    "coupons left",
    "made at",
    "corners first",
    "tally",
    "nothing made",
    "same side",
    "right verdict",
    "coupons made",
    "luck",
    "asked for",
    "not enough",
    "wrong verdict",
    "rates blank",
    "bond reached",
    "bears less",
    "rates places",
    # report
    "ask step",
    "ask promise",
    "ask rate",
    "middle only",
    "not released",
    "next step",
    "promise",
    "rate beside",
    "rates report",
    "bound held",
    "corners hold",
    "no window",
    # compare
    "ask kept",
    "ask values",
    "ask better",
    "swept",
    "spread values",
    "dials together",
    "rates compared",
    "plan verdict",
    "sweeps see",
    "which better",
    # chart
    "ask failures",
    "ask readings",
    "one failure",
    "two readings",
    "chart read",
    "chart says",
    "chart rule",
]
"""Codes of what exercises ask and tell; rates are shares, times in the unit that ends their name."""


def told(code: Code, **values: Value) -> Finding:
    """A fact of an exercise."""
    return Finding(code, values)


@dataclass(frozen=True)
class Question:
    """What is asked now; ``choices`` are words to choose from, ``causes`` faults that may be named, as ``=key``."""

    asks: Finding
    choices: tuple[str, ...] = ()
    causes: tuple[str, ...] = ()


@dataclass(frozen=True)
class MadeCoupon:
    """A coupon as it comes back from the press and the wash."""

    coupon: str
    settings: Settings
    passed: bool
    symptom: str
    hand: float | None


@dataclass(frozen=True)
class Turn:
    """What an answer brings: facts, and coupons."""

    said: tuple[Finding, ...]
    coupons: tuple[MadeCoupon, ...] = ()


@dataclass(frozen=True)
class MapPicture:
    """Truth of a line as maps: coupons made on it, marked settings by name, and a window (factor to low, high)."""

    line: SimulatedLine
    coupons: pd.DataFrame
    marks: Mapping[str, Settings]
    window: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    def rates(self, x: str, y: str, xs: FloatArray, ys: FloatArray, *, nodes: int = 64) -> FloatArray:
        """True robust pass rate over two factors, the others at the last marked settings, shape (len(ys), len(xs))."""
        across, up = np.meshgrid(xs, ys)
        base = list(self.marks.values())[-1]
        frame = pd.DataFrame({name: np.full(across.size, value) for name, value in base.items()})
        frame[x], frame[y] = across.ravel(), up.ravel()
        return self.line.robust_pass(frame, nodes=nodes).reshape(across.shape)


@dataclass(frozen=True)
class BarPicture:
    """Chances of causes before and after the checks made; ``true``: the cause behind the case."""

    causes: tuple[str, ...]
    before: tuple[float, ...]
    after: tuple[float, ...]
    true: str


@dataclass(frozen=True)
class RunPicture:
    """Run charts that were read."""

    charts: tuple[RunChart, ...]


AnyPicture = MapPicture | BarPicture | RunPicture | None


@dataclass(frozen=True)
class DrillResult:
    """How an exercise went.

    Attributes
    ----------
    score : int
        0 to 100.
    parts : tuple of (Finding, points)
        What the score is made of; they add up to it before it is held within 0 and 100.
    truth : tuple of Finding
        What was really so.
    coupons, minutes, hints : numbers
        What was spent, on the clock of the exercise.
    picture : MapPicture, BarPicture, RunPicture or None
    compared : mapping
        Name to settings that are to be seen side by side; empty where there is nothing to compare.
    """

    exercise: str
    seed: int
    score: int
    parts: tuple[tuple[Finding, float], ...]
    truth: tuple[Finding, ...]
    coupons: int
    minutes: float
    hints: int
    picture: AnyPicture
    compared: Mapping[str, Settings] = field(default_factory=dict)


class Drill(ABC):
    """One exercise under way.

    Raises
    ------
    InputError
        If the seed is below 0.
    """

    exercise: ClassVar[str]

    def __init__(self, seed: int, shown: Shown = METRIC) -> None:
        if seed < 0:
            raise InputError("seed", seed, "0 or more", "Choose another number.")
        self.seed = seed
        self.shown = shown
        self.hints = 0
        self._rng = np.random.default_rng([seed, 4711])
        self._outcome: DrillResult | None = None
        self._begin()

    @abstractmethod
    def _begin(self) -> None:
        """Draw the case from the seed."""

    def question(self) -> Question | None:
        """What is asked now; None once it is over."""
        return None if self.is_over else self._question()

    def answer(self, text: str) -> Turn:
        """Take an answer.

        Raises
        ------
        InputError
            If it cannot be used, or the exercise is over; nothing has changed then.
        """
        if self.is_over:
            raise InputError("answer", repr(text), "nothing more", "The exercise is over.")
        return self._answer(text.strip())

    @abstractmethod
    def _question(self) -> Question:
        """What is asked now, while it is not over."""

    @abstractmethod
    def _answer(self, text: str) -> Turn:
        """Take an answer without blanks around it, while it is not over. Raises as `answer`."""

    @abstractmethod
    def _hints(self) -> tuple[Finding, ...]:
        """Hints that may be had now, the mildest first."""

    def hint(self) -> Finding:
        """The next hint; it costs `HINT_COST` points.

        Raises
        ------
        InputError
            If there is none left, or the exercise is over.
        """
        ready = self._hints()
        if self._outcome is not None or self.hints >= len(ready):
            raise InputError("hint", "none left", "an exercise under way with a hint left", "Go on without.")
        self.hints += 1
        return ready[self.hints - 1]

    @property
    def is_over(self) -> bool:
        """Whether the outcome is known."""
        return self._outcome is not None

    @property
    def outcome(self) -> DrillResult:
        """How it went.

        Raises
        ------
        InputError
            If it is not over yet.
        """
        if self._outcome is None:
            raise InputError("exercise", "not finished", "a finished exercise", "Answer the open question first.")
        return self._outcome

    def _finish(
        self,
        parts: list[tuple[Finding, float]],
        truth: list[Finding],
        picture: AnyPicture,
        *,
        coupons: int = 0,
        minutes: float = 0.0,
        compared: Mapping[str, Settings] | None = None,
    ) -> Turn:
        if self.hints:
            parts = [*parts, (told("hints", count=self.hints), -HINT_COST * self.hints)]
        score = round(min(100.0, max(0.0, sum(points for _, points in parts))))
        self._outcome = DrillResult(
            self.exercise,
            self.seed,
            score,
            tuple(parts),
            tuple(truth),
            coupons,
            minutes,
            self.hints,
            picture,
            compared or {},
        )
        return Turn((told("over", score=score),))


class CouponDrill(Drill):
    """An exercise in which coupons are made."""

    study: Study

    def __init__(self, seed: int, shown: Shown = METRIC) -> None:
        self._made: list[pd.DataFrame] = []
        super().__init__(seed, shown)

    @property
    def coupons(self) -> int:
        """Coupons made so far."""
        return sum(len(frame) for frame in self._made)

    def _alike(self, settings: Settings, many: int, letter: str) -> pd.DataFrame:
        """The next coupons, all at the same settings and in one batch."""
        first, batch = self.coupons + 1, len(self._made) + 1
        frame = pd.DataFrame([dict(settings)] * many)
        frame.insert(0, "coupon", [f"{letter}{first + i:02d}" for i in range(many)])
        frame["round"], frame["cure_batch"], frame["press_batch"] = 1, batch, batch
        frame["garment"] = [1 + (first + i - 1) // COUPONS_PER_GARMENT for i in range(many)]
        return frame

    def _press(self, line: SimulatedLine, frame: pd.DataFrame) -> tuple[MadeCoupon, ...]:
        """Make coupons on a line; they come back scored."""
        results = believable(self.study, line.run(frame, self.seed), self.seed)
        self._made.append(results)
        return made_coupons(self.study, results)


def plain(settings: Mapping[str, Any]) -> dict[str, float]:
    """Settings as plain numbers."""
    return {name: float(value) for name, value in settings.items()}


def practice_study(seed: int) -> Study:
    """The question of an exercise: the usual four factors for an invented stack; the same seed, the same one."""
    rng = np.random.default_rng([seed, 1])
    return named_study(CLOTHS[rng.integers(len(CLOTHS))].name, POWDERS[rng.integers(len(POWDERS))].name)


def named_study(cloth: str, powder: str) -> Study:
    """The usual four factors for a cloth and a powder of the invented world."""
    return Study(
        " ".join((cloth, "with", powder, "powder (invented)")), tuple(usual_factor(n) for n in DEFAULT_FACTORS)
    )


def read_settings(study: Study, text: str, shown: Shown) -> dict[str, float]:
    """Settings typed in the order of the factors, such as ``125 150 155 14``, in the user's unit.

    Raises
    ------
    InputError
        If there are more or fewer numbers than factors, or one is outside its range.
    """
    words = text.split()
    if len(words) != len(study.numeric):
        names = ", ".join(f.label for f in study.numeric)
        raise InputError(
            "settings",
            repr(text.strip()),
            f"{len(study.numeric)} numbers: {names}",
            "Type them in this order, with blanks between.",
        )
    return {f.name: read_setting(f, word, shown) for f, word in zip(study.numeric, words, strict=True)}


def read_setting(f: Factor, word: str, shown: Shown) -> float:
    """One setting, in the user's unit if no other is named.

    Raises
    ------
    InputError
        If it is no number, or outside the tested range.
    """
    value = parse_quantity(word, f.unit, f.label, default=shown.unit(f.unit))
    if not f.low <= value <= f.high:
        raise InputError(
            f.label,
            show(value, f.unit, shown),
            f"{show(f.low, f.unit, shown)} to {show(f.high, f.unit, shown)}",
            "Stay inside the tested range.",
        )
    return value


def made_coupons(study: Study, results: pd.DataFrame) -> tuple[MadeCoupon, ...]:
    """Coupons of a results frame as a person gets them back."""
    mean = results[hand_columns(results)].mean(axis=1)
    return tuple(
        MadeCoupon(
            str(row["coupon"]),
            {f.name: float(row[f.name]) for f in study.numeric},
            bool(row["passed"]),
            str(row["symptom"]),
            None if pd.isna(mean.iloc[i]) else float(mean.iloc[i]),
        )
        for i, row in enumerate(results.to_dict("records"))
    )


def robust_at(line: SimulatedLine, settings: Settings) -> float:
    """True share of production prints that pass and are soft enough at these settings."""
    return float(line.robust_pass(pd.DataFrame([dict(settings)]))[0])


def share_of_best(robust: float, best: float) -> float:
    """0 at one half or below, 1 at the best there is.

    >>> share_of_best(0.96, 0.96), share_of_best(0.4, 0.96)
    (1.0, 0.0)
    """
    return float(np.clip((robust - 0.5) / max(best - 0.5, 1e-9), 0, 1))
