"""What may be said of a material beyond its name, and what follows from it: ranges, looks, what to know.

Facts and rules are rows of `templates/tables/materials.toml`, each rule with its source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, Literal

from doe.domain.factors import KNOWN_FACTORS
from doe.domain.finding import Finding
from doe.domain.jsonable import packaged_table, rows
from doe.domain.said import words
from doe.domain.spec import Check
from doe.domain.stack import Material, Stack

Form = Literal["yes", "word", "text", "amount", "span", "day"]
Facts = Mapping[str, float | str | bool]

FRESH_MONTHS = {"powder": 6, "ink": 6}
"""Months within which an opened packet or bottle is used up (common practice, no source)."""
MELT_SPAN_DEGC = 30.0
"""Cure temperatures are proposed from where the powder is melted to this much above (our guess, no source)."""
GRAMS_PER_UM = 0.44
"""One layer of grains covering 55 % of the print, in g/m2 for each um of grain: 0.55 * 2/3 * 1.2 g/cm3 (arithmetic)."""
LATEST_PEEL_S = 300.0
DAYS_A_MONTH = 30.44


@dataclass(frozen=True)
class MaterialFact:
    """One thing that may be said: how it is read (``form``, ``unit``, ``choices``), its ``label``, and the question.

    ``bounds`` are the least and largest value that is believed, in ``unit``; ``means`` holds, of a text, the words that
    rules know, each with what people write for it: the text itself is kept as it was typed.
    """

    form: Form
    label: str
    asks: str
    unit: str = ""
    choices: tuple[str, ...] = ()
    bounds: tuple[float, float] | None = None
    means: Mapping[str, Sequence[str]] = field(default_factory=dict)


@dataclass(frozen=True)
class MaterialRule:
    """What follows from facts of one part; see the head of the rules in `templates/tables/materials.toml`."""

    code: str
    part: str
    when: Mapping[str, list[str | bool]]
    bands: Mapping[str, list[float]] = field(default_factory=dict)
    longer: Mapping[str, float] = field(default_factory=dict)
    source: str = ""
    note: str = ""
    check_note: str = ""
    checks: tuple[Mapping[str, Any], ...] = ()
    is_proposed_only: bool = False


_TABLE = packaged_table("materials")
_MEANS: Mapping[str, Mapping[str, Mapping[str, Sequence[str]]]] = _TABLE["means"]
FACTS: Mapping[str, Mapping[str, MaterialFact]] = {
    part: {
        name: replace(fact, means=_MEANS.get(part, {}).get(name, {}))
        for name, fact in zip(told, rows(MaterialFact, told.values()), strict=True)
    }
    for part, told in _TABLE["facts"].items()
}
"""What may be said of each part of a stack, by name."""
_RULES = rows(MaterialRule, _TABLE["rules"])


@dataclass(frozen=True)
class Band:
    """What is usual for a setting with these materials, in its stored unit.

    ``sources`` are texts of the rules, and facts of a data sheet that say so too.
    """

    low: float
    high: float
    sources: tuple[str | Finding, ...] = ()

    def also(self, low: float, high: float, source: str | Finding) -> Band:
        """What is common to this and another one; the lower of both where nothing is."""
        ends = max(self.low, low), min(self.high, high)
        if ends[0] >= ends[1]:
            ends = min((self.low, self.high), (low, high))
        return Band(*ends, (*self.sources, source))


def _named(stack: Stack) -> Iterator[tuple[str, Material]]:
    for part in FACTS:
        if (material := getattr(stack, part)) is not None:
            yield part, material


def heard(part: str, name: str, value: float | str | bool) -> float | str | bool:
    """What rules know of a fact: of a text the word that it means, "" where they know none; else the value.

    >>> heard("fabric", "finish", "Water-repellent (fluorine free)"), heard("fabric", "finish", "uncoated")
    ('repellent', '')
    """
    fact = FACTS[part].get(name)
    if fact is None or fact.form != "text" or not fact.means or not isinstance(value, str):
        return value
    said = words(value)
    for meaning, called in fact.means.items():
        if any(_is_said(said, words(phrase)) for phrase in (meaning, *called)):
            return meaning
    return ""


_NOT = ("no", "not", "non", "without")


def _is_said(said: list[str], phrase: list[str]) -> bool:
    """Whether a text has these words one after the other, and does not deny them."""
    at = (i for i in range(len(said)) if said[i : i + len(phrase)] == phrase)
    return any(i == 0 or said[i - 1] not in _NOT for i in at)


def with_what_follows(part: str, facts: Facts) -> dict[str, float | str | bool]:
    """Facts as they are typed, with what they say besides: cloth of a known colour is dyed, or is not.

    >>> with_what_follows("fabric", {"kind": "polyester", "colour": "Navy"})["dyed"]
    True
    """
    colour = heard(part, "colour", facts["colour"]) if part == "fabric" and "colour" in facts else ""
    return {**facts, "dyed": colour != "white"} if colour and "dyed" not in facts else dict(facts)


def grain_class(facts: Facts) -> str:
    """``fine`` or ``coarse`` of a grain by its data sheet, else ""; the words are not standardised (trade pages)."""
    low, high = facts.get("grain_low"), facts.get("grain_high")
    if low is None or high is None:
        return ""
    if float(low) >= COARSE_FROM_UM[0] and float(high) >= COARSE_FROM_UM[1]:
        return "coarse"
    return "fine" if float(low) <= FINE_TO_UM[0] and float(high) <= FINE_TO_UM[1] else ""


COARSE_FROM_UM, FINE_TO_UM = (120.0, 200.0), (80.0, 160.0)
HEAVY_FROM, LIGHT_BELOW = 240.0, 120.0
"""Cloth is called heavy and light from and below so many g/m2 (common practice, no source)."""


def weight_class(facts: Facts) -> str:
    """``heavy`` or ``light`` of a cloth whose weight was said, else ""."""
    weight = facts.get("weight")
    if weight is None:
        return ""
    return "heavy" if float(weight) >= HEAVY_FROM else "light" if float(weight) < LIGHT_BELOW else ""


def understood(part: str, facts: Facts) -> dict[str, float | str | bool]:
    """Facts of a material as rules know them: texts by the word they mean, weight and grain by their class."""
    found = {name: heard(part, name, value) for name, value in facts.items()}
    return found | _classes(facts)


def _known_to_rules(stack: Stack) -> dict[str, Facts]:
    found: dict[str, Facts] = {part: understood(part, material.facts or {}) for part, material in _named(stack)}
    found["fabric"] = {**found["fabric"], "dyed_polyester": stack.dyed_polyester}
    return found


def material_rules(stack: Stack) -> tuple[MaterialRule, ...]:
    """The rules that hold for a stack."""
    known = _known_to_rules(stack)

    def fact(rule: MaterialRule, name: str) -> float | str | bool:
        part, dot, of_part = name.partition(".")
        return known.get(part if dot else rule.part, {}).get(of_part or name, "")

    return tuple(rule for rule in _RULES if all(fact(rule, name) in allowed for name, allowed in rule.when.items()))


def material_bands(stack: Stack, *, warned_of: bool = False) -> dict[str, Band]:
    """What is usual for settings with these materials: what is common to the rules, else the lower band.

    ``warned_of`` leaves out what is proposed but warned about elsewhere.
    """
    found: dict[str, Band] = {}
    rules = material_rules(stack)
    for rule in rules:
        for name, (low, high) in () if warned_of and rule.is_proposed_only else rule.bands.items():
            old = found.get(name)
            found[name] = Band(low, high, (rule.source,)) if old is None else old.also(low, high, rule.source)
    _by_sheets(stack, found, warned_of=warned_of)
    for rule in () if warned_of else rules:
        for name, more in rule.longer.items():
            usual = KNOWN_FACTORS[name]
            old = found.get(name, Band(usual.low, usual.high))
            found[name] = Band(old.low + more, min(old.high + more, usual.typical[1]), (*old.sources, rule.source))
    return found


def _by_sheets(stack: Stack, found: dict[str, Band], *, warned_of: bool) -> None:
    """Bands that follow from a number of a data sheet: of melting, of the wait before the peel, of the grain."""
    melted = melted_at(stack)
    if melted is not None and not warned_of:
        found["cure_temp"] = Band(melted, melted + MELT_SPAN_DEGC, (Finding("melted", {"melted": melted}),))
    peel, wait = peel_of(stack.film)
    if wait is not None:
        source = Finding("waits", {"wait": wait})
        old = found.get("peel_wait")
        if peel in ("hot", "warm") and old is not None:
            found["peel_wait"] = Band(min(old.low, max(wait, 1.0)), max(old.high, wait), (*old.sources, source))
        else:
            found["peel_wait"] = Band(max(wait, 1.0), max(LATEST_PEEL_S, 2 * wait), (source,))
    powder = stack.powder.facts or {}
    if "grain_low" in powder and "grain_high" in powder:
        grain = float(powder["grain_low"]), float(powder["grain_high"])
        least, most = KNOWN_FACTORS["powder_amount"].typical
        low, high = (min(max(round(GRAMS_PER_UM * um), least), most) for um in grain)
        if low < high:
            source = Finding("one layer", {"grain_low": grain[0], "grain_high": grain[1]})
            found["powder_amount"] = Band(low, high, (source,))


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
            texts = tuple(one for one in band.sources if isinstance(one, str))
            usual = Finding("outside", {"usual_low": band.low, "usual_high": band.high, "sources": texts})
            for one in band.sources:
                usual = usual if isinstance(one, str) else usual.also(**one.values)
            found.append(usual.also(factor=name, low=low, high=high))
        if melted is not None and name in KNOWN_FACTORS and name.endswith("_temp") and high < melted:
            found.append(Finding("unmelted", {"factor": name, "value": high, "melted": melted}))
    return tuple(found)


def peel_of(film: Material) -> tuple[str, float | None]:
    """How a film is peeled ("" where nobody said), and the wait of its data sheet."""
    facts = film.facts or {}
    wait = facts.get("wait")
    return str(facts.get("peel", "")), None if wait is None else float(wait)


SHORTEST_PEEL_S = {"hot": 3.0, "warm": 5.0, "cold": 30.0}
"""A film of this class waits so long at least, where its data sheet says nothing (common practice, no source)."""


def own_waits(new: Material, in_use: Material, of_recipe: float | None) -> dict[str, float]:
    """Waits before the peel of two films of a comparison that are not peeled alike, in s; empty where they are.

    Parameters
    ----------
    new, in_use : Material
    of_recipe : float or None
        Wait of the recipe, that of the film in use.

    Returns
    -------
    dict
        By the values of the column ``material``: ``new``, and ``incumbent`` where its wait is known.
    """
    peel, wait = peel_of(new)
    if (peel, wait) == peel_of(in_use) or (not peel and wait is None):
        return {}
    theirs = of_recipe if of_recipe is not None else _usual_wait(in_use)
    ours = _usual_wait(new)
    if wait is None and theirs is not None and SHORTEST_PEEL_S[peel] <= theirs <= _LONGEST_PEEL_S.get(peel, theirs):
        ours = theirs
    if ours is None or ours == theirs:
        return {}
    return {"new": ours} if theirs is None else {"new": ours, "incumbent": theirs}


GONE_COLD_S = 30.0
"""Hot-peel film that lay longer has gone cold and locks (common practice, no source)."""
_LONGEST_PEEL_S = {"hot": GONE_COLD_S}


def _usual_wait(film: Material) -> float | None:
    peel, wait = peel_of(film)
    return SHORTEST_PEEL_S.get(peel) if wait is None else wait


def facts_of_make(material: Material) -> Facts:
    """What was said of a material but for its packet, such as its age: it holds for another lot too."""
    return {name: value for name, value in (material.facts or {}).items() if name not in _OF_A_PACKET}


def facts_apart(ours: Material, theirs: Material) -> tuple[str, ...]:
    """Names of facts that were said of both materials and differ; those of one packet, such as its age, left out."""
    a, b = facts_of_make(ours), facts_of_make(theirs)
    return tuple(name for name in a if name in b and a[name] != b[name])


_OF_A_PACKET = ("opened", "kept", "stirred")


CLOSE = 0.05
"""Numbers of two data sheets that lie so near are alike (our guess, no source): cloth of 180 and of 185 g/m2."""


def _is_alike(part: str, name: str, ours: float | str | bool, theirs: float | str | bool) -> bool:
    """Whether two values say about the same: texts by the word that they mean, numbers as near as sheets are sure."""
    if isinstance(ours, str) or isinstance(theirs, str):
        meant = heard(part, name, ours), heard(part, name, theirs)
        a, b = (str(one).casefold() for one in (meant if any(meant) else (ours, theirs)))
        return a == b
    if isinstance(ours, bool) or isinstance(theirs, bool):
        return ours is theirs
    return abs(ours - theirs) <= CLOSE * max(abs(ours), abs(theirs))


def facts_alike(part: str, ours: Material, theirs: Material) -> float:
    """Share of the facts said of both materials that agree; 0 where none was."""
    a, b = facts_of_make(ours), facts_of_make(theirs)
    both = [name for name in a if name in b]
    return sum(_is_alike(part, name, a[name], b[name]) for name in both) / len(both) if both else 0.0


ANY = "any"
"""Name of a material that is asked for by its facts alone."""


def missed_facts(part: str, asked: Material, theirs: Material) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Of facts asked for, those that another material has otherwise, and those that nobody said of it."""
    facts = facts_of_make(theirs)
    told: Facts = {**facts, **{name: word for name, word in _classes(facts).items() if word}}
    wanted = facts_of_make(asked)
    unsaid = tuple(name for name in wanted if name not in told)
    apart = (name for name in wanted if name in told and not _is_alike(part, name, wanted[name], told[name]))
    return tuple(apart), unsaid


