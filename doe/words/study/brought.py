"""What coupons and scores from a file say beside themselves, in sentences."""

from __future__ import annotations

from doe.domain.units import show, show_both, show_difference
from doe.words.facts import Reader, Text
from doe.words.study.state import grades_at_odds
from doe.words.wording import count


def _outside(
    reader: Reader, *, factor: str, unit: str, coupons: int, low: float, high: float, least: float, most: float
) -> str:
    low_end, high_end, lowest, highest = (show(value, unit, reader.shown) for value in (low, high, least, most))
    return (
        f"{reader.label(factor)}: {count(coupons, 'coupon')} outside the range of the study, {low_end} to {high_end} "
        f"(found {lowest} to {highest})."
    )


def _minutes(reader: Reader, *, factor: str) -> str:
    return f"{reader.label(factor)}: these look like minutes. If they are, write min into the heading."


def _beyond(reader: Reader, *, factor: str, unit: str, coupons: int, limit: float) -> str:
    return (
        f"{reader.label(factor)}: {count(coupons, 'coupon')} beyond the limit of "
        f"{show_both(limit, unit, reader.shown)}; do not make such a coupon again."
    )


def _at_the_ceiling(reader: Reader, *, factor: str, coupons: int, ceiling_degc: float) -> str:
    return (
        f"{reader.label(factor)}: {count(coupons, 'coupon')} at or above "
        f"{show_both(ceiling_degc, 'degC', reader.shown)}. Never set that again: fumes."
    )


def _forbidden(reader: Reader, *, coupons: int, clauses: tuple[tuple[str, str, float | str, str], ...]) -> str:
    parts = (
        f"{factor} {compare} {value if isinstance(value, str) else show(value, unit, reader.shown)}"
        for factor, compare, value, unit in clauses
    )
    return (
        f"{count(coupons, 'coupon')} in the forbidden combination {' and '.join(parts)}; "
        "do not make such a coupon again."
    )


def _far(reader: Reader, *, where: str, found: str, far_delta_degc: float) -> str:
    far = show_difference(far_delta_degc, reader.shown, decimals=None)
    return f"{where}: {found} is more than {far} away from the plan. Check the gauge and the unit."


BROUGHT: dict[str, Text] = {
    "outside the range": _outside,
    "looks like minutes": _minutes,
    "beyond a limit": _beyond,
    "at the ceiling": _at_the_ceiling,
    "in a forbidden combination": _forbidden,
    "far from the plan": _far,
    "grades at odds": grades_at_odds,
}
"""`doe.domain.entry.FileCode`."""
