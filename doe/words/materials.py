"""Materials in words: what is known of them, what it asks for, what is unusual with it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from doe.domain.factors import usual_factor
from doe.domain.finding import Finding
from doe.domain.materials import (
    FACTS,
    Band,
    MaterialFact,
    fact_fields,
    material_rules,
    opened_too_long,
    peel_of,
    unusual_for,
)
from doe.domain.stack import Material, Stack
from doe.domain.units import METRIC, SYMBOLS, Shown, show
from doe.words.facts import Reader, Text, all_worded, filled, texts_of
from doe.words.wording import day, range_both


def told_of(material: Material, part: str, shown: Shown = METRIC) -> str:
    """What is known of a material beside supplier and lot; "" where nothing is.

    >>> told_of(Material("tee", detail="ring spun", facts={"kind": "polyester", "dyed": True}), "fabric")
    'polyester, dyed, ring spun'
    """
    said = [_fact(fact, values, shown) for fact, values in fact_fields(material.facts or {}, part)]
    return ", ".join([*said, *([material.detail] if material.detail else [])])


def _fact(fact: MaterialFact, values: tuple[float | str | bool, ...], shown: Shown) -> str:
    if fact.form == "yes":
        return fact.label if values[0] else f"not {fact.label}"
    if fact.form == "day":
        return f"{fact.label} {day(date.fromisoformat(str(values[0])))}"
    if fact.form == "text" or (fact.form == "word" and fact.label == "kind"):
        return str(values[0])
    if fact.form == "word":
        return f"{fact.label} {values[0]}"
    if fact.unit not in SYMBOLS:
        return f"{fact.label} {filled(_SAID['span'], low=values[0], high=values[1])}"
    return f"{fact.label} {' to '.join(show(float(value), fact.unit, shown) for value in values)}"


def fact_label(part: str, name: str) -> str:
    """What a fact of a material is called, by the name it is kept under.

    >>> fact_label("powder", "melting_low")
    'melting range'
    """
    return FACTS[part][name.removesuffix("_low").removesuffix("_high").removesuffix("_class")].label


def material_warnings(
    stack: Stack, on: date, spans: Mapping[str, tuple[float, float]] | None = None, shown: Shown = METRIC
) -> tuple[str, ...]:
    """What to know of these materials, and which settings, each with its least and largest, are unusual for them."""
    found = (*opened_too_long(stack, on), *unusual_for(stack, spans or {}))
    notes = (rule.note for rule in material_rules(stack) if rule.note)
    return (*notes, *all_worded(found, _WARNINGS, Reader(shown)))


def proposal_words(bands: Mapping[str, Band], shown: Shown) -> str:
    """Which ranges are taken for the materials, and why; "" where none is."""
    sources = [_source(one, shown) for band in bands.values() for one in band.sources]
    ranges = [
        f"{Reader().label(name)} {range_both(usual_factor(name), band.low, band.high, shown)}"
        for name, band in bands.items()
    ]
    return filled(_SAID["proposed"], ranges=ranges, sources=list(dict.fromkeys(sources))) if ranges else ""


def _source(source: str | Finding, shown: Shown) -> str:
    """Why a range is taken: the text of a rule, or a number of a data sheet."""
    return source if isinstance(source, str) else filled(_SAID[source.code], Reader(shown), **source.values)


def check_notes(stack: Stack) -> tuple[str, ...]:
    """Why further looks are taken for these materials."""
    return tuple(rule.check_note for rule in material_rules(stack) if rule.check_note)


def film_words(film: Material, shown: Shown = METRIC) -> str:
    """How a film is peeled and after which wait; "" where nobody said."""
    peel, wait = peel_of(film)
    said = [filled(_SAID["peel"], peel=peel)] if peel else []
    return ", ".join([*said, *([filled(_SAID["wait"], Reader(shown), wait=wait)] if wait is not None else [])])


def peel_line(film: Material, shown: Shown) -> str:
    """The line of a bench sheet about the peel of a film of which it was said; "" else."""
    said = film_words(film, shown)
    return filled(_SAID["film"], film=said) if said else ""


def waits_line(waits: Mapping[str, float], shown: Shown = METRIC, *, by_key: bool = False) -> str:
    """What a comparison says of two films that are peeled after waits of their own; "" where they share one.

    ``by_key``: which coupon waits how long stands on the key, as the comparison is scored blind.
    """
    if not waits:
        return ""
    if by_key:
        return _SAID["waits_by_key"]
    each = {name: show(seconds, "s", shown) for name, seconds in waits.items()}
    return filled(_SAID["waits_apart"], new=each["new"], in_use=each.get("incumbent", _SAID["wait_not_known"]))


def wait_words(waits: Mapping[str, float], material: str, shown: Shown = METRIC) -> str:
    """The wait of a coupon of one of two materials, beside its code; "" where both share one."""
    if not waits:
        return ""
    seconds = waits.get(material)
    after = _SAID["wait_not_known"] if seconds is None else show(seconds, "s", shown)
    return filled(_SAID["peeled_after"], after=after)


def _outside(
    reader: Reader,
    *,
    factor: str,
    low: float,
    high: float,
    usual_low: float,
    usual_high: float,
    sources: list[str],
    **by_sheet: float,
) -> str:
    f = usual_factor(factor)
    tested, usual = range_both(f, low, high, reader.shown), range_both(f, usual_low, usual_high, reader.shown)
    code = "waits" if "wait" in by_sheet else "one layer"
    more = [filled(_SAID[code], reader, **by_sheet)] if by_sheet else []
    return filled(_SAID["outside"], reader, factor=factor, tested=tested, usual=usual, sources=[*sources, *more])


_SAID = texts_of("materials", "said")
_WARNINGS: dict[str, Text] = {**_SAID, "outside": _outside}
