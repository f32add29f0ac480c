"""What may be said of a material beyond its name, and what follows from it: ranges, looks, what to know.

Facts and rules are rows of `templates/tables/materials.toml`, each rule with its source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

from doe.domain.factors import KNOWN_FACTORS
from doe.domain.finding import Finding
from doe.domain.jsonable import packaged_table, rows
from doe.domain.spec import Check
from doe.domain.stack import Material, Stack

Form = Literal["yes", "word", "text", "amount", "span", "day"]
Facts = Mapping[str, float | str | bool]

FRESH_MONTHS = {"powder": 6, "ink": 6}
"""Months within which an opened packet or bottle is used up (common practice, no source)."""
MELT_SPAN_DEGC = 30.0
"""Cure temperatures are proposed from where the powder is melted to this much above (our guess, no source)."""
DAYS_A_MONTH = 30.44


@dataclass(frozen=True)
class MaterialFact:
    """One thing that may be said: how it is read (``form``, ``unit``, ``choices``), its ``label``, and the question."""

    form: Form
    label: str
    asks: str
    unit: str = ""
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class MaterialRule:
    """What follows from facts of one part; see the head of the rules in `templates/tables/materials.toml`."""

    code: str
    part: str
    when: Mapping[str, list[str | bool]]
    bands: Mapping[str, list[float]] = field(default_factory=dict)
    source: str = ""
    note: str = ""
    check_note: str = ""
    checks: tuple[Mapping[str, Any], ...] = ()
    is_proposed_only: bool = False


_TABLE = packaged_table("materials")
FACTS: Mapping[str, Mapping[str, MaterialFact]] = {
    part: dict(zip(told, rows(MaterialFact, told.values()), strict=True)) for part, told in _TABLE["facts"].items()
}
"""What may be said of each part of a stack, by name."""
_RULES = rows(MaterialRule, _TABLE["rules"])


@dataclass(frozen=True)
class Band:
    """What is usual for a setting with these materials, in its stored unit.

    ``sources`` are texts of the rules; ``melted`` is where the powder is melted, where that says so too.
    """

    low: float
    high: float
    sources: tuple[str, ...] = ()
    melted: float | None = None


def _named(stack: Stack) -> Iterator[tuple[str, Material]]:
    for part in FACTS:
        if (material := getattr(stack, part)) is not None:
            yield part, material


def _facts(stack: Stack) -> dict[str, Facts]:
    found: dict[str, Facts] = {part: material.facts or {} for part, material in _named(stack)}
    found["fabric"] = {**found["fabric"], "dyed_polyester": stack.dyed_polyester}
    return found


def material_rules(stack: Stack) -> tuple[MaterialRule, ...]:
    """The rules that hold for a stack."""
    known = _facts(stack)

    def holds(rule: MaterialRule) -> bool:
        facts = known.get(rule.part, {})
        return all(facts.get(name) in allowed for name, allowed in rule.when.items())

    return tuple(rule for rule in _RULES if holds(rule))


def material_bands(stack: Stack, *, warned_of: bool = False) -> dict[str, Band]:
    """What is usual for settings with these materials: what is common to the rules, else the lower band.

    ``warned_of`` leaves out what is proposed but warned about elsewhere.
    """
    found: dict[str, Band] = {}
    for rule in material_rules(stack):
        for name, (low, high) in () if warned_of and rule.is_proposed_only else rule.bands.items():
            old = found.get(name, Band(low, high))
            ends = max(old.low, low), min(old.high, high)
            if ends[0] >= ends[1]:
                ends = min((old.low, old.high), (low, high))
            found[name] = Band(*ends, (*old.sources, rule.source))
    melted = melted_at(stack)
    if melted is not None and not warned_of:
        found["cure_temp"] = Band(melted, melted + MELT_SPAN_DEGC, melted=melted)
    return found


def melted_at(stack: Stack) -> float | None:
    """Temperature at which the powder is melted by its data sheet; None where nobody said."""
    found = (stack.powder.facts or {}).get("melting_high")
    return None if found is None else float(found)


def material_checks(stack: Stack) -> tuple[Check, ...]:
    """The looks that are proposed for these materials."""
    return tuple(Check(**told) for rule in material_rules(stack) for told in rule.checks)


def months_open(material: Material | None, on: date) -> float | None:
    """Months since a packet or bottle was opened; None where nobody said."""
    opened = None if material is None else (material.facts or {}).get("opened")
    return None if opened is None else max((on - date.fromisoformat(str(opened))).days / DAYS_A_MONTH, 0.0)


def opened_too_long(stack: Stack, on: date) -> tuple[Finding, ...]:
    """Packets and bottles that were opened longer ago than they are used up in."""
    found = []
    for part, most in FRESH_MONTHS.items():
        material: Material | None = getattr(stack, part)
        months = months_open(material, on)
        if months is not None and months > most and material is not None and material.facts:
            found.append(Finding("old", {"part": part, "opened": material.facts["opened"], "months": most}))
    return tuple(found)


def unusual_for(stack: Stack, spans: Mapping[str, tuple[float, float]]) -> tuple[Finding, ...]:
    """Settings, each with its least and largest value, outside what is usual for the materials; never a limit."""
    melted, bands = melted_at(stack), material_bands(stack, warned_of=True)
    found = []
    for name, (low, high) in spans.items():
        band = bands.get(name)
        if band is not None and not band.low <= low <= high <= band.high:
            usual = Finding("outside", {"usual_low": band.low, "usual_high": band.high, "sources": band.sources})
            found.append(usual.also(factor=name, low=low, high=high))
        if melted is not None and name in KNOWN_FACTORS and name.endswith("_temp") and high < melted:
            found.append(Finding("unmelted", {"factor": name, "value": high, "melted": melted}))
    return tuple(found)


def peel_of(film: Material) -> tuple[str, float | None]:
    """How a film is peeled ("" where nobody said), and the wait of its data sheet."""
    facts = film.facts or {}
    wait = facts.get("wait")
    return str(facts.get("peel", "")), None if wait is None else float(wait)


def is_peeled_alike(ours: Material, theirs: Material) -> bool:
    """Whether two films are peeled alike, as far as it was said of both."""
    return all(a == b for a, b in zip(peel_of(ours), peel_of(theirs), strict=True) if a and b)


def facts_of_make(material: Material) -> Facts:
    """What was said of a material but for its packet, such as its age: it holds for another lot too."""
    return {name: value for name, value in (material.facts or {}).items() if name not in _OF_A_PACKET}


def facts_apart(ours: Material, theirs: Material) -> tuple[str, ...]:
    """Names of facts that were said of both materials and differ; those of one packet, such as its age, left out."""
    a, b = facts_of_make(ours), facts_of_make(theirs)
    return tuple(name for name in a if name in b and a[name] != b[name])


_OF_A_PACKET = ("opened", "kept", "stirred")


def facts_alike(ours: Material, theirs: Material) -> float:
    """Share of the facts said of both materials that agree; 0 where none was."""
    a, b = facts_of_make(ours), facts_of_make(theirs)
    both = [name for name in a if name in b]
    return sum(a[name] == b[name] for name in both) / len(both) if both else 0.0


def facts_for_diagnosis(stack: Stack, on: date) -> dict[str, Any]:
    """What the materials of a stack tell about a fault, by the names of `doe.symptoms.known.Known`."""
    fabric, powder = stack.fabric.facts or {}, stack.powder.facts or {}
    kind = "stretch" if fabric.get("stretch") is True else fabric.get("kind")
    found = {
        "fabric": None if kind == "other" else kind,
        "recipe_film_class": peel_of(stack.film)[0] or None,
        "powder_stored": powder.get("kept"),
        "powder_months": months_open(stack.powder, on),
        "ink_months": months_open(stack.ink, on),
    }
    return {name: value for name, value in found.items() if value is not None}


def fact_fields(facts: Facts, part: str) -> Iterable[tuple[MaterialFact, tuple[float | str | bool, ...]]]:
    """Facts of a material in the order of the table, each with its value, a span with both ends."""
    for name, fact in FACTS[part].items():
        names = (f"{name}_low", f"{name}_high") if fact.form == "span" else (name,)
        if all(n in facts for n in names):
            yield fact, tuple(facts[n] for n in names)
