"""A study: one tuning question for one stack on one line."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from doe.domain.errors import NAME_LENGTH, InputError, check_line, quoted
from doe.domain.factors import KNOWN_FACTORS, LEFT_OUT_WHEN_NONE, Factor, check_value
from doe.domain.limits import Limits, check_ranges, ranges_beyond
from doe.domain.space import Forbidden
from doe.domain.spec import Spec
from doe.domain.units import show_both

MIN_FACTORS, MAX_FACTORS = 1, 6
COUPONS_PER_GARMENT = 4
"""Coupons cut from, or pressed on, one garment where nothing was said (common practice, no source)."""


STEP_COUPONS = 4
"""Coupons of a step, where a search goes step by step."""

LEAST_BUDGET = 16
"""Coupons that a search step by step is given at least: no verdict stands before."""


@dataclass(frozen=True)
class Study:
    """What is varied, over which ranges, and what counts as good enough.

    Parameters
    ----------
    name : str
        The question in the shop's words.
    factors : tuple of Factor
        One to six, each named once, at least one of them numeric.
    spec : Spec
        The target.
    limits : Limits, optional
        From the data sheets. The commands insist on them; in Python the caller answers for the ranges.
    forbidden : tuple of Forbidden
        Combinations that must not be made.
    held : mapping
        Settings held constant, by name, in stored units or as text; recorded and printed.
    coupons_per_garment : int, optional
        Coupons cut from, or pressed on, one garment, which is a block; `COUPONS_PER_GARMENT` where left out.

    most_coupons : int, optional
        The search goes step by step, a few coupons at a time until its verdict stands, and ends with so many; None for
        rounds of any size.
    beyond_limits : tuple of str, optional
        Factors whose range a stricter limit came down on later: the range stays as it was asked, and nothing is planned
        or recommended beyond the limit.
    known : str, optional
        What its settings come from (a maker's sheet, a second press, an old habit), where they are known and are to be
        confirmed without a search. Every factor then has one value.
    grades : bool, optional
        Whether sheets, entry files, forms and questions ask for grades; left out, a search step by step does.

    Raises
    ------
    InputError
        If factors are too few, too many, repeated, outside the limits, forbidden combinations name
        others, a setting is held that varies or cannot be one, or less than one coupon goes on a garment.
    """

    name: str
    factors: tuple[Factor, ...]
    spec: Spec = field(default_factory=Spec)
    limits: Limits | None = None
    forbidden: tuple[Forbidden, ...] = ()
    held: Mapping[str, float | str] = field(default_factory=dict)
    coupons_per_garment: int | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    most_coupons: int | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    beyond_limits: tuple[str, ...] | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    known: str | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    grades: bool | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})

    def __post_init__(self) -> None:
        fill = object.__setattr__
        fill(self, "factors", tuple(self.factors))
        fill(self, "forbidden", tuple(self.forbidden))
        check_line(self.name, "study name", longest=NAME_LENGTH)
        if not self.name.strip():
            raise InputError("study name", "nothing", "a name", "Say in a few words what is being tuned.")
        names = [f.name for f in self.factors]
        if len(set(names)) != len(names):
            raise InputError("factors", ", ".join(names), "each factor once", "Remove the repeated one.")
        if self.known is None:
            self._check_searched(names)
        else:
            self._check_known(names)
        for combination in self.forbidden:
            for clause in combination.clauses:
                if clause.factor not in names:
                    raise InputError(
                        "forbidden combination", clause.factor, ", ".join(names), "Use a factor of the study."
                    )
            check_line(combination.reason, "forbidden combination, reason")
        self._check_held(names)
        if self.per_garment < 1:
            raise InputError("coupons per garment", self.per_garment, "1 or more", "Count what fits on one garment.")
        if self.most_coupons is not None and self.most_coupons < LEAST_BUDGET:
            raise InputError(
                "coupons altogether", self.most_coupons, f"{LEAST_BUDGET} or more", "Fewer settle hardly any verdict."
            )
        check_ranges(self.factors, self.limits, known=self.beyond_limits or ())

    def _check_searched(self, names: list[str]) -> None:
        if not MIN_FACTORS <= len(names) <= MAX_FACTORS:
            raise InputError(
                "factors", len(names), f"{MIN_FACTORS} to {MAX_FACTORS} of them", "Hold the others constant."
            )
        if sum(not f.is_categorical and not f.fixed for f in self.factors) < MIN_FACTORS:
            raise InputError("factors", ", ".join(names), "at least one with a range", "Add a temperature or a time.")

    def _check_known(self, names: list[str]) -> None:
        check_line(self.known or "", "known settings")
        if not (self.known or "").strip():
            raise InputError(
                "known settings", "nothing", "a sheet, a press or a person", "Say where the settings come from."
            )
        if not names or not all(f.fixed for f in self.factors):
            raise InputError("settings", ", ".join(names) or "none", "one value each", "Give each setting its value.")

    @property
    def settings(self) -> dict[str, float]:
        """The one value of each setting, where they are known."""
        return {f.name: f.low for f in self.factors if f.fixed}

    def with_limits(self, limits: Limits | None) -> Study:
        """The study under other limits, which are taken whatever its ranges are."""
        return replace(self, limits=limits, beyond_limits=ranges_beyond(self.factors, limits) or None)

    def within_limits(self) -> Study:
        """The study with its ranges cut to the limits, as coupons may be planned.

        Raises
        ------
        InputError
            If a limit leaves nothing of a range.
        """
        if not self.beyond_limits:
            return self
        return replace(self, factors=tuple(map(self._within, self.factors)), beyond_limits=None)

    def permitted(self, name: str) -> tuple[float, float]:
        """The range of a factor as far as the limits go along; its ends cross where nothing of it is left."""
        f = self.factor(name)
        low, high = self.limits.bounds(name, f.heated_mm) if self.limits else (None, None)
        return max(f.low, f.low if low is None else low), min(f.high, f.high if high is None else high)

    def _within(self, f: Factor) -> Factor:
        if f.name not in (self.beyond_limits or ()):
            return f
        low, high = self.permitted(f.name)
        try:
            return replace(f, low=low, high=high)
        except InputError as error:
            limit = show_both(high if f.low == low else low, f.unit)
            raise InputError(
                f"{f.name}, {show_both(f.low, f.unit)} to {show_both(f.high, f.unit)}",
                "hardly a setting that the limits permit",
                f"a range {'below' if f.low == low else 'above'} the limit of {limit}",
                f'Change it: doe study amend {quoted(self.name)} --factor {f.name}=LOW..HIGH --why "..."',
            ) from error

    def _check_held(self, names: list[str]) -> None:
        for name, value in self.held.items():
            check_line(name, "held setting", longest=NAME_LENGTH)
            where, known = f"held {name}", KNOWN_FACTORS.get(name)
            if name in names:
                raise InputError(where, "a factor of the study", "a setting that does not vary", "Hold it or vary it.")
            if isinstance(value, str):
                check_line(value, where)
            elif known is not None and known.unit:
                check_value(value, known.unit, where)
            elif not math.isfinite(value):
                raise InputError(where, value, "a number or words", "Leave it out if it is not known.")

    @property
    def factor_names(self) -> tuple[str, ...]:
        """Names of the factors, in order."""
        return tuple(f.name for f in self.factors)

    @property
    def per_garment(self) -> int:
        """Coupons on one garment, the usual number where nothing was said."""
        return COUPONS_PER_GARMENT if self.coupons_per_garment is None else self.coupons_per_garment

    @property
    def asks_grades(self) -> bool:
        """Whether a person who scores is asked for grades; one that is given counts all the same.

        In one round they led to no better setpoints (`tests/benchmarks/results/decisions-locked-checks-grades.md`).
        Searches step by step were measured with them.
        """
        return self.most_coupons is not None if self.grades is None else self.grades

    @property
    def endured(self) -> tuple[Factor, ...]:
        """The factors on all of whose levels one setting must hold, in order."""
        return tuple(f for f in self.factors if f.endured)

    @property
    def numeric(self) -> tuple[Factor, ...]:
        """The factors with a range, in order."""
        return tuple(f for f in self.factors if not f.is_categorical)

    @property
    def categorical(self) -> tuple[Factor, ...]:
        """The factors with named levels, in order."""
        return tuple(f for f in self.factors if f.is_categorical)

    def factor(self, name: str) -> Factor:
        """The factor of that name.

        Raises
        ------
        InputError
            If the study has none.
        """
        for f in self.factors:
            if f.name == name:
                return f
        raise InputError("factor", name, ", ".join(self.factor_names), "Use a factor of the study.")
