"""A study as it is typed, in options, in answers at a terminal or on a page: read the same way everywhere."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from doe.domain.errors import NAME_LENGTH, InputError, check_line
from doe.domain.factors import DEFAULT_FACTORS, KNOWN_FACTORS, Factor, usual_factor
from doe.domain.limits import Limits, ranges_beyond
from doe.domain.materials import Band, material_bands, material_checks
from doe.domain.recipe import Recipe
from doe.domain.said import meant
from doe.domain.spec import Check, Spec
from doe.domain.stack import DEFAULT_OVEN, DEFAULT_PRESS, Line, Stack
from doe.domain.study import Study
from doe.domain.units import Shown, fixed, show_both
from doe.words import typed
from doe.words.wording import listing

LIMITS_WHY = "limits from the data sheets"
"""Why limits are kept where nobody says why."""

SOUND_LABEL = "everything that was looked at is sound"
"""Of the one check of a sheet that has a single column of results."""


@dataclass(frozen=True)
class StudyOptions:
    """A study as it is typed: the texts of the options of ``doe study new``, empty where nothing was said."""

    name: str = ""
    stack: str = ""
    line: str = ""
    factors: Sequence[str] = ()
    limits: Sequence[str] = ()
    forbid: Sequence[str] = ()
    hold: Sequence[str] = ()
    pass_rate: str | None = None
    hand_min: str | None = None
    assurance: str | None = None
    checks: Sequence[str] = ()
    fabric: str = ""
    film: str = ""
    powder: str = ""
    oven: str = ""
    press: str = ""
    earlier: str = ""
    discount: float | None = None

    @property
    def is_complete(self) -> bool:
        """Whether a study can be made of it without a question."""
        stack = self.fabric and self.film and self.powder if self.brings_stack else self.stack
        return bool(self.name and stack and (self.line or self.brings_line) and self.factors)

    @property
    def brings_stack(self) -> bool:
        """Whether the stack is new with this study."""
        return bool(self.fabric or self.film or self.powder)

    @property
    def brings_line(self) -> bool:
        """Whether the line is new with this study."""
        return bool(self.oven or self.press)

    def new_stack(self, shown: Shown) -> Stack | None:
        """The stack that is new with this study; None where one of the book is meant."""
        if not self.brings_stack:
            return None
        fabric, film, powder = (
            typed.material(getattr(self, part), part, shown) for part in ("fabric", "film", "powder")
        )
        return Stack(self.stack or f"{fabric.name}, {powder.name}", fabric, film, powder)

    def new_line(self) -> Line | None:
        """The line that is new with this study, likewise."""
        if not self.brings_line:
            return None
        oven, press = self.oven or DEFAULT_OVEN.name, self.press or DEFAULT_PRESS.name
        machines = replace(DEFAULT_OVEN, name=oven), replace(DEFAULT_PRESS, name=press)
        return Line(self.line or f"{oven}, {press}", *machines)


@dataclass(frozen=True)
class SheetOptions:
    """A sheet of one's own as it is named at the command line, and how its columns, words and rows are read."""

    own_sheet: Path | None = None
    columns: Sequence[str] = ()
    word: Sequence[str] = ()
    leave_out: Sequence[str] = ()
    person: Sequence[str] = ()


def states_error(text: str) -> bool:
    """Whether the text of a factor states its setting error.

    >>> states_error("press_temp=140..170,sd=5"), states_error("press_temp=140..170,step=5")
    (True, False)
    """
    return any(part.partition("=")[0].strip().casefold() == "sd" for part in text.split(",")[1:])


def study_of(wanted: StudyOptions, shown: Shown, stack: Stack | None = None) -> Study:
    """The study that was typed; the usual factors when none was named.

    Where nothing was said of a range, or of the checks, the materials of the ``stack`` say what is usual.

    Raises
    ------
    InputError
        If name, stack or line is missing, or a part cannot be read.
    """
    for option, text in (("NAME", wanted.name), ("--stack", wanted.stack), ("--line", wanted.line)):
        if not text:
            raise InputError(option, "nothing", "a value", 'Write: doe study new "a name" --stack STACK --line LINE.')
    bands = {} if stack is None else material_bands(stack)
    factors = tuple(_proposed(text, bands, shown) for text in wanted.factors or DEFAULT_FACTORS)
    spec = typed.spec(wanted.pass_rate, wanted.hand_min, wanted.assurance, wanted.checks)
    if stack is not None and not wanted.checks:
        spec = replace(spec, checks=with_looks(spec.checks, material_checks(stack)))
    forbidden, held = typed.forbidden(wanted.forbid, factors, shown), typed.held(wanted.hold, shown)
    check_line(wanted.name, "NAME", longest=NAME_LENGTH)
    with typed.said_in("--factor", " ".join(wanted.factors)):
        study = Study(wanted.name, factors, spec, forbidden=forbidden)
    with typed.said_in("--hold", " ".join(wanted.hold)):
        study = replace(study, held=held)
    return study.with_limits(typed.limits(wanted.limits, None, shown)) if wanted.limits else study


