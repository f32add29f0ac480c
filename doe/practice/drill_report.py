"""Exercise: read a report: is this window safe?"""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd

from doe.domain.errors import InputError
from doe.domain.units import METRIC, Shown, parse_number, show
from doe.plans.build import make_plan
from doe.practice.drill import (
    Drill,
    MapPicture,
    Question,
    Turn,
    of_hundred,
    practice_study,
    robust_at,
    settings_table,
)
from doe.practice.lines import SimulatedLine, make_line
from doe.setpoint.answer import Answer
from doe.setpoint.recommendation import recommend
from doe.surfaces.fitted import fit

_KINDS = ("thermal", "smooth", "sharp", "wiggly", "borderline", "ridge", "unreachable")
_USES = ("release", "confirm", "more", "change")
_RIGHT = {"ready": "confirm", "more coupons": "more", "not reachable": "change"}
_WORDS = {
    "release": "release it as it is",
    "confirm": "spend confirmation coupons on it",
    "more": "make more coupons first",
    "change": "change range, stack or target first",
}


class ReadReport(Drill):
    """Three questions about a report of the tool on a line whose truth comes out afterwards."""

    exercise = "report"
    title = "Read a report"

    def __init__(self, seed: int, shown: Shown = METRIC) -> None:
        super().__init__(seed, shown)
        self.study = practice_study(seed)
        self.line: SimulatedLine = make_line(_KINDS[seed % len(_KINDS)], seed, self.study)
        self.coupons = int(self._rng.choice([16, 20, 28]))
        plan = make_plan(self.study, coupons=self.coupons, seed=seed)
        self.results = self.line.run(plan.coupons, seed)
        self.answer_given: Answer = recommend(self.study, fit(self.study, self.results, seed=seed), seed=seed)
        self._answers: list[str | float] = []

    @property
    def brief(self) -> tuple[str, ...]:
        """See `Drill`."""
        found, passed = self.answer_given, int(self.results["passed"].sum())
        window = {} if found.window is None else found.window.bounds.astype(float).T.to_dict()
        rows = []
        for f in self.study.numeric:
            span = "no window"
            if f.name in window:
                ends = (show(float(window[f.name][end]), f.unit, self.shown) for end in ("low", "high"))
                span = "expected window " + " to ".join(ends)
            rows.append(f"  {f.label}: {show(float(found.setpoint[f.name]), f.unit, self.shown)}, {span}")
        cliff = "none inside the ranges"
        if found.cliffs:
            near = found.cliffs[0]
            cliff = f"{self.study.factor(near.factor).label} {near.direction}, {near.setting_errors:.1f} setting errors"
        inner = "none" if found.assured_window is None else "there is one"
        return (
            f"A report on {self.study.name}: {self.coupons} coupons, {passed} passed. Target: 95 of 100.",
            *rows,
            f"  Expected at the setpoint: {of_hundred(found.pass_rate)}; at least, with 90 % assurance: "
            f"{of_hundred(found.pass_rate_low)}.",
            f"  Chance that the target holds at the setpoint: {100 * found.p_target:.0f} %. Assured window: {inner}.",
            f"  Chance that any tested setting reaches the target: {100 * found.p_reachable:.0f} %.",
            f"  Nearest cliff: {cliff}.",
            "Is this window safe? Three questions. Score: 50 for the right next step, 20 for what may be promised, up "
            "to 30 for how well the setpoint really does (2 points less for each print of 100 beside the truth); each "
            "hint costs 5 points.",
        )

    def question(self) -> Question | None:
        """See `Drill`."""
        if self.is_over:
            return None
        return (
            Question("What do you do with this setpoint?", "; ".join(f"{k}: {v}" for k, v in _WORDS.items()), _USES),
            Question(
                "The customer asks how many of 100 will pass. What may you promise today?",
                "expected, bound (the lower bound) or nothing",
                ("expected", "bound", "nothing"),
            ),
            Question("How many of 100 production prints do you think really pass at this setpoint?", "0 to 100"),
        )[len(self._answers)]

    def answer(self, text: str) -> Turn:
        """See `Drill`."""
        question = self.question()
        if question is None:
            raise InputError("answer", repr(text), "nothing more", "The exercise is over.")
        word = text.strip().lower()
        if question.choices:
            if word not in question.choices:
                raise InputError("answer", repr(text.strip()), ", ".join(question.choices), "Choose one of these.")
            self._answers.append(word)
            return Turn(("Noted.",))
        value = parse_number(word, "answer")
        if not 0 <= value <= 100:
            raise InputError("answer", word, "0 to 100", "Count prints of a hundred.")
        self._answers.append(value)
        return self._end()

    def _hints(self) -> tuple[str, ...]:
        return (
            "The expected rate is the middle of what is possible: half the time the truth lies below it.",
            "Ready never means released: nobody has made a coupon at the setpoint yet.",
        )

    def corners(self) -> pd.DataFrame:
        """Corners of the expected window; the setpoint alone when there is none."""
        found = self.answer_given
        if found.window is None:
            return pd.DataFrame([found.setpoint])
        bounds = found.window.bounds.astype(float)
        ends = [(float(bounds["low"][f.name]), float(bounds["high"][f.name])) for f in self.study.numeric]
        return pd.DataFrame(list(product(*ends)), columns=[f.name for f in self.study.numeric])

    def _end(self) -> Turn:
        found = self.answer_given
        use, promise, guess = self._answers
        setpoint = {name: float(value) for name, value in found.setpoint.items()}
        true, best = robust_at(self.line, setpoint), self.line.best()
        right_use = _RIGHT[found.verdict]
        # before confirmation coupons only the lower bound is backed by anything, and only with a target in reach
        right_promise = "nothing" if found.verdict == "not reachable" else "bound"
        beside = abs(float(guess) - 100 * true)
        parts = [
            (f"next step: {right_use} ({_WORDS[right_use]})", 50.0 if use == right_use else 0.0),
            (f"promise: {right_promise}", 20.0 if promise == right_promise else 0.0),
            (f"how well it does, {beside:.0f} beside", max(0.0, 30 - 2 * beside)),
        ]
        at = self.line.robust_pass(self.corners())
        held = true >= found.pass_rate_low
        truth = [
            f"Really {of_hundred(true)} production prints pass at this setpoint; at the best there are "
            f"{of_hundred(best.robust_pass)}.",
            f"The verdict was: {found.verdict}. The lower bound {'held' if held else 'did not hold'}"
            + ("." if held else ": with 90 % assurance that happens about once in ten reports."),
            "There was no window to trust."
            if found.window is None
            else f"Of the {len(at)} corners of the expected window {int(np.sum(at >= 0.95))} really hold 95 of 100; "
            f"the worst has {of_hundred(float(at.min()))}.",
        ]
        window = {}
        if found.window is not None:
            bounds = found.window.bounds.astype(float)
            window = {str(n): (float(bounds["low"][n]), float(bounds["high"][n])) for n in bounds.index}
        marks = {"the report's": setpoint, "the best": {k: float(v) for k, v in best.settings.items()}}
        picture = MapPicture(self.line, self.results, marks, window)
        return self._finish(
            parts, truth, picture, coupons=self.coupons, table=settings_table(self.study, marks, self.shown)
        )
