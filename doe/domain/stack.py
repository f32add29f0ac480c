"""The stack (what is pressed on what) and the line (the machines)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime

from doe.domain.errors import NAME_LENGTH, InputError, check_line, check_lines
from doe.domain.factors import LEFT_OUT_WHEN_NONE
from doe.domain.gauge import MACHINE_KINDS, MachineKind
from doe.domain.units import show_difference


@dataclass(frozen=True)
class Material:
    """One material with its supplier and lot; ``detail`` holds what else was said in words.

    ``facts`` are those of `doe.domain.materials.FACTS` that were said, in stored units, a span as ``_low`` and
    ``_high``; None where none was.
    """

    name: str
    supplier: str = ""
    lot: str = ""
    detail: str = ""
    # not written down while none is said: stacks kept before facts existed stay the same, sum for sum
    facts: Mapping[str, float | str | bool] | None = field(
        default=None, hash=False, metadata={LEFT_OUT_WHEN_NONE: True}
    )

    def __post_init__(self) -> None:
        check_lines((f"material {field}", getattr(self, field)) for field in ("name", "supplier", "lot", "detail"))
        check_lines((f"material {name}", text) for name, text in (self.facts or {}).items() if isinstance(text, str))
        if not self.name.strip():
            raise InputError("material name", "nothing", "a name", "Give the name on the packet.")

    def __str__(self) -> str:
        more = ", ".join(part for part in (self.supplier, f"lot {self.lot}" if self.lot else "") if part)
        return f"{self.name} ({more})" if more else self.name


@dataclass(frozen=True)
class Stack:
    """Fabric + film + powder (+ ink). ``dyed_polyester``: dye may move; it follows from what was said of the fabric."""

    name: str
    fabric: Material
    film: Material
    powder: Material
    ink: Material | None = None
    dyed_polyester: bool = False

    def __post_init__(self) -> None:
        check_line(self.name, "stack name", longest=NAME_LENGTH)
        facts = self.fabric.facts or {}
        if facts.get("kind") in ("polyester", "blend") and facts.get("dyed") is True:
            object.__setattr__(self, "dyed_polyester", True)


@dataclass(frozen=True)
class Stay:
    """That a machine stood on a ``line`` from a moment on (None: from the first); it ends where the next one begins."""

    line: str
    since: datetime | None = None

    @property
    def start(self) -> datetime:
        """Since when, as a moment."""
        return self.since or datetime.min.replace(tzinfo=UTC)


@dataclass(frozen=True)
class Machine:
    """An oven, tunnel or press.

    ``heat_min_per_10`` and ``cool_min_per_10`` are the minutes to settle after a change of 10 degC up or down;
    ``uncertainty_degc`` is the expanded uncertainty (k = 2) of its temperature, when known; ``display_step_degc`` the
    step of its display, and ``recovery_degc`` half of how far its surface falls and comes back from print to print,
    where it was watched. ``of`` is the line that it stands on, where this line shares it with that one; ``since`` when
    it took the place of another one there, whose readings tell nothing of it; ``before`` where it stood earlier, first
    to last: what was read of it then is its own still.
    """

    name: str
    heat_min_per_10: float
    cool_min_per_10: float
    uncertainty_degc: float | None = None
    display_step_degc: float | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    recovery_degc: float | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    of: str | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    since: datetime | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    before: tuple[Stay, ...] | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})

    def __post_init__(self) -> None:
        check_line(self.name, "machine name", longest=NAME_LENGTH)
        for label, value in (("heating", self.heat_min_per_10), ("cooling", self.cool_min_per_10)):
            if not 0 <= value <= 600:
                raise InputError(
                    f"{self.name}, {label}",
                    value,
                    f"0 to 600 minutes per {show_difference(10, decimals=0)}",
                    "Time it once on the machine.",
                )
        if self.uncertainty_degc is not None and not 0 <= self.uncertainty_degc <= 60:
            raise InputError(
                f"{self.name}, uncertainty",
                self.uncertainty_degc,
                f"0 to {show_difference(60, decimals=0)}",
                "Give the k = 2 value.",
            )
        for label, size, most, remedy in (
            ("step of the display", self.display_step_degc, 10, "Read it off the display: one degree is usual."),
            ("recovery", self.recovery_degc, 40, "Give half of how far the surface falls and comes back."),
        ):
            if size is not None and not 0 <= size <= most:
                raise InputError(f"{self.name}, {label}", size, f"0 to {show_difference(most, decimals=0)}", remedy)


# Settle minutes: common practice, no source.
DEFAULT_OVEN = Machine("oven", heat_min_per_10=10, cool_min_per_10=15)
DEFAULT_PRESS = Machine("press", heat_min_per_10=4, cool_min_per_10=12)


@dataclass(frozen=True)
class Line:
    """Oven or tunnel + press + gauge in one place.

    ``coupons_per_stroke`` is how many coupons fit under the platen at once (they share that stroke, so they are
    sub-samples of it, not replicates); ``coupons_per_sheet`` how many fit on one film sheet in the oven;
    ``gauge_u_degc`` is the expanded uncertainty (k = 2) of the gauge, from its data sheet.
    """

    name: str
    oven: Machine = DEFAULT_OVEN
    press: Machine = DEFAULT_PRESS
    gauge: str = ""
    coupons_per_stroke: int = 1
    coupons_per_sheet: int = 4
    gauge_u_degc: float | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})

    def __post_init__(self) -> None:
        check_line(self.name, "line name", longest=NAME_LENGTH)
        check_line(self.gauge, "gauge")
        if self.gauge_u_degc is not None and not 0 <= self.gauge_u_degc <= 20:
            raise InputError(
                "gauge, uncertainty",
                self.gauge_u_degc,
                f"0 to {show_difference(20, decimals=0)}",
                "Give the k = 2 value.",
            )
        for label, value in (
            ("coupons per stroke", self.coupons_per_stroke),
            ("coupons per sheet", self.coupons_per_sheet),
        ):
            if not 1 <= value <= 100:
                raise InputError(label, value, "1 to 100", "Count what fits with a margin of 25 mm.")

    def machine(self, kind: MachineKind) -> Machine:
        """The oven or the press."""
        return self.oven if kind == "oven" else self.press

    def keeper(self, kind: MachineKind) -> str:
        """The line under which the readings of a machine are kept: this one, or the one that it is shared with."""
        return self.machine(kind).of or self.name

    def stays(self, kind: MachineKind) -> tuple[Stay, ...]:
        """Where a machine has stood, the place where it stands last."""
        machine = self.machine(kind)
        return (*(machine.before or ()), Stay(self.keeper(kind), machine.since))

    def is_same(self, kind: MachineKind, other: Line, at: datetime | None = None) -> bool:
        """Whether two lines, or one at two times, are made of one machine: the one that stood first in one place.

        Of a line as it was kept some time ``at`` which it was used, whatever came to its place until then is meant.
        """
        since = self.machine(kind).since
        there = at is not None and self.keeper(kind) == other.keeper(kind) and (since is None or since <= at)
        return there or self.stays(kind)[0] == other.stays(kind)[0]

    def stands(self, kind: MachineKind, on: date | None) -> bool:
        """Whether a machine stood there already on a day; a day counts in whatever zone it had begun."""
        since = self.machine(kind).since
        return on is None or since is None or min(since.date(), since.astimezone().date()) <= on

    def having(self, kind: MachineKind, machine: Machine) -> Line:
        """The line with a machine as told."""
        return replace(self, oven=machine) if kind == "oven" else replace(self, press=machine)

    def sharing(self, kind: MachineKind, other: Line) -> Line:
        """The line with a machine of another one, and with that one's gauge where it names none of its own."""
        made = self.having(kind, replace(other.machine(kind), of=other.name))
        if made.gauge or made.gauge_u_degc is not None:
            return made
        return replace(made, gauge=other.gauge, gauge_u_degc=other.gauge_u_degc)

    def with_new(self, kind: MachineKind, name: str, since: datetime | None) -> Line:
        """The line with another machine from then on (None: the first there), of which nothing is measured yet."""
        usual = DEFAULT_OVEN if kind == "oven" else DEFAULT_PRESS
        old = self.machine(kind)
        minutes = replace(usual, heat_min_per_10=old.heat_min_per_10, cool_min_per_10=old.cool_min_per_10)
        return self.having(kind, replace(minutes, name=name or usual.name, since=since))

    def taken_off(self, kind: MachineKind, day: datetime) -> Machine:
        """A machine of its own as it leaves the line; where it came no earlier than that, it never stood there."""
        machine, stays = self.machine(kind), self.stays(kind)
        stood = stays if machine.since is None or machine.since < day else stays[:-1]
        return replace(machine, since=None, before=stood or None)

    def shares(self, kind: MachineKind, lines: Iterable[Line]) -> tuple[str, ...]:
        """The other lines of some that are made of the same machine."""
        return tuple(
            other.name for other in lines if other.name != self.name and other.keeper(kind) == self.keeper(kind)
        )


