"""A recipe: a released setpoint with its window, handling, proof and approval. Revisions are never edited."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Literal

from doe.domain.errors import NAME_LENGTH, InputError, check_line, check_lines, check_note
from doe.domain.factors import LEFT_OUT_WHEN_NONE
from doe.domain.finding import Finding
from doe.domain.limits import CEILING_DEGC
from doe.domain.materials import ANY, facts_alike, facts_apart, facts_of_make, missed_facts
from doe.domain.stack import Line, Material, Stack
from doe.domain.units import STORED_UNITS, show_both

LAPSE = timedelta(days=730)
"""A first article lapses when nothing was made for two years (AS9102 revision B, secondary source)."""

OUTSIDE_WINDOW = "a setting outside the window, or a constant that was not held"
USUAL_VOIDS = (
    "another fabric, film, powder or ink, or another supplier or make of one of them",
    "another oven, press or platen, a repair of one, or another place",
    "a gauge that is out of date, or a display that was readjusted",
    OUTSIDE_WINDOW,
    "a failed check in production that was not explained",
)
"""What makes a recipe void until it is confirmed again (after first-article practice; our wording)."""

CARE_LABEL, ROOM = "care label", "room climate"
"""Names under which a recipe's record keeps these two."""

WASH, GAUGE_CERTIFICATE = "wash", "gauge certificate"
"""The same of how coupons were washed, and of the gauge that its dials rest on."""

KNOWN, SETTINGS_FROM = "known", "settings from"
"""Verdict of a recipe whose settings were known and confirmed without a search; where its record says from whom."""

Part = Literal["fabric", "film", "powder", "ink"]
PARTS: tuple[Part, ...] = ("fabric", "film", "powder", "ink")

# A difference weighs by how much of the answer it usually moves (common practice, no source).
_WEIGHTS: Mapping[Part, float] = {"fabric": 4.0, "film": 3.0, "powder": 3.0, "ink": 1.0}


@dataclass(frozen=True)
class RecipeSetting:
    """One setting of a recipe, in its stored unit.

    Parameters
    ----------
    factor, label, unit : str
    surface : float or str
        What the model means: the temperature of the surface, the time, or a level.
    dial : float or None
        What to set on the line; None where no gauge tells it (or it is a level, or not a temperature and the same).
    dial_u : float or None
        Standard uncertainty of ``dial``.
    window_low, window_high : float or None
        Ends of the window, in the terms of ``surface``; None without a window.
    dial_low, dial_high : float or None
        The same on the dial, rounded inward; None without a dial value or a window.
    heated_mm : float or None
        Of a belt's speed: the length of belt in the heat.
    """

    factor: str
    label: str
    unit: str
    surface: float | str
    dial: float | None = None
    dial_u: float | None = None
    window_low: float | None = None
    window_high: float | None = None
    dial_low: float | None = None
    dial_high: float | None = None
    heated_mm: float | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})

    def __post_init__(self) -> None:
        where = f"recipe, {self.label or self.factor}"
        if self.unit not in STORED_UNITS:
            raise InputError(f"{where}, unit", repr(self.unit), ", ".join(filter(None, STORED_UNITS)), "Convert it.")
        if isinstance(self.surface, str):
            return
        ends = (self.window_low, self.window_high, self.dial_low, self.dial_high)
        given = [v for v in (self.surface, self.dial, *ends) if v is not None]
        if not all(math.isfinite(v) for v in given):
            raise InputError(where, "a missing number", "numbers", "Fill in the setting.")
        if self.unit == "degC" and max(given) >= CEILING_DEGC:
            raise InputError(
                where,
                show_both(max(given), "degC"),
                f"below {show_both(CEILING_DEGC, 'degC')}",
                "Nothing at or above it is ever released (fumes).",
            )
        low = -math.inf if self.window_low is None else self.window_low
        high = math.inf if self.window_high is None else self.window_high
        if not low - 1e-9 <= self.surface <= high + 1e-9:
            raise InputError(
                where, f"{self.surface:g}", f"inside its window {low:g} to {high:g}", "Correct the window."
            )