@dataclass(frozen=True)
class KnownOptions:
    """Known settings as they are typed: the texts of the options of ``doe study known``, empty where not given."""

    name: str = ""
    stack: str = ""
    line: str = ""
    settings: Sequence[str] = ()
    source: str = ""
    dial: bool = False
    heated: str = ""
    from_recipe: str = ""
    hold: Sequence[str] = ()
    limits: Sequence[str] = ()
    pass_rate: str | None = None
    hand_min: str | None = None
    assurance: str | None = None
    checks: Sequence[str] = ()


@dataclass(frozen=True)
class KnownSettings:
    """Settings that a recipe brings along: ``numbers`` of its surfaces, what it ``held``, its ``source``.

    ``heated_mm`` is the belt's length in the heat that its speed means; ``spec`` and ``limits`` are those of its
    study. None where that is not known.
    """

    numbers: Mapping[str, float]
    held: Mapping[str, float | str]
    source: str
    spec: Spec | None = None
    limits: Limits | None = None
    heated_mm: float | None = None


def source_words(recipe: Recipe) -> str:
    """A recipe as what settings come from."""
    return f"recipe {recipe.name}, revision {recipe.revision}, on {recipe.line.name}"


def kept_in_heat(source: str, seconds: float) -> str:
    """Where settings come from, with the time in the heat that was kept when the oven changed.

    >>> kept_in_heat("recipe tee, revision 1, on back", 120.0)
    'recipe tee, revision 1, on back; its 120 s in the heat kept'
    """
    return f"{source}; its {fixed(seconds)} s in the heat kept"


def of_dials(source: str, dials: Mapping[str, float]) -> str:
    """Where settings come from, with the dial numbers that the gauge readings of the line were asked about."""
    told = listing([f"{KNOWN_FACTORS[name].label} {show_both(value, 'degC')}" for name, value in dials.items()])
    return f"{source}; dialled in: {told}"


def known_study(
    wanted: KnownOptions,
    shown: Shown,
    brought: KnownSettings | None,
    stack: Stack | None,
    at_surface: Callable[[Mapping[str, float]], Mapping[str, float]] | None = None,
) -> Study:
    """The study that confirms known settings: one value each; words and names of one's own are held.

    ``at_surface`` gives the surface temperatures of those that were typed as dial numbers, by name.

    Raises
    ------
    InputError
        If a part is missing or cannot be read, or a setting lies beyond a limit.
    """
    form = 'Write: doe study known "a name" --stack STACK --line LINE --set press_temp=155 --source "the sheet".'
    needed = [("NAME", wanted.name), ("--stack", wanted.stack), ("--line", wanted.line)]
    if brought is None:
        needed += [("--set", " ".join(wanted.settings)), ("--source", wanted.source)]
    for option, text in needed:
        if not text.strip():
            raise InputError(option, "nothing", "a value", form)
    if brought is not None and (wanted.settings or wanted.source or wanted.dial):
        option = "--set" if wanted.settings else "--source" if wanted.source else "--dial"
        raise InputError(option, "both it and --from-recipe", "one of them", "A recipe brings its own settings.")
    check_line(wanted.name, "NAME", longest=NAME_LENGTH)
    said = typed.held(wanted.settings, shown, "--set")
    typed_numbers = {name: value for name, value in said.items() if not isinstance(value, str)}
    numbers: Mapping[str, float] = typed_numbers
    source = wanted.source.strip()
    heated_mm = typed.heated_length(wanted.heated, "--heated") if wanted.heated and brought is None else None
    if heated_mm is not None and brought is None and "belt_speed" not in numbers:
        raise InputError("--heated", wanted.heated, "nothing without a belt", "Give the speed: --set belt_speed=0.6.")
    if brought is not None:
        numbers, source, heated_mm = brought.numbers, brought.source, brought.heated_mm
    elif at_surface is not None:
        surfaces = at_surface(numbers)
        source = of_dials(source, {name: numbers[name] for name in surfaces})
        numbers = {**numbers, **surfaces}
    words = {name: value for name, value in said.items() if isinstance(value, str)}
    held = {**words, **(brought.held if brought else {}), **typed.held(wanted.hold, shown)}
    spec = typed.spec(
        wanted.pass_rate, wanted.hand_min, wanted.assurance, wanted.checks, brought.spec if brought else None
    )
    if stack is not None and brought is None and not wanted.checks:
        spec = replace(spec, checks=with_looks(spec.checks, material_checks(stack)))
    limits = brought.limits if brought else None
    with typed.said_in("--set", " ".join(wanted.settings)):
        factors = tuple(usual_factor(name, low=value, high=value, fixed=True) for name, value in numbers.items())
        factors = tuple(replace(f, heated_mm=heated_mm) if f.name == "belt_speed" else f for f in factors)
        study = Study(wanted.name, factors, spec, held=held, known=source)
    return replace(study, limits=typed.limits(wanted.limits, limits, shown) if wanted.limits else limits)


