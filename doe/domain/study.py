"""A study: one tuning question for one stack on one line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from doe.domain.errors import InputError
from doe.domain.factors import Factor
from doe.domain.limits import Limits, check_ranges
from doe.domain.space import Forbidden
from doe.domain.spec import Spec

MIN_FACTORS, MAX_FACTORS = 2, 6


@dataclass(frozen=True)
class Study:
    """What is varied, over which ranges, and what counts as good enough.

    Parameters
    ----------
    name : str
        The question in the shop's words.
    factors : tuple of Factor
        Two to six, each named once, at least two of them numeric.
    spec : Spec
        The target.
    limits : Limits, optional
        From the data sheets. The commands insist on them; in Python the caller answers for the ranges.
    forbidden : tuple of Forbidden
        Combinations that must not be made.
    held : mapping
        Settings held constant, by name, in stored units or as text; recorded and printed.

    Raises
    ------
    InputError
        If factors are too few, too many, repeated, outside the limits, or forbidden combinations name others.
    """

    name: str
    factors: tuple[Factor, ...]
    spec: Spec = field(default_factory=Spec)
    limits: Limits | None = None
    forbidden: tuple[Forbidden, ...] = ()
    held: Mapping[str, float | str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        fill = object.__setattr__
        fill(self, "factors", tuple(self.factors))
        fill(self, "forbidden", tuple(self.forbidden))
        if not self.name.strip():
            raise InputError("study name", "nothing", "a name", "Say in a few words what is being tuned.")
        names = [f.name for f in self.factors]
        if len(set(names)) != len(names):
            raise InputError("factors", names, "each factor once", "Remove the repeated one.")
        if not MIN_FACTORS <= len(names) <= MAX_FACTORS:
            raise InputError("factors", len(names), f"{MIN_FACTORS} to {MAX_FACTORS}", "Hold the others constant.")
        if sum(not f.is_categorical for f in self.factors) < MIN_FACTORS:
            raise InputError("factors", names, "at least two with a range", "Add a temperature or a time.")
        for combination in self.forbidden:
            for clause in combination.clauses:
                if clause.factor not in names:
                    raise InputError(
                        "forbidden combination", clause.factor, ", ".join(names), "Use a factor of the study."
                    )
        check_ranges(self.factors, self.limits)

    @property
    def factor_names(self) -> tuple[str, ...]:
        """Names of the factors, in order."""
        return tuple(f.name for f in self.factors)

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
