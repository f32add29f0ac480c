"""The stack (what is pressed on what) and the line (the machines)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

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
class Machine:
    """An oven, tunnel or press.

    ``heat_min_per_10`` and ``cool_min_per_10`` are the minutes to settle after a change of 10 degC up or down;
    ``uncertainty_degc`` is the expanded uncertainty (k = 2) of its temperature, when known; ``display_step_degc`` the
    step of its display, and ``recovery_degc`` half of how far its surface falls and comes back from print to print,
    where it was watched. ``of`` is the line that it was kept with first, where this line shares it with that one;
    ``since`` when it took the place of another one, whose readings tell nothing of it.
    """

    name: str
    heat_min_per_10: float
    cool_min_per_10: float
    uncertainty_degc: float | None = None
    display_step_degc: float | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    recovery_degc: float | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    of: str | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    since: datetime | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})

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

    def sharing(self, kind: MachineKind, other: Line) -> Line:
        """The line with a machine of another one, and with that one's gauge where it names none of its own."""
        machine = replace(other.machine(kind), of=other.name)
        made = replace(self, oven=machine) if kind == "oven" else replace(self, press=machine)
        if made.gauge or made.gauge_u_degc is not None:
            return made
        return replace(made, gauge=other.gauge, gauge_u_degc=other.gauge_u_degc)

    def with_new(self, kind: MachineKind, name: str, since: datetime) -> Line:
        """The line with another machine from then on, of which nothing is measured yet."""
        usual = DEFAULT_OVEN if kind == "oven" else DEFAULT_PRESS
        old = self.machine(kind)
        minutes = replace(usual, heat_min_per_10=old.heat_min_per_10, cool_min_per_10=old.cool_min_per_10)
        made = replace(minutes, name=name or usual.name, since=since)
        return replace(self, oven=made) if kind == "oven" else replace(self, press=made)

    def shares(self, kind: MachineKind, lines: Iterable[Line]) -> tuple[str, ...]:
        """The other lines of some that are made of the same machine."""
        return tuple(
            other.name for other in lines if other.name != self.name and other.keeper(kind) == self.keeper(kind)
        )


DEFAULT_LINE = Line("line")


@dataclass(frozen=True)
class MachineUse:
    """An oven or a press with the ``lines`` that are made of it; its readings are kept with ``keeper``."""

    kind: MachineKind
    machine: Machine
    keeper: str
    lines: tuple[str, ...]


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