def _classes(facts: Facts) -> dict[str, str]:
    return {"weight_class": weight_class(facts), "grain_class": grain_class(facts)}


CLASS_WORDS: Mapping[str, Mapping[str, Sequence[str]]] = {
    "weight": {"heavy": ("thick", "heavyweight"), "light": ("thin", "lightweight")},
    "grain": {"fine": (), "coarse": ("rough",)},
}
"""Words by which a fact that is a number may be asked for, each with other words for it."""


def told_by(part: str, text: str) -> dict[str, float | str | bool]:
    """Facts that everyday words about a material tell.

    >>> told_by("fabric", "thick cotton fleece"), told_by("powder", "coarse one")
    ({'kind': 'cotton', 'weight_class': 'heavy', 'finish': 'brushed'}, {'grain_class': 'coarse'})
    """
    said, found = words(text), dict[str, float | str | bool]()

    def first(known: Mapping[str, Sequence[str]]) -> str | None:
        return next(
            (one for one, called in known.items() if any(_is_said(said, words(w)) for w in (one, *called))), None
        )

    for name, fact in FACTS[part].items():
        known = {one: fact.means.get(one, ()) for one in (*fact.choices, *fact.means) if one != "other"}
        if name not in _OF_A_PACKET and (meaning := first(known)) is not None:
            found[name] = meaning
        elif fact.form == "yes" and (meaning := first({fact.label: ()})) is not None:
            found[name] = True
        elif (meaning := first(CLASS_WORDS.get(name, {}))) is not None:
            found[f"{name}_class"] = meaning
    return found


