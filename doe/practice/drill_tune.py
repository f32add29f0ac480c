"""Exercise: tune a new powder with a budget of coupons and a clock."""

from __future__ import annotations

import pandas as pd

from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.domain.stack import DEFAULT_LINE
from doe.plans.timing import (
    CURE_HANDLING_MIN,
    PRESS_HANDLING_MIN,
    USUAL_SECONDS,
    hard_factors,
    hours_at_machines,
    machine_of,
    settle_matrix,
)
from doe.practice.drill import (
    CouponDrill,
    MapPicture,
    Question,
    Settings,
    Turn,
    plain,
    read_settings,
    robust_at,
    share_of_best,
    told,
)
from doe.practice.drill_line import centre, line_to_tune, tool_on

COUPONS, MINUTES = 20, 480.0
MOST_AT_ONCE = 8


class TunePowder(CouponDrill):
    """Make coupons, then hand in settings."""

    exercise = "tune"

    def _begin(self) -> None:
        self.line = line_to_tune(self.seed)
        self.study = self.line.study
        self.minutes = 0.0
        self._last: Settings | None = None

    def _question(self) -> Question:
        """See `Drill`."""
        middle = tuple(float(v) for v in centre(self.study).values())
        left = {"coupons": COUPONS - self.coupons, "minutes": max(0.0, MINUTES - self.minutes)}
        return Question(told("settings left", middle=middle, **left))

    def _answer(self, text: str) -> Turn:
        """See `Drill`.

        Raises
        ------
        InputError
            If it cannot be used; nothing has changed then.
        """
        if text.startswith("="):
            return self._hand_in(read_settings(self.study, text[1:], self.shown))
        many = 1
        if " x" in text:
            text, _, number = text.rpartition(" x")
            if not number.isdigit() or not 1 <= int(number) <= MOST_AT_ONCE:
                raise InputError("coupons", repr(number), f"x1 to x{MOST_AT_ONCE}", "Write it like 125 150 155 14 x2.")
            many = int(number)
        return self._make(read_settings(self.study, text, self.shown), many)

    def _make(self, settings: Settings, many: int) -> Turn:
        """Make coupons at these settings.

        Raises
        ------
        InputError
            If coupons or minutes do not suffice.
        """
        if self.coupons + many > COUPONS:
            raise InputError("coupons", many, f"at most {COUPONS - self.coupons}", "Hand in your settings with =.")
        minutes = self._minutes(settings, many)
        if self.minutes + minutes > MINUTES:
            raise InputError(
                "clock",
                f"{minutes:.0f} minutes for that",
                f"at most {MINUTES - self.minutes:.0f}",
                "Make fewer or move the temperatures less, or hand in with =.",
            )
        made = self._press(self.line, self._alike(settings, many, "C"))
        self.minutes += minutes
        self._last = settings
        return Turn((told("minutes taken", minutes=minutes),), made)

    def _minutes(self, settings: Settings, many: int) -> float:
        settle = 0.0
        if self._last is not None:
            for stage in ("cure", "press"):
                hard = hard_factors(self.study, stage)
                keys = [tuple(s[f.name] for f in hard) for s in (self._last, settings)]
                settle += settle_matrix(machine_of(DEFAULT_LINE, stage), hard, keys)[0, 1]
        seconds = settings["cure_time"] + settings["dwell"] + USUAL_SECONDS["peel_wait"]
        seconds += USUAL_SECONDS["second_press_time"]
        return float(settle + many * (CURE_HANDLING_MIN + PRESS_HANDLING_MIN + seconds / 60))

    def _hints(self) -> tuple[Finding, ...]:
        at = self._last or plain(centre(self.study))
        frame = pd.DataFrame([dict(at)])
        under, over = float(self.line.true_under(frame)[0]), float(self.line.true_over(frame)[0])
        side = "" if max(under, over) < 0.05 else "under" if under > over else "over"
        best = self.line.best().settings
        f = self.study.factor("press_temp")
        middle = float(best["press_temp"])
        half = "upper" if middle > (f.low + f.high) / 2 else "lower"
        return (
            told("move several"),
            told("fails where", last=self._last is not None, side=side),
            told("best half", factor=f.name, half=half),
        )

    def _hand_in(self, settings: Settings) -> Turn:
        best = self.line.best()
        robust = robust_at(self.line, settings)
        plan, results, answer = tool_on(self.line, COUPONS, self.seed)
        tool = plain(answer.setpoint)
        hours = hours_at_machines(self.study, plan.coupons, DEFAULT_LINE).minutes
        best_settings = plain(best.settings)
        truth = [
            told("rates tuned", yours=robust, best=best.robust_pass),
            told(
                "tool tuned",
                coupons=COUPONS,
                hours=hours / 60,
                rate=robust_at(self.line, tool),
                verdict=answer.verdict,
            ),
            told("you used", coupons=self.coupons, hours=self.minutes / 60),
        ]
        marks = {"yours": settings, "the tool's": tool, "the best": best_settings}
        made = pd.concat(self._made, ignore_index=True) if self._made else results.iloc[:0]
        parts = [(told("as good", most=100), 100 * share_of_best(robust, best.robust_pass))]
        return self._finish(
            parts,
            truth,
            MapPicture(self.line, made, marks),
            coupons=self.coupons,
            minutes=self.minutes,
            compared=marks,
        )