@dataclass(frozen=True)
class ConfirmationRecord:
    """What a recipe was confirmed with: the claim, the counts, the exact limits, and when.

    ``unit`` is coupon or stroke; ``pass_rate_low`` and ``pass_rate_high`` are one-sided limits at ``assurance``.
    ``attempts`` counts the confirmations that were planned for the study up to this one: a failed one is not forgotten.
    ``levels`` are those on each of which as many of the ``units`` were planned, where one setting must hold on several.
    """

    claim: float
    assurance: float
    failures_allowed: int
    units: int
    unit: Literal["coupon", "stroke"]
    passed: int
    failed: int
    pass_rate_low: float
    pass_rate_high: float
    judged_at: datetime
    attempts: int = 1
    levels: int = 1

    def __post_init__(self) -> None:
        if self.attempts < 1:
            raise InputError("confirmation, attempts", self.attempts, "1 or more", "Count this confirmation too.")
        if not (0 < self.claim < 1 and 0 < self.assurance < 1):
            raise InputError(
                "confirmation", f"{self.claim}, {self.assurance}", "between 0 and 1", "Write 95 % as 0.95."
            )
        if self.passed < 0 or not 0 <= self.failed <= self.failures_allowed:
            raise InputError(
                "confirmation",
                f"{self.failed} failed",
                f"at most {self.failures_allowed} failed",
                "A recipe is released after a confirmation that was accepted.",
            )
        _check_zone(self.judged_at, "confirmation, judged at")


@dataclass(frozen=True)
class AlsoFor:
    """Another stack that a recipe was shown to hold for: by which ``comparison``, what it was made from, since when.

    ``hides`` is the loss that a staged comparison could still hide, a share of prints, with so much ``assurance``; None
    after a full one.
    """

    stack: Stack
    comparison: str
    inputs_hash: str
    since: datetime
    hides: float | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    assurance: float | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})


