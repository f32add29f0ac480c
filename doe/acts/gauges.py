"""What the gauge readings of a line say about its machines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev

from doe.domain.gauge import GaugeReading


@dataclass(frozen=True)
class GaugeOffset:
    """How far one machine is from what it was set to: mean and standard deviation of measured - set, in degC."""

    machine: str
    readings: int
    mean_delta_degc: float
    spread_delta_degc: float | None


def gauge_offsets(readings: Sequence[GaugeReading]) -> tuple[GaugeOffset, ...]:
    """Offset of each machine over its readings."""
    made = []
    for machine in ("oven", "press"):
        off = [r.measured_degc - r.set_degc for r in readings if r.machine == machine]
        if off:
            made.append(GaugeOffset(machine, len(off), fmean(off), stdev(off) if len(off) > 1 else None))
    return tuple(made)
