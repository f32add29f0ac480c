"""Exercise: one setting at a time by hand, beside a factorial plan on the same line."""

from __future__ import annotations

import pandas as pd

from doe.domain.errors import InputError
from doe.domain.factors import Factor
from doe.domain.finding import Finding
from doe.domain.said import squeeze
from doe.practice.drill import (
    CouponDrill,
    MapPicture,
    Question,
    Turn,
    plain,
    read_setting,
    robust_at,
    share_of_best,
    told,
)
from doe.practice.drill_line import centre, line_to_tune, tool_on

PER_SWEEP = 5
_MEANT = {"mine": "mine", "plan": "plan", "theplan": "plan", "plans": "plan", "theplans": "plan"}
"""What is typed, squeezed, and the answer it means."""


class Compare(CouponDrill):
    """Sweep one dial after the other; then see what a plan makes of as many coupons."""

    exercise = "compare"

    def _begin(self) -> None:
        self.line = line_to_tune(self.seed)
        self.study = self.line.study
        self.now = plain(centre(self.study))
        self._left = list(self.study.numeric)
        self._swept: Factor | None = None

    def _question(self) -> Question:
        """See `Drill`."""
        if self._swept is not None:
            return Question(told("ask kept", factor=self._swept.name))
        if self._left:
            return Question(told("ask values", factor=self._left[0].name, count=PER_SWEEP))
        return Question(told("ask better"), ("mine", "plan"))

    def _answer(self, text: str) -> Turn:
        """See `Drill`.

        Raises
        ------
        InputError
            If it cannot be used; nothing has changed then.
        """
        if self._swept is not None:
            (self.now[self._swept.name],) = self._values(self._swept, text, 1)
            self._swept = None
            return Turn((told("kept"),))
        if self._left:
            return self._sweep(self._left[0], text)
        word = _MEANT.get(squeeze(text), "")
        if not word:
            raise InputError("answer", repr(text), "mine or the plan's", "Choose one of the two.")
        return self._end(word)

    def _values(self, f: Factor, text: str, many: int) -> list[float]:
        """Values typed for a factor.

        Raises
        ------
        InputError
            If there are more or fewer than asked for, or one is outside the range.
        """
        words = text.split()
        if len(words) != many:
            raise InputError(f.label, f"{len(words)} values", f"{many}", "Type them with blanks between.")
        return [read_setting(f, word, self.shown) for word in words]

    def _sweep(self, f: Factor, text: str) -> Turn:
        values = self._values(f, text, PER_SWEEP)
        number = len(self._made) + 1
        frame = pd.DataFrame([{**self.now, f.name: value} for value in values])
        frame.insert(0, "coupon", [f"S{number}-{i + 1:02d}" for i in range(PER_SWEEP)])
        frame["round"] = number
        for stage in ("cure", "press"):
            frame[f"{stage}_batch"] = range(1, PER_SWEEP + 1) if f.hard_to_change and f.stage == stage else 1
        frame["garment"] = [1 + i // 4 for i in range(PER_SWEEP)]
        made = self._press(self.line, frame)
        self._left.pop(0)
        self._swept = f
        return Turn((told("swept", factor=f.name),), made)

    def _hints(self) -> tuple[Finding, ...]:
        return (
            told("spread values"),
            told("dials together"),
        )

    def _end(self, word: str) -> Turn:
        best, mine = self.line.best(), robust_at(self.line, self.now)
        _, _, answer = tool_on(self.line, self.coupons, self.seed)
        tool = plain(answer.setpoint)
        theirs = robust_at(self.line, tool)
        better = "mine" if mine >= theirs else "plan"
        marks = {
            "yours": dict(self.now),
            "the plan's": tool,
            "the best": plain(best.settings),
        }
        truth = [
            told("rates compared", yours=mine, plan=theirs, best=best.robust_pass, coupons=self.coupons),
            told("plan verdict", verdict=answer.verdict, rate=answer.pass_rate, low=answer.pass_rate_low),
            told("sweeps see", lucky=better == "mine"),
        ]
        parts = [
            (told("as good", most=70), 70 * share_of_best(mine, best.robust_pass)),
            (told("which better", most=30), 30.0 if word == better else 0.0),
        ]
        made = pd.concat(self._made, ignore_index=True)
        return self._finish(
            parts,
            truth,
            MapPicture(self.line, made, marks),
            coupons=self.coupons,
            compared=marks,
        )