@dataclass(frozen=True)
class Recipe:
    """One revision of a recipe.

    Parameters
    ----------
    name : str
    revision : int
        From 1; a new one supersedes the one before, which stays as it was.
    stack : Stack
        With lots.
    line : Line
    settings : tuple of RecipeSetting
    held : mapping
        What was held constant, by name.
    handling : tuple of str
        Waits, peel, second press, cover sheet: full sentences in order.
    confirmation : ConfirmationRecord or None
        None only for a recipe released without one, which then needs ``exception``.
    exception : str
        Why it was released without a confirmation, and who answers for it.
    pass_rate, pass_rate_low : float
        What the study expected of the setpoint; where nothing was searched, the limit that its confirmation shows.
    study : str
        Name of the study behind it.
    approved_by : str
    approved_at : datetime
        With a time zone.
    review_on : date
        At the latest two years after approval.
    voids : tuple of str
        What makes it void.
    why : str
        Why this revision was made; needed from revision 2 on.
    retired_at : datetime or None
    cautions : tuple of str
        What its user must know beside the usual cautions: a machine that was never measured, no window ... Sentences.
    record : mapping
        What else a record needs, by name: ``care label``, ``room climate`` ...
    inputs_hash, seed, version
        Of the answer behind it: sum of its inputs, seed, and version of the program; empty or None where not known.
    verdict : str
        Of that answer.
    as_dialled : bool
        Whether the coupons behind it were made at dial settings; its surface temperatures are then what the gauge
        readings give for these.
    also : tuple of AlsoFor, optional
        Other materials that it was shown to hold for.

    Raises
    ------
    InputError
        If something a recipe needs is missing or contradicts itself.
    """

    name: str
    revision: int
    stack: Stack
    line: Line
    settings: tuple[RecipeSetting, ...]
    pass_rate: float
    pass_rate_low: float
    study: str
    approved_by: str
    approved_at: datetime
    review_on: date
    confirmation: ConfirmationRecord | None = None
    exception: str = ""
    held: Mapping[str, float | str] = field(default_factory=dict)
    handling: tuple[str, ...] = ()
    voids: tuple[str, ...] = USUAL_VOIDS
    why: str = ""
    retired_at: datetime | None = None
    cautions: tuple[str, ...] = ()
    record: Mapping[str, str] = field(default_factory=dict)
    inputs_hash: str = ""
    seed: int | None = None
    version: str = ""
    verdict: str = ""
    as_dialled: bool = False
    also: tuple[AlsoFor, ...] | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})

    def __post_init__(self) -> None:
        for what in ("settings", "handling", "voids", "cautions"):  # lists, where it was read from a file
            object.__setattr__(self, what, tuple(getattr(self, what)))
        self._check_texts()
        for what in ("name", "approved_by", "study"):
            if not getattr(self, what).strip():
                raise InputError(f"recipe, {what.replace('_', ' ')}", "nothing", "a name", "Fill it in.")
        if self.revision < 1:
            raise InputError("recipe, revision", self.revision, "1 or more", "Count revisions from 1.")
        if self.revision > 1 and not self.why.strip():
            raise InputError("recipe, why", "nothing", "a reason for the new revision", "Say what changed.")
        names = [s.factor for s in self.settings]
        if not names or len(set(names)) != len(names):
            raise InputError("recipe, settings", names, "each setting once, at least one", "List the settings.")
        if not 0 <= self.pass_rate_low <= self.pass_rate <= 1:
            raise InputError(
                "recipe, pass rate",
                f"{self.pass_rate}, lower bound {self.pass_rate_low}",
                "0 to 1, the bound below the rate",
                "Take both from the recommendation.",
            )
        if self.confirmation is None and not self.exception.strip():
            raise InputError(
                "recipe, confirmation",
                "none",
                "an accepted confirmation, or a reason without one",
                "Confirm the setpoint first.",
            )
        _check_zone(self.approved_at, "recipe, approved at")
        if self.retired_at is not None:
            _check_zone(self.retired_at, "recipe, retired at")
        last = self.approved_at.date() + LAPSE
        if not self.approved_at.date() < self.review_on <= last:
            raise InputError(
                "recipe, review date",
                self.review_on,
                f"after approval, by {last}",
                "A recipe is looked at again within two years.",
            )

    def _check_texts(self) -> None:
        check_line(self.name, "recipe, name", longest=NAME_LENGTH)
        check_line(self.approved_by, "recipe, approved by", longest=NAME_LENGTH)
        check_note(self.why, "recipe, why")
        check_note(self.exception, "recipe, exception")
        for what in ("handling", "voids", "cautions"):
            check_lines((f"recipe, {what}", text) for text in getattr(self, what))
        for name, text in self.record.items():
            check_line(name, "recipe, record", longest=NAME_LENGTH)
            check_line(text, f"recipe, {name}")

    def setting(self, factor: str) -> RecipeSetting:
        """The setting of a factor."""
        for found in self.settings:
            if found.factor == factor:
                return found
        raise InputError("recipe, setting", factor, ", ".join(s.factor for s in self.settings), "Use one of these.")

    @property
    def is_searched(self) -> bool:
        """Whether settings were searched for; otherwise they were known, and are confirmed alone."""
        return self.verdict != KNOWN

    @property
    def stacks(self) -> tuple[Stack, ...]:
        """The stack it was tuned for, and those that it was shown to hold for since."""
        return (self.stack, *(also.stack for also in self.also or ()))

    def is_due(self, on: date) -> bool:
        """Whether its review is due on a day."""
        return on >= self.review_on


@dataclass(frozen=True)
class KeptRecipe:
    """One revision of a recipe as a book keeps it, with who released it and when.

    ``recipe.retired_at`` is filled in when it was retired, and ``retired_why`` and ``retired_by`` say why and by whom
    (``""`` while it is in use). ``superseded`` says that a newer revision is there. ``uid`` is the same in every book
    the revision is brought to. ``seal`` is that of the act that released it, which closes the history before it.
    """

    id: int
    uid: str
    recipe: Recipe
    study_id: int | None
    who: str
    at: datetime
    retired_why: str
    retired_by: str
    superseded: bool
    seal: str = ""

    @property
    def in_force(self) -> bool:
        """Whether this revision is the one to work by."""
        return not self.superseded and not self.retired_why


@dataclass(frozen=True)
class RecordItem:
    """One thing a record must hold.

    ``what`` is its code: who, oven, press, a part of the stack, care_label ... ``state``: ``there``; ``missing``;
    ``said``, where it can no longer be added and the record says so instead. ``found`` is what there is, at least one
    fact, or what people wrote.
    """

    what: str
    state: Literal["there", "missing", "said"]
    found: tuple[Finding | str, ...]


