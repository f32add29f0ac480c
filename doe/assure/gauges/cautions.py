"""What to be careful about where a study's temperatures rest on a gauge: full sentences, most serious first."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from doe.assure.gauges.line import GaugedLine, MachineGauge
from doe.assure.gauges.platen import CLEAR_DELTA_DEGC
from doe.assure.gauges.setting_error import MACHINE_OF_FACTOR, SettingError
from doe.domain.errors import InputError
from doe.domain.factors import KNOWN_FACTORS
from doe.domain.limits import CEILING_DEGC
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown, show_both, show_difference

NOT_CHECKED = "display not checked"
"""Said beside every dial setting that no reading stands behind."""

FEW_DF = 3
"""With fewer degrees of freedom a measured setting error says too little to hold against the study's."""

LARGE_CORRECTION_DELTA_DEGC = 20.0
"""A display this far off is a mistake in a reading more often than in a machine (our guess, no source)."""

WORSE = 1.25
"""How many times larger than stated a measured size must be to be worth a word (our guess, no source)."""


def machine_temperatures(study: Study) -> dict[str, tuple[float, float]]:
    """Lowest and highest surface temperature of each machine setting that a study varies or holds, by factor."""
    found = {f.name: (f.low, f.high) for f in study.numeric if f.name in MACHINE_OF_FACTOR}
    for name, value in study.held.items():
        if name in MACHINE_OF_FACTOR and not isinstance(value, str):
            found.setdefault(name, (float(value), float(value)))
    return found


def gauge_cautions(gauged: GaugedLine, study: Study, *, shown: Shown = METRIC) -> tuple[str, ...]:
    """Cautions about the machines of a study's temperatures, varied or held; empty when there is nothing to say.

    Parameters
    ----------
    gauged : GaugedLine
    study : Study
    shown : Shown
        The reader's units; temperatures stand in both.
    """
    said: list[str] = []
    for name, (low, high) in machine_temperatures(study).items():
        gauge = gauged.gauge_of(name)
        assert gauge is not None  # it is a temperature of a machine
        said += machine_cautions(gauge, shown=shown)
        said += _range_cautions(gauge, name, study, low, high, shown)
        stated = getattr(gauged.line, gauge.machine).uncertainty_degc
        if gauge.budget is not None and stated is not None and gauge.budget.expanded > WORSE * stated:
            said.append(
                f"The {gauge.machine} is stated to be known to ±{show_difference(stated, shown)}; its readings give "
                f"±{show_difference(gauge.budget.expanded, shown)}, most of it from: {gauge.budget.largest}."
            )
        if name in study.factor_names and gauge.setting_error is not None:
            said += _error_cautions(gauge.setting_error, study.factor(name).setting_sd, name, shown)
    return (*said, *gauged.left_out)


def machine_cautions(gauge: MachineGauge, *, shown: Shown = METRIC) -> tuple[str, ...]:
    """Cautions about a machine's readings, whatever the study."""
    machine = gauge.machine
    if gauge.display is None:
        return (
            f"{NOT_CHECKED.capitalize()}: the {machine} was never measured, so what is dialled in is taken for the "
            "surface temperature. Displays tens of degrees off are common: measure it before the first coupon.",
        )
    said = []
    if gauge.status.caution:
        said.append(gauge.status.caution)
    if not gauge.follows:
        return (
            *said,
            f"{NOT_CHECKED.capitalize()}: the readings of the {machine} do not show that its surface follows the "
            "display, so no correction is made. Read it again at settings farther apart.",
        )
    if gauge.as_dialled:
        middle = (gauge.display.low_degc + gauge.display.high_degc) / 2
        off = gauge.display.surface(middle).degc - middle
        return (
            *said,
            f"Not corrected for the display: the coupons of this study were made at what was dialled in on the "
            f"{machine}, so its temperatures are dial settings. Its surface is {show_difference(abs(off), shown)} "
            f"{'below' if off < 0 else 'above'} that; on another line, or after the {machine} was adjusted, dial in "
            "for the same surface.",
        )
    if gauge.display.line is None:
        readings = "1 reading" if gauge.display.readings == 1 else f"{gauge.display.readings} readings"
        said.append(
            f"The correction of the {machine} is the same at every temperature: {readings} cannot show more. Read it "
            f"three times or more, at settings {show_difference(8, shown, decimals=0)} or more apart."
        )
    middle = (gauge.display.low_degc + gauge.display.high_degc) / 2
    off = gauge.surface(middle).surface_degc - middle
    if abs(off) > LARGE_CORRECTION_DELTA_DEGC:
        said.append(
            f"The surface of the {machine} is said to be {show_difference(abs(off), shown, decimals=0)} "
            f"{'below' if off < 0 else 'above'} its display. Measure it again, with another gauge if there is one, "
            "before anything is dialled in."
        )
    away = gauge.off_centre_delta_degc
    if away is not None and abs(away) > CLEAR_DELTA_DEGC:
        said.append(
            f"Dial settings of the {machine} are for its centre, which is {show_difference(abs(away), shown)} "
            f"{'hotter' if away < 0 else 'colder'} than the mean of the places that were read: lay the coupons of a "
            "round at one place, and see the map."
        )
    drift = gauge.drift
    if drift is not None and drift.is_clear and drift.per_year_delta_degc is not None:
        said.append(
            f"The {machine} drifts by {show_difference(drift.per_year_delta_degc, shown, decimals=0)} a year against "
            "its display: measure it before each round."
        )
    return tuple(said)


