"""Settings on the bench sheet: what is dialled in for the surface temperatures of the plan."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from doe.assure.gauges.cautions import machine_temperatures, refuse_dial
from doe.assure.gauges.line import GaugedLine
from doe.domain.factors import Factor
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.words.gauges.cautions import NOT_CHECKED
from doe.words.gauges.dials import DialSetting, coarse_cautions, dial_setting
from doe.words.wording import amount_both, day


@dataclass(frozen=True)
class SheetDials:
    """How settings of a study are printed: machine temperatures as dial settings where readings tell them.

    ``gauged`` is the line with its corrections, None where nobody asked for them.
    """

    study: Study
    gauged: GaugedLine | None
    shown: Shown

    def of(self, name: str, surface: float | str) -> DialSetting | None:
        """Dial setting of a machine's temperature that readings tell; None for other settings, and for levels."""
        if self.gauged is None or isinstance(surface, str):
            return None
        made = dial_setting(self.gauged, self.study, name, surface, self.shown)
        return made if made is not None and made.is_checked else None

    def value(self, factor: Factor, value: float) -> float:
        """What the machine is set to, in the factor's unit."""
        made = self.of(factor.name, value)
        return value if made is None else made.dial_degc

    def amount(self, factor: Factor, value: float | str) -> str:
        """What the machine is set to, in words."""
        made = self.of(factor.name, value)
        return amount_both(factor, value, self.shown) if made is None else made.dial

    def title(self, factor: Factor, value: float | str | None = None) -> str:
        """What stands beside the amount of a whole batch, or heads a column of settings that change by coupon."""
        made = self.of(factor.name, factor.low if value is None and not factor.is_categorical else value or "")
        if made is None:
            return factor.label + self._doubt(factor)
        return f"{factor.label} to dial in, {'and' if value is None else f'for {made.surface}'} on the surface"

    def cell(self, factor: Factor, value: float | str) -> str:
        """One coupon's setting in such a column."""
        made = self.of(factor.name, value)
        return amount_both(factor, value, self.shown) if made is None else f"{made.dial}, surface {made.surface}"

    def _doubt(self, factor: Factor) -> str:
        """Said where a display was never checked."""
        gauge = None if self.gauged is None else self.gauged.gauge_of(factor.name)
        if gauge is None:
            return ""
        return " to dial in" if gauge.as_dialled and gauge.readings else f" ({NOT_CHECKED})"

    @property
    def remarks(self) -> tuple[str, ...]:
        """What the sheet's temperatures are, and what a coarse dial cannot be given."""
        if self.gauged is None:
            return ()
        machines = [self.gauged.gauge_of(name) for name in machine_temperatures(self.study)]
        checked = [m.machine for m in machines if m is not None and m.is_checked]
        if not checked:
            return ()
        return (
            f"The plan means temperatures of the surface. What to dial in on the {' and the '.join(checked)} of "
            f"{self.gauged.line.name} makes up for the display, by its gauge readings up to {day(self.gauged.on)}. "
            "Print the sheet again after the machine was measured anew or adjusted.",
            *coarse_cautions(self.gauged, self.study, self.shown),
        )

    def refuse(self, coupons: pd.DataFrame) -> None:
        """Refuse a sheet that would ask for a dial setting a machine may not be given.

        Raises
        ------
        InputError
            Naming the machine and what is allowed.
        """
        if self.gauged is None:
            return
        for name, (_, held) in machine_temperatures(self.study).items():
            made = self.of(name, float(coupons[name].max()) if name in coupons else held)
            if made is not None:
                refuse_dial(self.study, name, made.dial_degc, shown=self.shown)