DEFAULT_LINE = Line("line")


@dataclass(frozen=True)
class MachineUse:
    """An oven or a press with the ``lines`` that are made of it, the ``keeper`` that it stands on; none of one put by.

    New readings of it are kept with the keeper.
    """

    kind: MachineKind
    machine: Machine
    keeper: str = ""
    lines: tuple[str, ...] = ()

    @property
    def stays(self) -> tuple[Stay, ...]:
        """Where it has stood, the last place last."""
        here = (Stay(self.keeper, self.machine.since),) if self.lines else ()
        return (*(self.machine.before or ()), *here)


def machines_of(lines: Iterable[Line]) -> tuple[MachineUse, ...]:
    """Every machine of some lines once, in the order of the lines: ovens, then presses.

    Examples
    --------
    >>> back = Line("back")
    >>> [(use.kind, use.lines) for use in machines_of((back, Line("front").sharing("oven", back)))]
    [('oven', ('back', 'front')), ('press', ('back',)), ('press', ('front',))]
    """
    known = tuple(lines)
    found: dict[tuple[MachineKind, str], MachineUse] = {}
    for kind in MACHINE_KINDS:
        for line in known:
            keeper = line.keeper(kind)
            on = tuple(other.name for other in known if other.keeper(kind) == keeper)
            found.setdefault((kind, keeper), MachineUse(kind, line.machine(kind), keeper, on))
    return tuple(found.values())