def _range_cautions(gauge: MachineGauge, name: str, study: Study, low: float, high: float, shown: Shown) -> list[str]:
    if not gauge.is_checked or gauge.display is None:
        return []
    said = []
    ends = (gauge.dial(low), gauge.dial(high))
    beyond = list(dict.fromkeys(show_both(round(e.surface_degc), "degC", shown) for e in ends if e.is_beyond))
    if beyond:
        read = [show_both(round(v), "degC", shown) for v in (gauge.display.low_degc, gauge.display.high_degc)]
        said.append(
            f"{_label(study, name).capitalize()}: {' and '.join(beyond)} {'lies' if len(beyond) == 1 else 'lie'} "
            f"outside what was read on the {gauge.machine} (display {' to '.join(dict.fromkeys(read))}): there the "
            "correction is a guess."
        )
    try:
        refuse_dial(study, name, ends[1].dial_degc, shown=shown)
    except InputError as error:
        said.append(str(error))
    return said


def refuse_dial(study: Study, name: str, dial_degc: float, *, shown: Shown = METRIC) -> None:
    """Refuse a dial setting that the machine may not be given, or at or above the ceiling.

    Limits of film, powder and fabric are those of the surface; the machine's own is that of its dial.

    Raises
    ------
    InputError
        Saying what is allowed.
    """
    limits = study.limits
    machine = MACHINE_OF_FACTOR[name]
    own = None if limits is None else (limits.oven_max_degc if machine == "oven" else limits.press_max_degc)
    if own is not None and own < CEILING_DEGC:
        is_allowed = dial_degc <= own + 1e-9
        allowed = f"at most {show_both(own, 'degC', shown)} (limit of the {machine})"
    else:
        is_allowed = dial_degc < CEILING_DEGC
        allowed = f"below {show_both(CEILING_DEGC, 'degC', shown)}"
    if not is_allowed:
        raise InputError(
            f"dial setting of the {machine}",
            show_both(round(dial_degc, 1), "degC", shown),
            allowed,
            f"Its display shows more than its surface has: have the {machine} adjusted, or lower the "
            f"{_label(study, name)}.",
        )


def _error_cautions(error: SettingError, stated: float, name: str, shown: Shown) -> list[str]:
    if error.df < FEW_DF or error.sd_delta_degc <= WORSE * stated:
        return []
    return [
        f"By its readings the {error.machine} wanders by {show_difference(error.sd_delta_degc, shown)} (standard "
        f"deviation); the study counts {show_difference(stated, shown)} for the "
        f"{KNOWN_FACTORS[name].label}, so its answer is too hopeful. Amend the study with the larger one."
    ]


def _label(study: Study, name: str) -> str:
    return study.factor(name).label if name in study.factor_names else KNOWN_FACTORS[name].label


# a setting error to start from


Basis = Literal["measured", "no reading", "few readings", "not in time", "not from place to place"]


@dataclass(frozen=True)
class SuggestedSpread:
    """Setting error to take for a machine when nobody states one, in degC of difference.

    ``basis`` says why: ``measured`` by the readings, or the usual one because there is no reading, too few to count
    on, or none that tells what changes in time or from place to place. ``read`` is what the readings give by
    themselves, where they give anything.
    """

    sd_delta_degc: float
    basis: Basis
    read_delta_degc: float | None = None


def suggested_error(gauge: MachineGauge, usual: float) -> SuggestedSpread:
    """Setting error to take for a machine when nobody states one, rounded up to a tenth of a degC.

    Parameters
    ----------
    gauge : MachineGauge
    usual : float
        What is taken without readings, degC of difference. Where only one of the two parts of the measured one (in
        time, from place to place) was read, it never goes below the usual.
    """
    found = gauge.setting_error
    if found is None or found.df == 0:
        return SuggestedSpread(usual, "no reading")
    measured = math.ceil(round(found.sd_delta_degc * 10, 6)) / 10
    if found.df < FEW_DF:
        return SuggestedSpread(usual, "few readings", measured)
    if measured < usual and found.repeat_sd_delta_degc is None:
        return SuggestedSpread(usual, "not in time", measured)
    if measured < usual and found.place_sd_delta_degc is None:
        return SuggestedSpread(usual, "not from place to place", measured)
    return SuggestedSpread(measured, "measured", measured)
