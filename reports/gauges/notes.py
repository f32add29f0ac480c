"""What a study report says of gauges: what to dial in, what to be careful about, and what the readings are worth."""

from __future__ import annotations

from doe.assure.gauges.cautions import machine_temperatures
from doe.assure.gauges.line import MachineGauge
from doe.domain.units import Shown, show_difference
from doe.words.gauges.cautions import NOT_CHECKED
from doe.words.gauges.dials import DialSetting, coarse_cautions, dial_setting, dials_of_settings
from doe.words.wording import count, day
from reports.sheet.page import Pair
from reports.study.inputs import StudyReport
from reports.views import Column, GaugeNotes, Note, PageTable


def gauge_notes(report: StudyReport) -> GaugeNotes | None:
    """The report's words about gauges; None where the line's readings were not asked for."""
    gauged, study, shown = report.gauged, report.study, report.shown
    if gauged is None or not machine_temperatures(study):
        return None
    dials = dials_of_settings(gauged, study, report.answer.setpoint, shown)
    checked = [d for d in dials if d.is_checked]
    rows = tuple((d.label, d.surface, d.dial, d.plus_minus, _window_on_the_dial(report, d)) for d in checked)
    heads = ("setting", "on the surface", "to dial in", "± (95 %)", "expected window on the dial")
    table = PageTable(f"What to dial in on {gauged.line.name}", tuple(Column(h, False) for h in heads), rows)
    return GaugeNotes(
        lead=_lead(report, checked),
        dial_table=table if checked else None,
        cautions=(*report.gauge_cautions, *coarse_cautions(gauged, study, shown)),
        pairs=tuple(pair for m in gauged.machines if m.readings for pair in _pairs(m, shown)),
    )


def _lead(report: StudyReport, checked: list[DialSetting]) -> str:
    assert report.gauged is not None
    if not checked:
        return f"No gauge reading tells what to dial in: {NOT_CHECKED}."
    return (
        "The settings above are temperatures of the surface. What to dial in for them follows from the gauge readings "
        f"of {report.gauged.line.name} up to {day(report.gauged.on)}; after a machine was measured anew, adjusted "
        "or moved, ask again."
    )


def _window_on_the_dial(report: StudyReport, made: DialSetting) -> str:
    """Ends of the expected window as dial settings; empty without one."""
    window = report.answer.window
    if window is None or made.name not in window.bounds.index or report.gauged is None:
        return ""
    bounds = window.bounds.astype(float)
    ends = [
        dial_setting(report.gauged, report.study, made.name, float(bounds[end][made.name]), report.shown)
        for end in ("low", "high")
    ]
    return " to ".join(dict.fromkeys(e.dial for e in ends if e is not None))


def _pairs(gauge: MachineGauge, shown: Shown) -> list[Pair]:
    """What the readings of one machine are worth."""
    name = gauge.machine
    assert gauge.budget is not None  # it was read
    assert gauge.setting_error is not None
    days = sorted(r.taken_at.date() for r in gauge.readings if r.taken_at is not None)
    when = "" if not days else f", last on {day(days[-1])}"
    made = [
        Pair(f"{name}: readings in force", f"{len(gauge.readings)}{when}"),
        Pair(f"{name}: a surface temperature is known to", f"±{show_difference(gauge.budget.expanded, shown)}"),
        Pair(f"{name}: most of that from", gauge.budget.largest),
    ]
    if gauge.setting_error.df:
        freedom = count(max(1, round(gauge.setting_error.df)), "degree")
        made.append(
            Pair(
                f"{name}: setting error by its readings",
                f"{show_difference(gauge.setting_error.sd_delta_degc, shown)} ({freedom} of freedom)",
            )
        )
    if gauge.status.due is not None:
        made.append(Pair(f"{name}: measure again by", day(gauge.status.due)))
    return made


def gauge_note(report: StudyReport) -> tuple[Note, ...]:
    """An explanation for those who learn the trade."""
    if report.gauged is None:
        return ()
    return (
        Note(
            "Why is what I dial in not the temperature of the answer?",
            (
                "A display shows what its sensor feels, not what the film and the cloth get. The answer is about the "
                "surface, because that is what makes a print: it stays right when a display drifts, and it can be "
                "carried to another line. A gauge on the surface tells by how much the display is off at several "
                "settings; a line through these readings turns a surface temperature into a dial setting, and says "
                "how sure it is.",
                "A reading is only as good as its gauge, and a machine drifts: measure again when the date has come, "
                "after a repair, and whenever a print fails that should not.",
            ),
        ),
    )
