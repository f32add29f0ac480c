"""Exercise: does a released recipe hold on a blank of another supplier?"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pandas as pd

from doe.assure.binomial import pass_rate_low
from doe.assure.comparison.plan import strokes_for_rates
from doe.assure.confirmation.allocation import CORNER_COUPONS
from doe.domain.coding import round_settings
from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.practice.drill import (
    CouponDrill,
    MapPicture,
    Question,
    Settings,
    Turn,
    named_study,
    plain,
    robust_at,
    told,
)
from doe.practice.lines import SimulatedLine
from doe.practice.materials import CLOTHS, POWDERS
from doe.practice.world import WorkshopTruth, on_cloth, seconds_to, workshop_line

COUPONS, POINTS_A_COUPON = 60, 0.5
MARGIN, POWER, ASSURANCE, LOOKS = 0.15, 0.80, 0.90, 2
"""As a comparison of the book takes them unless told otherwise: a drop that does no harm, and how sure it is."""
FAILURES = 3
"""Fewer failures than this say little against a blank."""
TARGET, CLEARLY_BELOW = 0.95, 0.85
_PLACES = {"setpoint": 0.0, "cool": -1.0, "hot": 1.0}
_REACH = 1.0  # half-width of the window in setting errors
_VERDICTS = ("holds", "retune", "not enough")
_ELSEWHERE = "of another mill"
_REACHED_DEGC = 130.0  # how soon the bond line gets there tells two cloths apart


class _Blank(NamedTuple):
    """How the cloth of another mill differs: lag at the bond line and water, as shares, and damage it bears (log)."""

    lag: float
    water: float
    bears: float


_BLANKS = (
    _Blank(1.0, 1.0, 0.0),
    _Blank(1.15, 0.9, 0.05),
    _Blank(0.9, 1.1, 0.0),
    _Blank(2.6, 1.4, 0.1),
    _Blank(1.0, 1.0, -1.3),
)


class QualifyBlank(CouponDrill):
    """Make coupons on the new blank at the setpoint and the window's corners, then judge."""

    exercise = "blank"

    def _begin(self) -> None:
        self.old, self.new, self.recipe = self._case()
        self.study = self.old.study
        rate = min(max(robust_at(self.old, self.recipe), 0.5), 0.99)
        strokes = strokes_for_rates(rate, margin=MARGIN, alpha=(1 - ASSURANCE) / LOOKS, power=POWER)
        self.asked_for = {"setpoint": strokes, "cool": CORNER_COUPONS, "hot": CORNER_COUPONS}

    def _case(self) -> tuple[SimulatedLine, SimulatedLine, dict[str, float]]:
        """Line with the old and with the new blank; the new one either holds clearly or fails clearly.

        Raises
        ------
        InputError
            If no seed near it gives a clear case.
        """
        wanted = int(self._rng.integers(len(_BLANKS)))
        for turn in range(60):
            cloth, powder = CLOTHS[self._rng.integers(len(CLOTHS))], POWDERS[self._rng.integers(len(POWDERS))]
            study = named_study(cloth.name, powder.name)
            old = workshop_line(cloth, powder, self.seed + 1000 * turn, study)
            best = {f.name: round_settings(f, np.array([float(old.best().settings[f.name])]))[0] for f in study.numeric}
            recipe = plain(best)
            other = _BLANKS[(wanted + turn // 12) % len(_BLANKS)]
            self.cloths = (
                cloth,
                replace(
                    cloth,
                    name=f"{cloth.name} {_ELSEWHERE}",
                    lag_s=cloth.lag_s * other.lag,
                    water=cloth.water * other.water,
                    bears=cloth.bears + other.bears,
                ),
            )
            new = on_cloth(old, self.cloths[1])
            rate = robust_at(new, recipe)
            if robust_at(old, recipe) >= TARGET + 0.01 and (rate >= TARGET or rate <= CLEARLY_BELOW):
                return old, new, recipe
        raise InputError("seed", self.seed, "one with a clear case", "Choose another seed.")

    @property
    def is_shown(self) -> bool:
        """Whether as many coupons were made as a comparison asks for, at each place."""
        places = pd.concat(self._made)["place"].value_counts() if self._made else pd.Series(dtype=int)
        return all(places.get(place, 0) >= wanted for place, wanted in self.asked_for.items())

    @property
    def window(self) -> dict[str, tuple[float, float]]:
        """Window of the recipe: a setting error to either side, inside the ranges."""
        return {
            f.name: (
                max(f.low, self.recipe[f.name] - _REACH * f.setting_sd),
                min(f.high, self.recipe[f.name] + _REACH * f.setting_sd),
            )
            for f in self.study.numeric
        }

    def settings_of(self, place: str) -> Settings:
        """Settings of ``setpoint``, or of the ``cool`` or ``hot`` corner of the window."""
        side = _PLACES[place]
        if side == 0:
            return self.recipe
        return {name: low if side < 0 else high for name, (low, high) in self.window.items()}

    def _question(self) -> Question:
        """See `Drill`."""
        return Question(told("coupons left", coupons=COUPONS - self.coupons))

    def _answer(self, text: str) -> Turn:
        """See `Drill`.

        Raises
        ------
        InputError
            If it cannot be used; nothing has changed then.
        """
        word = text.lower()
        if word.startswith("="):
            verdict = " ".join(word[1:].split())
            if verdict not in _VERDICTS:
                raise InputError("verdict", repr(verdict), ", ".join(_VERDICTS), "Write it like = holds.")
            return self._judge(verdict)
        place, _, number = word.partition(" ")
        if place not in _PLACES:
            raise InputError("place", repr(place), ", ".join(_PLACES), "Write it like setpoint 4.")
        left = COUPONS - self.coupons
        if not number.strip().isdigit() or not 1 <= int(number) <= left:
            raise InputError("coupons", repr(number.strip()), f"1 to {left}", "Write it like setpoint 4.")
        return self._make(place, int(number))

    def _make(self, place: str, many: int) -> Turn:
        made = self._press(self.new, self._alike(self.settings_of(place), many, "B").assign(place=place))
        return Turn((told("made at", place=place),), made)

    def _difference(self) -> tuple[Finding, ...]:
        """What is different about the new cloth, in what a gauge or a scale would show."""
        truth = self.old.truth
        assert isinstance(truth, WorkshopTruth)
        room = truth.made.room
        old, new = (seconds_to(c, room.water(c), self.recipe["press_temp"], _REACHED_DEGC) for c in self.cloths)
        said = [told("bond reached", bond_degc=_REACHED_DEGC, new_s=new, old_s=old)]
        less = self.cloths[0].bears - self.cloths[1].bears
        if less > 0.2:
            said.append(told("bears less"))
        return tuple(said)

    @property
    def passed(self) -> int:
        """Coupons made so far that passed."""
        return int(sum(frame["passed"].sum() for frame in self._made))

    def _tally(self) -> Finding:
        if not self._made:
            return told("nothing made")
        low = pass_rate_low(self.passed, self.coupons, ASSURANCE)
        return told("tally", passed=self.passed, coupons=self.coupons, low=low)

    def _hints(self) -> tuple[Finding, ...]:
        return (
            told("corners first"),
            self._tally(),
            told("same side"),
        )

    def _judge(self, verdict: str) -> Turn:
        rate, before = robust_at(self.new, self.recipe), robust_at(self.old, self.recipe)
        right = "holds" if rate >= TARGET else "retune"
        if verdict == right:
            made = told("coupons made", coupons=self.coupons)
            points = 100.0 - POINTS_A_COUPON * self.coupons
            parts = [(told("right verdict"), 100.0), (made, points - 100.0)]
            if not self.is_shown and (right == "holds" or self.coupons - self.passed < FAILURES):
                parts.append((told("luck", enough=sum(self.asked_for.values()), failures=FAILURES), -points / 2))
        else:
            parts = [(told("not enough"), 20.0) if verdict == "not enough" else (told("wrong verdict"), 0.0)]
        at = {place: self.new.true_pass(pd.DataFrame([dict(self.settings_of(place))]))[0] for place in _PLACES}
        truth = [
            told("rates blank", new=rate, old=before, right=right),
            told("asked for", pairs=sum(self.asked_for.values()), **self.asked_for),
            *self._difference(),
            told("rates places", **plain(at)),
            self._tally(),
        ]
        coupons = pd.concat(self._made, ignore_index=True) if self._made else pd.DataFrame()
        best = plain(self.new.best().settings)
        picture = MapPicture(self.new, coupons, {"the recipe": self.recipe, "the best": best}, self.window)
        return self._finish(parts, truth, picture, coupons=self.coupons)
