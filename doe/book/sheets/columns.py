"""Guessing what the columns of a foreign sheet are, from their headings and numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from statistics import median

from doe.book.sheets.cells import split_unit
from doe.domain.factors import Factor
from doe.domain.said import squeeze, words
from doe.domain.study import Study
from doe.domain.units import looks_like_fahrenheit, stored_unit, unit_spelled

_CURE = {"cure", "curing", "oven", "tunnel", "dryer", "gel", "bake", "melt"}
_PRESS = {"press", "pressing", "platen", "heatpress"}
_MEASURE = {
    "degC": {"temp", "temperature", "temps", "heat"},
    "s": {"time", "dwell", "duration", "seconds", "sec", "minutes", "min"},
    "bar": {"pressure", "bar", "psi"},
    "g/m2": {"amount", "weight", "gsm"},
}
_ACTUAL = {"actual", "measured", "real", "gauge", "gun", "surface"}
_EXACT = {
    "coupon": {"coupon", "couponid", "id", "sample", "sampleno", "no", "nr", "number", "test", "run", "print", "shirt"},
    "symptom": {"symptom", "symptoms", "defect", "defects", "fault", "problem", "failure", "whatwentwrong"},
    "side": {"side"},
    "note": {"note", "notes", "remark", "remarks", "comment", "comments"},
    "void": {"void", "voidbecause", "spoiled", "discarded"},
    "round": {"round"},
    "cure_batch": {"curebatch", "ovenbatch", "sheet"},
    "press_batch": {"pressbatch", "presssession"},
    "garment": {"garment", "blank"},
}
_PASS = {"pass", "passed", "passfail", "ok", "result", "verdict", "good", "overall", "accept", "accepted"}
# Words of a heading that say which usual factor it is, beside machine and measure.
_TELLING = {
    "dwell": {"dwell"},
    "pressure": {"pressure"},
    "powder_amount": {"powder", "adhesive"},
    "peel_wait": {"peel", "wait"},
    "cooling_gap": {"gap"},
    "second_press_time": {"second", "repress"},
    "film_type": {"film"},
    "peel_mode": {"peel"},
    "fabric": {"fabric", "cloth"},
}
_SURE_ENOUGH = 0.55


@dataclass(frozen=True)
class ColumnUse:
    """What a column of a foreign sheet is used for.

    Parameters
    ----------
    role : str
        A factor, ``actual_<factor>``, ``check_<check>``, ``pass`` (one verdict over everything), ``hand_<person>``,
        ``hand`` (nobody named), ``coupon``, ``symptom``, ``side``, ``note``, ``void``, ``round``, ``cure_batch``,
        ``press_batch``, ``garment`` or ``ignore``.
    unit : str
        Unit of bare numbers in it (``degF``, ``min`` ...); empty for the stored unit.
    """

    role: str
    unit: str = ""

    @classmethod
    def of(cls, role: str, heading: str) -> ColumnUse:
        """Use with the unit that the heading names, if any."""
        return cls(role, heading_unit(heading)[1])


def heading_unit(heading: str) -> tuple[str, str]:
    """Heading without its unit, and that unit, also without brackets.

    >>> heading_unit("Press °F"), heading_unit("dwell sec"), heading_unit("oven [C]")
    (('Press', 'degF'), ('dwell', 's'), ('oven', 'degC'))
    """
    base, unit = split_unit(heading)
    if unit is not None:
        return base, unit
    parts = heading.replace("_", " ").replace(",", " ").split()
    if len(parts) > 1 and (spelled := unit_spelled(parts[-1])) is not None:
        rest = parts[:-1]
        return " ".join(rest[:-1] if rest[-1].casefold() == "in" else rest), spelled
    return heading, unit_spelled(heading) or ""


def guess_uses(headings: Sequence[str], study: Study, numbers: Mapping[str, Sequence[float]]) -> dict[str, ColumnUse]:
    """Best use of each heading; every use once, the surest first.

    Parameters
    ----------
    headings : sequence of str
    study : Study
    numbers : mapping of heading to numbers
        The numbers in each column, for units nobody wrote down.
    """
    offers = [
        (score, -j, role, heading)
        for j, heading in enumerate(headings)
        for role, score in _scores(heading, study).items()
        if score >= _SURE_ENOUGH
    ]
    uses: dict[str, ColumnUse] = {}
    taken: set[str] = set()
    for _, _, role, heading in sorted(offers, reverse=True):
        if heading in uses or role in taken:
            continue
        uses[heading] = ColumnUse(role, _unit(role, heading, study, numbers.get(heading, ())))
        taken.add(role)
    return {heading: uses.get(heading, ColumnUse("ignore")) for heading in headings}


def _unit(role: str, heading: str, study: Study, numbers: Sequence[float]) -> str:
    factor = next((f for f in study.numeric if role in (f.name, f"actual_{f.name}")), None)
    if factor is None:
        return ""
    unit = heading_unit(heading)[1]
    if not unit and factor.is_temperature and numbers and looks_like_fahrenheit(median(numbers)):
        return "degF"
    return unit


def _scores(heading: str, study: Study) -> dict[str, float]:
    """How well each use fits a heading, 0 to 1."""
    base, unit = heading_unit(heading)
    tokens = set(words(base))
    name = squeeze(base)
    scores = {role: 1.0 for role, known in _EXACT.items() if name in known}
    if name in _PASS:
        scores["pass"] = 0.9
    for check in study.spec.checks:
        for text in (check.name, f"check_{check.name}", f"after_{check.name}", f"{check.name}es"):
            scores[f"check_{check.name}"] = max(scores.get(f"check_{check.name}", 0.0), _likeness(base, text))
    person = _person(base)
    if person is not None:
        scores[f"hand_{person}" if person else "hand"] = 0.95
    is_actual = bool(tokens & _ACTUAL) or name.startswith("actual")
    for f in study.factors:
        score = _factor_score(base, tokens - _ACTUAL, unit, f, study)
        scores[f"actual_{f.name}" if is_actual and not f.is_categorical else f.name] = score
    return scores


def _factor_score(base: str, tokens: set[str], unit: str, f: Factor, study: Study) -> float:
    """How well a heading names a factor: by its name, or by machine and measure.

    A unit of another kind rules it out.
    """
    if unit and stored_unit(unit) != f.unit:
        return 0.0
    if f.is_categorical:
        telling = bool(tokens & _TELLING.get(f.name, set()))
        return max(_likeness(base, f.name), _likeness(base, f.label), 0.6 * telling)
    named = max(_likeness(base, f.name), _likeness(base, f.label))
    at = "cure" if tokens & _CURE else "press" if tokens & _PRESS else ""
    measures = {kind for kind, known in _MEASURE.items() if tokens & known} | ({stored_unit(unit)} if unit else set())
    telling = bool(tokens & _TELLING.get(f.name, set()))
    if f.unit not in measures and not telling:
        return named
    usual = f.name in ("cure_temp", "cure_time", "press_temp", "dwell", "pressure")
    alone = sum(g.unit == f.unit and g.stage == f.stage for g in study.numeric) == 1
    only_one = sum(g.unit == f.unit for g in study.numeric) == 1
    score = 0.0
    if telling:
        score = 0.85
    elif at == f.stage and (usual or alone):
        score = 0.8
    elif not at and only_one:
        score = 0.6
    return max(named, score)


def _person(base: str) -> str | None:
    """Person of a hand-feel column, "" when nobody is named, None when it is none."""
    parts = base.replace("-", " ").replace("_", " ").replace(":", " ").split()
    low = [p.casefold().strip("(),") for p in parts]
    if not low or not ({"hand", "handfeel", "feel", "softness"} & set(low)):
        return None
    rest = [
        p.strip("(),")
        for p, word in zip(parts, low, strict=True)
        if word not in {"hand", "handfeel", "feel", "softness", "score", "by", "to", "1", "5"}
    ]
    return " ".join(rest).strip()


def _likeness(base: str, name: str) -> float:
    """Likeness of two names, 1 when they are the same; little of it counts as none.

    Names with different numbers (wash 1, wash 5) are different names.
    """
    ours, theirs = words(base), words(name)
    if [w for w in ours if w.isdigit()] != [w for w in theirs if w.isdigit()]:
        return 0.0
    ratio = SequenceMatcher(None, "".join(ours), "".join(theirs)).ratio()
    return ratio if ratio >= 0.8 else 0.0
