"""Dial settings in words: what to set on a machine for the surface temperatures of a study."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from doe.assure.gauges.line import GaugedLine
from doe.assure.gauges.summary import machine_temperatures
from doe.domain.coding import to_step
from doe.domain.factors import KNOWN_FACTORS, Factor
from doe.domain.plan_kinds import Scale
from doe.domain.study import Study
from doe.domain.units import METRIC, SYMBOLS, Shown, fixed, show_difference
from doe.words.cautions import EQUAL, NOT_CHECKED
from doe.words.wording import amount, amount_both, amount_range, day, listing

if TYPE_CHECKING:
    import pandas as pd

COARSE_STEP_DEGC = 2.0
"""A dial with larger steps cannot be given every surface temperature of a plan (our guess, no source)."""

USUAL_STEP_DEGC = 1.0

SCALE_WORDS: dict[Scale, str] = {
    "surface": "Temperatures are those of the surface; what to dial in for them stands on the bench sheet.",
    "dial": "Temperatures are what was dialled in.",
}
"""What the temperatures of a round's coupons are."""


@dataclass(frozen=True)
class DialSetting:
    """One machine's dial for one surface temperature, ready to print.

    Attributes
    ----------
    name, label : str
        The factor, and its words.
    machine : str
    surface_degc, dial_degc : float
        The dial rounded to its step; equal to the surface where the display is not checked.
    surface, dial : str
        Both temperature units.
    plus_minus : str
        Half the width of the dial's 95 % limits, both units; empty where the display is not checked.
    u_delta_degc : float or None
        Standard uncertainty of the dial setting.
    is_checked : bool
    """

    name: str
    label: str
    machine: str
    surface_degc: float
    dial_degc: float
    surface: str
    dial: str
    plus_minus: str
    u_delta_degc: float | None
    is_checked: bool


def dial_setting(
    gauged: GaugedLine, study: Study, name: str, surface_degc: float, shown: Shown = METRIC
) -> DialSetting | None:
    """Dial setting of a factor, or of a held setting, by name; None where it is no temperature of a machine."""
    found = gauged.dial(name, surface_degc)
    if found is None:
        return None
    step = _step(study, name)
    dial = to_step(found.dial_degc, step) if found.is_checked else surface_degc
    half = 0.0 if found.high_degc is None else found.high_degc - found.dial_degc
    label = study.factor(name).label if name in study.factor_names else KNOWN_FACTORS[name].label
    return DialSetting(
        name=name,
        label=label,
        machine=found.machine,
        surface_degc=surface_degc,
        dial_degc=dial,
        surface=whole_both(surface_degc, shown),
        dial=whole_both(dial, shown),
        plus_minus=show_difference(half, shown) if found.is_checked else "",
        u_delta_degc=found.u_delta_degc,
        is_checked=found.is_checked,
    )


def dial_window(
    gauged: GaugedLine, study: Study, made: DialSetting, low_degc: float, high_degc: float, shown: Shown = METRIC
) -> str:
    """Ends of a surface window on the dial, as a recipe's card has them."""
    ends = gauged.dial_ends(made.name, low_degc, high_degc, made.dial_degc, _step(study, made.name))
    told = list(dict.fromkeys(whole_both(end, shown) for end in ends if end is not None))
    return f"{told[0]} only" if len(told) == 1 else " to ".join(told)


