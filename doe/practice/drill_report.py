"""Exercise: read a report: is this window safe?"""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd

from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.domain.units import parse_number
from doe.practice.drill import (
    Drill,
    MapPicture,
    Question,
    Turn,
    plain,
    practice_study,
    robust_at,
    told,
)
from doe.practice.drill_line import tool_on
from doe.practice.lines import SimulatedLine, make_line

_KINDS = ("thermal", "smooth", "sharp", "wiggly", "borderline", "ridge", "unreachable")
_USES = ("release", "confirm", "more", "change")
_RIGHT = {"ready": "confirm", "more coupons": "more", "not reachable": "change"}


class ReadReport(Drill):
    """Three questions about a report of the tool on a line whose truth comes out afterwards."""

    exercise = "report"

    def _begin(self) -> None:
        self.study = practice_study(self.seed)
        self.line: SimulatedLine = make_line(_KINDS[self.seed % len(_KINDS)], self.seed, self.study)
        self.coupons = int(self._rng.choice([16, 20, 28]))
        _, self.results, self.answer_given = tool_on(self.line, self.coupons, self.seed)
        self._answers: list[str | float] = []

    def _question(self) -> Question:
        """See `Drill`."""
        return (
            Question(told("ask step"), _USES),
            Question(told("ask promise"), ("expected", "bound", "nothing")),
            Question(told("ask rate")),
        )[len(self._answers)]

    def _answer(self, text: str) -> Turn:
        """See `Drill`.

        Raises
        ------
        InputError
            If it cannot be used; nothing has changed then.
        """
        word, choices = text.lower(), self._question().choices
        if choices:
            if word not in choices:
                raise InputError("answer", repr(text), ", ".join(choices), "Choose one of these.")
            self._answers.append(word)
            return Turn((told("noted"),))
        value = parse_number(word, "answer")
        if not 0 <= value <= 100:
            raise InputError("answer", word, "0 to 100", "Count prints of a hundred.")
        self._answers.append(value)
        return self._end()

    def _hints(self) -> tuple[Finding, ...]:
        return (
            told("middle only"),
            told("not released"),
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
        setpoint = plain(found.setpoint)
        true, best = robust_at(self.line, setpoint), self.line.best()
        right_use = _RIGHT[found.verdict]
        right_promise = "nothing"  # a fit proves nothing to a customer: only confirmation coupons do
        beside = abs(float(guess) - 100 * true)
        parts = [
            (told("next step", step=right_use), 50.0 if use == right_use else 0.0),
            (told("promise", promise=right_promise), 20.0 if promise == right_promise else 0.0),
            (told("rate beside", points=beside), max(0.0, 30 - 2 * beside)),
        ]
        at = self.line.robust_pass(self.corners())
        held = true >= found.pass_rate_low
        held_corners = {"corners": len(at), "hold": int(np.sum(at >= 0.95)), "worst": float(at.min())}
        truth = [
            told("rates report", true=true, best=best.robust_pass),
            told("bound held", verdict=found.verdict, held=held),
            told("no window") if found.window is None else told("corners hold", **held_corners),
        ]
        window = {}
        if found.window is not None:
            bounds = found.window.bounds.astype(float)
            window = {str(n): (float(bounds["low"][n]), float(bounds["high"][n])) for n in bounds.index}
        marks = {"the report's": setpoint, "the best": plain(best.settings)}
        picture = MapPicture(self.line, self.results, marks, window)
        return self._finish(parts, truth, picture, coupons=self.coupons, compared=marks)