@dataclass(frozen=True)
class StackDifference:
    """How one part of two stacks differs: not at all (``same``), the lot only, supplier or detail, or the material.

    ``facts`` names what was said of both and differs; ``alike`` is the share of what was said of both that agrees.
    Of a material asked for by its facts alone it is the share that is found, and ``unsaid`` what nobody said there.
    """

    part: Part
    kind: Literal["same", "lot", "supplier", "material"]
    ours: str
    theirs: str
    facts: tuple[str, ...] = ()
    alike: float = 0.0
    unsaid: tuple[str, ...] = ()


def parts_of(stack: Stack) -> dict[Part, Material]:
    """The parts that a stack names."""
    return {part: getattr(stack, part) for part in PARTS if getattr(stack, part) is not None}


def stack_differences(ours: Stack, theirs: Stack) -> tuple[StackDifference, ...]:
    """Part by part, how two stacks differ; an ink that neither names is left out."""
    return _differences(parts_of(ours), parts_of(theirs), PARTS)


def _differences(
    ours: Mapping[Part, Material], theirs: Mapping[Part, Material], parts: Iterable[Part]
) -> tuple[StackDifference, ...]:
    pairs = ((part, ours.get(part), theirs.get(part)) for part in parts)
    return tuple(_difference(part, a, b) for part, a, b in pairs if a or b)


def _difference(part: Part, ours: Material | None, theirs: Material | None) -> StackDifference:
    names = str(ours or "not named"), str(theirs or "not named")
    if ours is None or theirs is None:
        return StackDifference(part, "material", *names)
    if ours.name != ANY:
        return StackDifference(
            part, _kind(ours, theirs), *names, facts_apart(ours, theirs), facts_alike(part, ours, theirs)
        )
    apart, unsaid = missed_facts(part, ours, theirs)
    asked = len(facts_of_make(ours))
    alike = 1 - len((*apart, *unsaid)) / asked if asked else 1.0
    return StackDifference(part, "material" if apart or unsaid else "same", *names, apart, alike, unsaid)


@dataclass(frozen=True)
class Nearest:
    """A recipe in force, what differs from the materials asked about, and whether nothing does."""

    kept: KeptRecipe
    differences: tuple[StackDifference, ...]

    @property
    def same(self) -> bool:
        """Whether every part compared is the same, to the lot."""
        return all(d.kind == "same" for d in self.differences)


def nearest_recipes(parts: Mapping[Part, Material], recipes: Sequence[KeptRecipe]) -> tuple[Nearest, ...]:
    """Recipes in force for materials, the most similar first; only the ``parts`` that are given are compared.

    Of a recipe for several stacks it is the most similar one that counts.

    Similar in words is not similar in the press: whatever differs is to be compared by coupons before the recipe is
    used.
    """
    asked = [part for part in PARTS if part in parts]
    found = [
        Nearest(k, min((_differences(parts, parts_of(stack), asked) for stack in k.recipe.stacks), key=_distance))
        for k in recipes
        if k.in_force
    ]
    return tuple(sorted(found, key=lambda near: (_distance(near.differences), near.kept.recipe.name)))


def _distance(differences: tuple[StackDifference, ...]) -> float:
    share = {"same": 0.0, "lot": 0.1, "supplier": 0.4, "material": 1.0}
    # another name may be the same kind of thing: half as far where all that was said of both agrees
    nearer = {d.part: (1.0 if d.ours == ANY else 0.5) * d.alike if d.kind == "material" else 0.0 for d in differences}
    return sum(_WEIGHTS[d.part] * share[d.kind] * (1 - nearer[d.part]) for d in differences)


def _kind(a: Material | None, b: Material | None) -> Literal["same", "lot", "supplier", "material"]:
    if a is None or b is None or _plain(a.name) != _plain(b.name):
        return "material"
    if _plain(a.supplier) != _plain(b.supplier) or _plain(a.detail) != _plain(b.detail) or facts_apart(a, b):
        return "supplier"
    return "same" if _plain(a.lot) == _plain(b.lot) else "lot"


def is_same_make(ours: Material, theirs: Material) -> bool:
    """Whether two materials are the same but for the lot: what the data sheet of one says holds for the other."""
    return _kind(ours, theirs) in ("same", "lot")


def _plain(text: str) -> str:
    return " ".join(text.lower().split())


def _check_zone(when: datetime, where: str) -> None:
    if when.tzinfo is None:
        raise InputError(where, when, "a time with its zone", "Add the zone, such as +00:00.")