def facts_for_diagnosis(stack: Stack, on: date) -> dict[str, Any]:
    """What the materials of a stack tell about a fault, by the names of `doe.symptoms.known.Known`."""
    fabric, powder = understood("fabric", stack.fabric.facts or {}), stack.powder.facts or {}
    kind = "stretch" if fabric.get("stretch") is True else fabric.get("kind")
    found = {
        "fabric": None if kind == "other" else kind,
        "cloth_weight": fabric["weight_class"] or None,
        "finish": fabric.get("finish") or None,
        "recipe_film_class": peel_of(stack.film)[0] or None,
        "powder_stored": powder.get("kept"),
        "powder_months": months_open(stack.powder, on),
        "ink_months": months_open(stack.ink, on),
        "white_stirred": None if stack.ink is None else (stack.ink.facts or {}).get("stirred"),
    }
    return {name: value for name, value in found.items() if value is not None}


def fact_fields(facts: Facts, part: str) -> Iterable[tuple[MaterialFact, tuple[float | str | bool, ...]]]:
    """Facts of a material in the order of the table, each with its value, a span with both ends."""
    for name, fact in FACTS[part].items():
        names = (f"{name}_low", f"{name}_high") if fact.form == "span" else (name,)
        if all(n in facts for n in names):
            yield fact, tuple(facts[n] for n in names)
