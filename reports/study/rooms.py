"""Room strips: how far each setting may move alone, in setting errors, with dial values and the cliffs at the ends."""

from __future__ import annotations

import math

from doe.domain.coding import inward, to_step
from doe.domain.factors import Factor
from doe.setpoint.curves import Profile
from doe.words.study.answer import nearest_cliff
from doe.words.wording import SIDE_WORDS, amount, amount_both, amount_range, listing
from reports.study.figures import OnDial, Strip, draw_room, span
from reports.study.inputs import StudyReport
from reports.study.proof import headed
from reports.views import Rooms, RoomStrip

LEAST_REACH, MOST_REACH = 3, 8
"""Setting errors that strips show each way: enough for the widest tested range, within these."""

SEEN = {"under": "peels or washes off", "over": "film sticks or ink boils"}
"""What is seen beyond a cliff."""


def dialled(report: StudyReport, f: Factor) -> OnDial | None:
    """How a machine's dial follows from the setting; None where no readings tell, and so the setting is dialled in."""
    if report.gauged is None or f.is_categorical:
        return None
    low, high = report.gauged.dial(f.name, f.low), report.gauged.dial(f.name, f.high)
    if low is None or high is None or not low.is_checked:
        return None
    per = (high.dial_degc - low.dial_degc) / (f.high - f.low)  # a correction is a line
    return OnDial(low.dial_degc - per * f.low, per)


def error_of(f: Factor) -> float:
    """One setting error; a tenth of the tested range stands for one that was not stated."""
    return f.setting_sd or (f.high - f.low) / 10


def reach_of(report: StudyReport) -> int:
    """Setting errors that every strip of a report shows each way, so that strips can be compared."""
    setpoint = report.answer.setpoint
    far = (
        max(float(setpoint[f.name]) - f.low, f.high - float(setpoint[f.name])) / error_of(f)
        for f in report.study.numeric
    )
    return min(max(math.ceil(max(far)), LEAST_REACH), MOST_REACH)


def strip_of(report: StudyReport, f: Factor, found: Profile) -> Strip:
    """Numbers of one strip."""
    answer = report.answer
    return Strip(
        factor=f,
        here=float(answer.setpoint[f.name]),
        error=error_of(f),
        reach=reach_of(report),
        values=found.values,
        rates=found.pass_rate,
        target=report.study.spec.pass_rate,
        room=room_of(report, f),
        window=None if answer.window is None else span(answer.window, f.name),
        cliffs=tuple((c.at, c.side) for c in answer.cliffs if c.factor == f.name),
        dialled=dialled(report, f) or OnDial(),
    )


def on_dial(report: StudyReport, f: Factor, ends: tuple[float, float] | None) -> str:
    """Ends of a range as they stand on the dial, rounded inward as a recipe's card rounds them; empty without one."""
    if ends is None:
        return ""
    low, high = ends
    if (dial := dialled(report, f)) is not None:
        here = dial_value(report, f)
        low, high = inward(dial(low), dial(high), f.step or 1.0)
        low, high = min(low, here), max(high, here)
    return amount_range(f, low, high, report.shown)


def dial_value(report: StudyReport, f: Factor) -> float:
    """What is dialled in for the setpoint, on a step of the machine."""
    here = float(report.answer.setpoint[f.name])
    dial = dialled(report, f)
    return here if dial is None else to_step(dial(here), f.step or 1.0)


def room_of(report: StudyReport, f: Factor) -> tuple[float, float] | None:
    """How far one setting may move alone; None where nothing is known of it."""
    return next(((r.low, r.high) for r in report.answer.room if r.factor == f.name), None)


def rooms(report: StudyReport, profiles: dict[str, Profile]) -> Rooms:
    """The strips of a report."""
    study, answer, shown = report.study, report.answer, report.shown
    drawn = [strip_of(report, f, profiles[f.name]) for f in study.numeric]
    unstated = [f.label for f in study.numeric if not f.setting_sd]
    note = f" A tenth of the tested range stands for the setting error of {listing(unstated)}." if unstated else ""
    return Rooms(
        title=nearest_cliff(study, answer, shown),
        strips=tuple(_strip(report, strip) for strip in drawn),
        key="One step is one setting error, the setpoint in the middle. Full colour: the wanted rate is "
        "expected. Brackets: room for this setting alone. Thick line: window for all together. Hatched: not tested."
        f"{note}",
    )


def _strip(report: StudyReport, strip: Strip) -> RoomStrip:
    f, shown = strip.factor, report.shown
    room = on_dial(report, f, strip.room)
    ends = [_end(report, strip, direction) for direction in ("lower", "higher")]
    told = "; ".join(words for words, _ in ends)
    title = headed(f"{f.label}: room {room}" if room else f.label)
    return RoomStrip(
        label=headed(f.label),
        dial=amount_both(f, dial_value(report, f), shown),
        svg=draw_room(strip, shown, name=f"room-{f.name}", title=title, description=told),
        room=f"alone {room}" if room else "",
        room_place=str(5 * round(20 * _middle(strip))),
        low_end=ends[0][0],
        low_side=ends[0][1],
        high_end=ends[1][0],
        high_side=ends[1][1],
    )


def _middle(strip: Strip) -> float:
    return 0.5 if strip.room is None else (strip.place(strip.room[0]) + strip.place(strip.room[1])) / 2


def _end(report: StudyReport, strip: Strip, direction: str) -> tuple[str, str]:
    """What comes at one end of a strip, and its side."""
    f = strip.factor
    for cliff in report.answer.cliffs:
        if (cliff.factor, cliff.direction) != (f.name, direction):
            continue
        at = amount(f, to_step(strip.dialled(cliff.at), f.step or 1.0), report.shown)
        way = "below" if direction == "lower" else "above"
        return f"{SIDE_WORDS[cliff.side]} {way} {at}: {SEEN[cliff.side]}", cliff.side
    end = f.low if direction == "lower" else f.high
    if abs(end - strip.here) < (f.step or 1e-9):
        return "not tested beyond", ""
    return f"no cliff to {amount(f, strip.dialled(end), report.shown)}", ""
