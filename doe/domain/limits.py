"""Safety limits that must be typed in before a plan is made, and the trade's usual bands (warnings only)."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, fields
from typing import Literal

from doe.domain.errors import InputError, InputErrors, check_line
from doe.domain.factors import KNOWN_FACTORS, Factor
from doe.domain.finding import Finding
from doe.domain.jsonable import packaged_table
from doe.domain.units import check_celsius, show_both

CEILING_DEGC = 200.0
"""Nothing at or above this is ever proposed: heated above normal processing, polyurethane breaks down and may
give off isocyanates (industry and trade pages, secondary)."""

LIMIT_NAMES = {
    "film_max": "film_max_degc",
    "powder_max": "powder_max_degc",
    "fabric_max": "fabric_max_degc",
    "oven_max": "oven_max_degc",
    "press_max": "press_max_degc",
    "min_cure_time": "min_cure_time_s",
    "min_dwell": "min_dwell_s",
    "max_pressure": "max_pressure_bar",
}
"""What a limit is called at the command line, and the field it fills."""
LIMIT_OPTIONS = {field: name for name, field in LIMIT_NAMES.items()}
"""What a field is called at the command line."""

LIMITED: Mapping[str, Literal["fabric", "film", "powder", "line"]] = {
    "film_max_degc": "film",
    "powder_max_degc": "powder",
    "fabric_max_degc": "fabric",
    "oven_max_degc": "line",
    "press_max_degc": "line",
    "min_cure_time_s": "powder",
    "min_dwell_s": "film",
    "max_pressure_bar": "line",
}
"""What a limit is of: a material, or a machine of the line (common practice, no source)."""


def _asked_as(name: str) -> str:
    """What a field is called where it is asked for; what is no field keeps its name."""
    return str(packaged_table("said_of_limits")["labels"].get(name, name))


RangeCode = Literal["outside the usual", "held outside the usual", "dye may move"]
"""What may be unusual about a tested range, or about a setting that is held or made."""

DYE_MOVES_DEGC = 138.0
"""Surface temperature above which dye of polyester may move (trade pages, secondary)."""


@dataclass(frozen=True)
class Limits:
    """Limits from the makers' data sheets, in degC, s and bar. None means not given yet.

    ``sources`` says where each number came from (sheet name, edition), by field name.
    """

    film_max_degc: float | None = None
    powder_max_degc: float | None = None
    fabric_max_degc: float | None = None
    oven_max_degc: float | None = None
    press_max_degc: float | None = None
    min_cure_time_s: float | None = None
    min_dwell_s: float | None = None
    max_pressure_bar: float | None = None
    sources: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for entry in fields(self):
            value = getattr(self, entry.name)
            if entry.name == "sources" or value is None:
                continue
            where = _asked_as(entry.name)
            if entry.name.endswith("_degc") and value != CEILING_DEGC:
                # a data sheet may well say 200; what is proposed stays below it all the same
                check_celsius(value, where)
            if entry.name.endswith("_degc") and value > CEILING_DEGC:
                raise InputError(
                    where,
                    show_both(value, "degC"),
                    f"at most {show_both(CEILING_DEGC, 'degC')}, a positive number",
                    "Copy it from the data sheet; nothing at or above that is proposed.",
                )
            if not 0 < value < 100_000:
                raise InputError(where, value, "a positive number", "Copy it from the data sheet.")

        for name, source in self.sources.items():
            check_line(source, f"source of the limit {_asked_as(name)}")

    def material_max(self, factor: str) -> float | None:
        """Highest temperature of a factor that every material takes, None where none speaks."""
        if factor == "cure_temp":
            return _lowest(self.film_max_degc, self.powder_max_degc)
        if factor == "press_temp":
            return _lowest(self.film_max_degc, self.powder_max_degc, self.fabric_max_degc)
        return None

    def bounds(self, factor: str, heated_mm: float | None = None) -> tuple[float | None, float | None]:
        """Lowest and highest permitted value of a factor, None where no limit speaks.

        The shortest cure is the fastest belt, where the belt's heated length is known.
        """
        if factor == "cure_temp":
            return None, _lowest(self.material_max(factor), self.oven_max_degc)
        if factor == "press_temp":
            return None, _lowest(self.material_max(factor), self.press_max_degc)
        if factor == "cure_time":
            return self.min_cure_time_s, None
        if factor == "belt_speed" and heated_mm and self.min_cure_time_s:
            return None, heated_mm * 60 / 1000 / self.min_cure_time_s
        if factor == "dwell":
            return self.min_dwell_s, None
        if factor == "pressure":
            return None, self.max_pressure_bar
        return None, None


def _lowest(*values: float | None) -> float | None:
    given = [v for v in values if v is not None]
    return min(given) if given else None


def needed_limits(factors: tuple[Factor, ...]) -> tuple[str, ...]:
    """Field names of the limits that must be known before a plan with these factors is made."""
    always = (
        "film_max_degc",
        "powder_max_degc",
        "fabric_max_degc",
        "oven_max_degc",
        "press_max_degc",
        "min_cure_time_s",
        "min_dwell_s",
    )
    return (*always, "max_pressure_bar") if any(f.name == "pressure" for f in factors) else always


def missing_limits(factors: tuple[Factor, ...], limits: Limits | None) -> tuple[str, ...]:
    """Needed limits that have not been typed in."""
    return tuple(n for n in needed_limits(factors) if limits is None or getattr(limits, n) is None)


def loosened(before: Limits | None, after: Limits | None) -> tuple[str, ...]:
    """Limits, by field, that permit more than before; one that was not given yet permits no more than its number.

    >>> loosened(Limits(film_max_degc=160.0, min_dwell_s=5.0), Limits(film_max_degc=150.0, min_dwell_s=4.0))
    ('min_dwell_s',)
    """
    found = []
    for name in LIMIT_OPTIONS:
        old, new = (getattr(limits, name) if limits else None for limits in (before, after))
        if old is not None and (new is None or (new < old if name.startswith("min_") else new > old)):
            found.append(name)
    return tuple(found)


def ranges_beyond(factors: tuple[Factor, ...], limits: Limits | None) -> tuple[str, ...]:
    """Factors whose tested range reaches beyond a limit."""
    if limits is None:
        return ()
    bounds = ((f, *limits.bounds(f.name, f.heated_mm)) for f in factors if not f.is_categorical)
    return tuple(
        f.name for f, low, high in bounds if (high is not None and f.high > high) or (low is not None and f.low < low)
    )


def check_ranges(factors: tuple[Factor, ...], limits: Limits | None, *, known: Collection[str] = ()) -> None:
    """Refuse ranges outside the limits or at the ceiling; of the factors ``known`` only the ceiling is asked.

    Raises
    ------
    InputErrors
        Naming every factor whose range is not permitted.
    """
    problems: list[InputError] = []
    for f in factors:
        if f.is_categorical:
            continue
        ends, it = ("", "setting") if f.fixed else (", high", "range")
        if f.is_temperature and f.high >= CEILING_DEGC:
            problems.append(
                InputError(
                    f"{f.name}{ends}",
                    show_both(f.high, f.unit),
                    f"below {show_both(CEILING_DEGC, 'degC')}",
                    f"Nothing at or above it is ever proposed (fumes); lower the {it}.",
                )
            )
        low, high = limits.bounds(f.name, f.heated_mm) if limits and f.name not in known else (None, None)
        if high is not None and f.high > high:
            problems.append(
                InputError(
                    f"{f.name}{ends}",
                    show_both(f.high, f.unit),
                    f"at most {show_both(high, f.unit)} (limit)",
                    f"Lower the {it}, or correct the limit from the data sheet.",
                )
            )
        if low is not None and f.low < low:
            problems.append(
                InputError(
                    f.name if f.fixed else f"{f.name}, low",
                    show_both(f.low, f.unit),
                    f"at least {show_both(low, f.unit)} (limit)",
                    f"Raise the {it}, or correct the limit from the data sheet.",
                )
            )
    if problems:
        raise InputErrors(problems)


def refuse_too_hot(factors: tuple[Factor, ...], settings: Mapping[str, Iterable[float]], where: str) -> None:
    """Refuse settings at or above the ceiling wherever a person would be told to dial them in.

    Raises
    ------
    InputError
        Naming the factor and the hottest setting.
    """
    for f in factors:
        hottest = max(map(float, settings[f.name]), default=0.0) if f.is_temperature else 0.0
        if hottest >= CEILING_DEGC:
            raise InputError(
                f"{where}, {f.name}",
                show_both(hottest, f.unit),
                f"below {show_both(CEILING_DEGC, 'degC')}",
                "Nothing at or above it is ever printed as a setting (fumes); look where these coupons come from.",
            )


def unusual_ranges(factors: tuple[Factor, ...], *, dyed_polyester: bool = False) -> tuple[Finding, ...]:
    """What is unusual about the ranges; never a limit.

    Parameters
    ----------
    factors : tuple of Factor
        The factors of a study.
    dyed_polyester : bool
        Whether the fabric holds dyed polyester (dye may move).
    """
    found: list[tuple[RangeCode, str]] = []
    for f in factors:
        known = KNOWN_FACTORS.get(f.name)
        if known is None or f.is_categorical or known.unit != f.unit:
            continue
        low, high = known.typical
        if f.low < low or f.high > high:
            found.append(("outside the usual", f.name))
        if f.name == "press_temp" and dyed_polyester and f.high > DYE_MOVES_DEGC:
            found.append(("dye may move", f.name))
    return tuple(Finding(code, {"factor": name}) for code, name in found)


def unusual_settings(settings: Mapping[str, float | str], *, dyed_polyester: bool = False) -> tuple[Finding, ...]:
    """What is unusual about settings that do not vary, by factor in stored units; never a limit."""
    found = []
    for name, value in settings.items():
        known = KNOWN_FACTORS.get(name)
        if known is None or not known.unit or isinstance(value, str):
            continue
        if not known.typical[0] <= value <= known.typical[1]:
            found.append(Finding("held outside the usual", {"factor": name, "value": value}))
        if name == "press_temp" and dyed_polyester and value > DYE_MOVES_DEGC:
            found.append(Finding("dye may move", {"factor": name}))
    return tuple(found)