@dataclass(frozen=True)
class Dialled:
    """Settings of a study as they are dialled in on its line: what a person sets, the surface named beside it.

    ``gauged`` is the line with its corrections in force; a temperature that no reading tells stays that of the surface.
    """

    study: Study
    gauged: GaugedLine
    shown: Shown

    def of(self, name: str, surface: float | str) -> DialSetting | None:
        """Dial setting of a temperature that readings tell; None for every other setting."""
        if isinstance(surface, str):
            return None
        made = dial_setting(self.gauged, self.study, name, surface, self.shown)
        return made if made is not None and made.is_checked else None

    def amount(self, factor: Factor, value: float | str) -> str:
        """What is set, in the reader's unit."""
        made = self.of(factor.name, value)
        if made is None and factor.heated_mm is not None:
            return amount_both(factor, value, self.shown)
        return amount(factor, value if made is None else made.dial_degc, self.shown)

    def span(self, factor: Factor, low: float, high: float, value: float) -> str:
        """Ends of a range around a setting, on the dial."""
        made = self.of(factor.name, value)
        if made is not None:
            ends = self.gauged.dial_ends(factor.name, low, high, made.dial_degc, _step(self.study, factor.name))
            low, high = (low if end is None else end for end, low in zip(ends, (low, high), strict=True))
        return amount_range(factor, low, high, self.shown)

    def surface(self, factor: Factor, value: float | str) -> str:
        """The surface behind what is set; that the display is not checked; empty for what has no display."""
        made = self.of(factor.name, value)
        if made is not None:
            return amount(factor, value, self.shown)
        gauge = self.gauged.gauge_of(factor.name)
        return "" if gauge is None else "as dialled" if gauge.as_dialled and gauge.readings else EQUAL

    @property
    def note(self) -> str:
        """What the dial values rest on; empty where no reading tells any."""
        gauges = [self.gauged.gauge_of(f.name) for f in self.study.numeric]
        if not any(gauge is not None and gauge.is_checked for gauge in gauges):
            return ""
        return f"Dial on {self.gauged.line.name}: by the gauge readings up to {day(self.gauged.on)}."

    @property
    def unchecked(self) -> str:
        """Which settings are dialled in as if the display were the surface; empty where every reading tells."""
        doubtful = [f.name for f in self.study.numeric if self.surface(f, f.low) == EQUAL]
        return f"Dial = surface, {NOT_CHECKED}: {listing(doubtful)}." if doubtful else ""


def whole_both(degc: float, shown: Shown = METRIC) -> str:
    """A temperature as it stands on a dial: whole degrees of both units, the reader's first.

    >>> whole_both(158.2), whole_both(150, Shown("degF"))
    ('158 °C (317 °F)', '302 °F (150 °C)')
    """
    here, there = (f"{fixed(u.value(degc, 'degC'))} {SYMBOLS[u.temperature]}" for u in (shown, shown.other))
    return f"{here} ({there})"


def dials_of_settings(
    gauged: GaugedLine, study: Study, settings: Mapping[str, float | str], shown: Shown = METRIC
) -> tuple[DialSetting, ...]:
    """Dial settings of the machine temperatures of a study at some settings, held ones included."""
    found = []
    for name in machine_temperatures(study):
        value = settings[name] if name in settings else study.held.get(name)
        if value is None or isinstance(value, str):
            continue
        made = dial_setting(gauged, study, name, float(value), shown)
        if made is not None:
            found.append(made)
    return tuple(found)


def dials_of_coupons(
    gauged: GaugedLine, study: Study, coupons: pd.DataFrame, shown: Shown = METRIC
) -> tuple[DialSetting, ...]:
    """Dial settings of every machine temperature that coupons have, and of the held ones, each once and rising."""
    found = []
    for name in machine_temperatures(study):
        values = sorted(set(coupons[name].astype(float))) if name in coupons else [float(study.held[name])]
        found += [dial_setting(gauged, study, name, value, shown) for value in values]
    return tuple(made for made in found if made is not None)


def coarse_cautions(gauged: GaugedLine, study: Study, shown: Shown = METRIC) -> tuple[str, ...]:
    """A sentence for each dial whose steps are too wide for the correction to be set exactly."""
    said = []
    for name in machine_temperatures(study):
        gauge, step = gauged.gauge_of(name), _step(study, name)
        if gauge is not None and gauge.is_checked and step > COARSE_STEP_DEGC:
            said.append(
                f"The dial of the {gauge.machine} goes in steps of {show_difference(step, shown, decimals=0)}: the "
                f"surface may be up to {show_difference(step / 2, shown)} off what is wanted. Record what was measured."
            )
    return tuple(said)


def _step(study: Study, name: str) -> float:
    """Smallest change of the machine's dial, in degC."""
    known = KNOWN_FACTORS[name].step
    return (study.factor(name).step if name in study.factor_names else known) or USUAL_STEP_DEGC