def names_range(text: str) -> bool:
    """Whether the text of a factor says its range or levels.

    >>> names_range("dwell,sd=1"), names_range("dwell=8..20")
    (False, True)
    """
    return "=" in text.partition(",")[0]


def _proposed(text: str, bands: Mapping[str, Band], shown: Shown) -> Factor:
    made = typed.factor(text, shown)
    band = None if names_range(text) else bands.get(made.name)
    return made if band is None else replace(made, low=band.low, high=band.high)


def with_looks(checks: tuple[Check, ...], looks: tuple[Check, ...]) -> tuple[Check, ...]:
    """Checks with further looks, which come before the first wash."""
    new = [look for look in looks if look.name not in {check.name for check in checks}]
    return (*(c for c in checks if not c.after_washes), *new, *(c for c in checks if c.after_washes))


@dataclass(frozen=True)
class StudyChanges:
    """Changes of a study as they are typed: the texts of the options of ``doe study amend``."""

    name: str = ""
    factors: Sequence[str] = ()
    error: Sequence[str] = ()
    trial: Sequence[str] = ()
    limits: Sequence[str] = ()
    forbid: Sequence[str] = ()
    hold: Sequence[str] = ()
    pass_rate: str | None = None
    hand_min: str | None = None
    assurance: str | None = None
    checks: Sequence[str] = ()

    @property
    def says_anything(self) -> bool:
        """Whether any of it was given."""
        return any(vars(self).values())


def changed_study(study: Study, wanted: StudyChanges, shown: Shown) -> Study:
    """The study with the changes that were typed; what was not said of a factor stays as it was.

    A limit is taken whatever the ranges are; a range that is typed lies within the limits.

    Raises
    ------
    InputError
        If a part cannot be read, or a typed range reaches beyond a limit.
    """
    factors = {f.name: f for f in study.factors}
    for text in wanted.factors:
        made = _factor(study, text, shown)
        factors[made.name] = made
    factors = _with_errors(factors, wanted, shown)
    limits = typed.limits(wanted.limits, study.limits, shown) if wanted.limits else study.limits
    ends = {f.name: (f.low, f.high) for f in study.factors}
    untouched = tuple(f for f in factors.values() if ends.get(f.name) == (f.low, f.high))
    held = {**study.held, **typed.held(wanted.hold, shown)}
    changed = replace(
        study,
        name=wanted.name or study.name,
        factors=tuple(factors.values()),
        spec=typed.spec(wanted.pass_rate, wanted.hand_min, wanted.assurance, wanted.checks, study.spec),
        limits=limits,
        held={name: value for name, value in held.items() if name not in factors},
        beyond_limits=ranges_beyond(untouched, limits) or None,
    )
    rules = [rule for rule in wanted.forbid if rule.strip().lower() != "none"]
    return replace(changed, forbidden=typed.forbidden(rules, changed.factors, shown)) if wanted.forbid else changed


def _factor(study: Study, text: str, shown: Shown) -> Factor:
    """A factor as it is typed; of one that the study has, only what was said is new."""
    if study.known is not None and names_range(text):
        raise InputError(
            "--factor", repr(text), "nothing: these settings are known", "Confirm others on their own: doe study known."
        )
    called, *options = (part.partition("=")[0].strip() for part in text.split(","))
    options = [option.casefold() for option in options]
    names = meant(called, {f.name: (f.label,) for f in study.numeric if f.name not in KNOWN_FACTORS}, by_part=False)
    own = study.factor(names[0]) if names and "unit" not in options else None
    made = typed.factor(text if own is None else f"{text},unit={own.unit}", shown)
    old = next((f for f in study.factors if f.name == made.name), None)
    if old is None or "unit" in options or old.is_categorical != made.is_categorical:
        return made
    fields = {"sd": "setting_sd", "trial": "trial_sd", "slow": "hard_to_change", "heated": "heated_mm"}
    said = [fields.get(option, option) for option in options if option in fields or hasattr(made, option)]
    if made.is_categorical:
        said += ["levels", "endured"]
    elif "=" in text.split(",", maxsplit=1)[0]:
        said += ["low", "high"]
    return replace(old, **{field: getattr(made, field) for field in said})


def _with_errors(factors: dict[str, Factor], wanted: StudyChanges, shown: Shown) -> dict[str, Factor]:
    """The factors with the setting errors of ``--error`` and ``--trial-error``."""
    numeric = [f for f in factors.values() if not f.is_categorical]
    for option, field, texts in (("--error", "setting_sd", wanted.error), ("--trial-error", "trial_sd", wanted.trial)):
        allowed = f"one of {', '.join(f.name for f in numeric)}, and a size"
        for called, size in typed.pairs(texts, option, f"{option} {numeric[0].name}=4", allowed=allowed).items():
            name = typed.setting(called, numeric, option)
            is_none = option == "--trial-error" and size.lower() == "none"
            sd = None if is_none else typed.spread(size, factors[name].unit, f"{option} {name}", shown)
            changes: dict[str, Any] = {field: sd}
            factors = {**factors, name: replace(factors[name], **changes)}
    return factors
