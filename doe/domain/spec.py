"""What counts as good enough."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from datetime import timedelta

from doe.domain.errors import InputError, check_line
from doe.domain.factors import LABEL_LENGTH, LEFT_OUT_WHEN_NONE
from doe.domain.units import check_celsius

CHECK_NAME_LENGTH, MOST_WASHES, MOST_HOURS = 40, 1000, 10_000
WASH_WAIT_HOURS = 24


@dataclass(frozen=True)
class Check:
    """One pass/fail look at a coupon. With ``after_washes`` or ``after_hours`` (since the press) it comes later."""

    name: str
    label: str
    after_washes: int = 0
    after_hours: float | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})

    def __post_init__(self) -> None:
        check_line(self.name, "check name", longest=CHECK_NAME_LENGTH)
        check_line(self.label, f"check {self.name}, label")
        if not self.name.isidentifier():
            raise InputError("check name", repr(self.name), "letters, digits and _", "Choose a name such as wash_1.")
        if not 0 <= self.after_washes <= MOST_WASHES:
            raise InputError(
                f"check {self.name}, washes",
                self.after_washes,
                f"0 to {MOST_WASHES}",
                "Say after how many washes it is looked at.",
            )
        if self.after_hours is not None and not 0 < self.after_hours <= MOST_HOURS:
            allowed, remedy = f"above 0, up to {MOST_HOURS}", "Say how many hours after the press it is looked at."
            raise InputError(f"check {self.name}, hours", self.after_hours, allowed, remedy)

    @property
    def wait(self) -> timedelta:
        """How long after the press it is made at the earliest; a wash waits a day (common practice, no source)."""
        hours = self.after_hours or (WASH_WAIT_HOURS if self.after_washes else 0)
        return timedelta(hours=hours)

    @property
    def is_later(self) -> bool:
        """Whether it is not made at the press: after a wash, or after hours."""
        return bool(self.after_washes or self.after_hours)


DEFAULT_CHECKS = (
    Check("release", "film lets go cleanly, nothing left on it"),
    Check("stretch", "no crack or lift when stretched, thumbnail does not lift the edge"),
    Check("wash_1", "sound after 1 wash", after_washes=1),
    Check("wash_5", "sound after 5 washes", after_washes=5),
)

HAND_LOW, HAND_HIGH, HAND_STEP = 1.0, 5.0, 0.5
"""Hand-feel scale: 5 is the kept soft reference, 1 the stiff one (common practice, no source)."""


@dataclass(frozen=True)
class Spec:
    """The target of a study.

    Parameters
    ----------
    pass_rate : float
        Share of prints that must meet every check, between 0.5 and 1.
    hand_min : float or None
        Least mean hand-feel (1 to 5) that is good enough; None when hand-feel does not matter.
    assurance : float
        Probability with which a statement is meant to be true, between 0.5 and 1.
    checks : tuple of Check
        The looks every coupon gets.

    Raises
    ------
    InputError
        If a number is outside its range or two checks share a name.
    """

    pass_rate: float = 0.95
    hand_min: float | None = 3.5
    assurance: float = 0.90
    checks: tuple[Check, ...] = DEFAULT_CHECKS

    def __post_init__(self) -> None:
        if not 0.5 <= self.pass_rate < 1:
            raise InputError("pass rate", self.pass_rate, "0.5 to below 1", "Write 95 % as 0.95.")
        if not 0.5 <= self.assurance < 1:
            raise InputError("assurance", self.assurance, "0.5 to below 1", "Write 90 % as 0.90.")
        if self.hand_min is not None and not HAND_LOW <= self.hand_min <= HAND_HIGH:
            raise InputError(
                "hand-feel wanted",
                self.hand_min,
                "1 to 5",
                "5 is softest; leave it out if it does not matter.",
            )
        names = [check.name for check in self.checks]
        if not names or len(set(names)) != len(names):
            raise InputError(
                "checks", ", ".join(names) or "none", "at least one, each named once", "List each check once."
            )


@dataclass(frozen=True)
class Conditions:
    """How the coupons of a study are washed, and the room they are made in; each as it was typed, empty where not.

    ``wash_degc`` is the temperature of the wash; ``standard`` the one that was followed, if any.
    """

    wash_degc: float | None = None
    programme: str = ""
    drying: str = ""
    detergent: str = ""
    standard: str = ""
    room: str = ""

    def __post_init__(self) -> None:
        for f in fields(self):
            value = getattr(self, f.name)
            if isinstance(value, str):
                check_line(value, f.name, longest=LABEL_LENGTH)
        if self.wash_degc is not None:
            check_celsius(self.wash_degc, "wash temperature")
            if not 0 <= self.wash_degc <= 100:
                raise InputError("wash temperature", self.wash_degc, "0 to 100 degC", "Correct it.")
