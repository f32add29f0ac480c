"""The study report: answer first, then pictures, then explanations, then proof. One self-contained HTML file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

import numpy as np
import pandas as pd

from doe.assure.gauges.line import MachineGauge
from doe.assure.gauges.summary import machine_temperatures
from doe.domain.coding import code
from doe.domain.factors import Factor
from doe.domain.study import Study
from doe.domain.units import Shown, show_difference
from doe.setpoint.answer import Answer, Window
from doe.symptoms.catalogue import symptom
from doe.words.cautions import NOT_CHECKED
from doe.words.confirmation.verdict import standing as confirmation_standing
from doe.words.confirmation.verdict import steps as confirmation_steps
from doe.words.gauges.dials import DialSetting, coarse_cautions, dial_window, dials_of_settings
from doe.words.gauges.setting_errors import errors_counted
from doe.words.glossary import GLOSSARY
from doe.words.study.answer import (
    by_answer,
    lead,
    next_steps,
    setpoint_title,
    sureness,
    window_sentences,
)
from doe.words.study.plans import plan_notes
from doe.words.study.setpoint import cautions_left, method_words, said
from doe.words.study.standing import frame, headline
from doe.words.wording import (
    SIDE_WORDS,
    amount,
    amount_beside,
    amount_both,
    count,
    day,
    difference_both,
    errors_away,
    held,
    listing,
    move,
    prints,
    prints_at_least,
    sentence,
    spread_both,
    stated,
    verb,
)
from reports.confirmation.page import confirmation_section
from reports.drawing.symptoms import symptom_svg
from reports.names import given_names
from reports.pages import render, template_source
from reports.sheet.page import Pair, limit_pairs, stack_pairs
from reports.study.effects import check_lines, effect_lines, effect_pictures, effect_tables
from reports.study.figures import span
from reports.study.inputs import StudyReport
from reports.study.pictures import (
    flat_lines,
    map_key,
    map_pictures,
    maps_of,
    prints_picture,
    profiles_of,
    run_pictures,
    strip_pictures,
)
from reports.study.proof import (
    belief_pairs,
    cliff_table,
    coupon_table,
    forbidden_words,
    history_table,
    level_table,
    made,
    method_lines,
    prior_pairs,
    provenance_pairs,
    range_pairs,
    settings_table,
    sure_pairs,
    target_pairs,
    why_reasons,
)
from reports.study.rooms import dial_value, on_dial, room_of, rooms
from reports.study.whatif import what_if
from reports.views import (
    Column,
    Drawn,
    FailedCoupon,
    FailedGroup,
    GaugeNotes,
    Note,
    PageTable,
    SeenOften,
    SettingDial,
    StudyDrawings,
    StudyPage,
)


def study_report(report: StudyReport) -> str:
    """Report of a study as one HTML document that needs no network.

    Parameters
    ----------
    report : StudyReport
        The study with its fitted surfaces and answer; nothing is fitted again.
    """
    return render("report.html", study_page(report), names=given_names(report))


def study_page(report: StudyReport) -> StudyPage:
    """View-model of `study_report`."""
    study, answer, shown = report.study, report.answer, report.shown
    known = report.standing or by_answer(answer)
    is_asked = known.state in ("refused", "confirming", "confirmed") and report.confirmation is not None
    drawn = study_drawings(report)
    why_lines, reasons = why_reasons(report)
    decides, *effects = effect_lines(report)
    _, *sure = sureness(study, answer)  # what is expected stands in the lead
    gauged = gauge_notes(report)
    return StudyPage(
        page_title=f"Study report, {study.name}",
        study_name=study.name,
        facts=_facts(report),
        made_line=f"Report made {made(report)}.",
        verdict_kind=frame(known),
        headline=headline(known, shown),
        lead=lead(study, answer, known),
        setpoint_title=setpoint_title(answer),
        may_move=_may_move(answer),
        dials=_dials(report),
        no_window="" if answer.window is not None else window_sentences(study, answer)[0],
        window_lines=window_sentences(study, answer),
        gauges=gauged,
        prints=prints_picture(report),
        sure_title="How sure" if report.confirmation is None else "How sure by the study alone",
        sure_lines=tuple(sure[:2] if answer.hand is not None else sure),
        sure_pairs=sure_pairs(study, answer),
        rooms=drawn.rooms,
        limits_on_certainty=said(study, answer.limits_on_certainty, shown),
        steps_title="What could be changed" if known.state == "unreachable" else "Next steps",
        steps=confirmation_steps(report.confirmation)
        if is_asked and report.confirmation is not None
        else next_steps(study, answer, shown, known),
        next_table=None
        if answer.next_coupons.empty
        else settings_table(report, answer.next_coupons, "Coupons that would help most"),
        level_table=level_table(report),
        warnings=said(study, cautions_left(answer), shown),
        confirmation_title=""
        if report.confirmation is None
        else confirmation_standing(report.confirmation).removesuffix("."),
        confirmation=None if report.confirmation is None else confirmation_section(report.confirmation, shown=shown),
        map_pictures=drawn.map_pictures,
        map_key=drawn.map_key,
        flat_lines=drawn.flat_lines,
        what_if=what_if(report),
        strip_pictures=strip_pictures(report),
        run_pictures=run_pictures(report),
        tried_lines=window_among_coupons(report),
        failed_groups=failed_groups(report),
        photos_note=photos_note(report),
        effect_pictures=effect_pictures(report),
        decides=decides,
        effect_lines=tuple(effects),
        cliff_table=cliff_table(report),
        notes=(*notes_of(study, answer, shown), *gauge_note(report)),
        belief_lines=said(study, report.surfaces.belief.facts, shown),
        belief_pairs=belief_pairs(report),
        why_lines=why_lines,
        why_reasons=reasons,
        coupon_table=coupon_table(report),
        check_lines=check_lines(report),
        check_tables=effect_tables(report),
        target_pairs=target_pairs(study),
        stack_pairs=(
            *stack_pairs(report.stack, report.line),
            *(Pair(name, text) for name, text in report.conditions.items()),
        ),
        held_pairs=tuple(Pair(*held(name, value, shown)) for name, value in study.held.items()),
        limit_pairs=limit_pairs(study, shown),
        range_pairs=range_pairs(report),
        forbidden_lines=tuple(forbidden_words(study, combination, shown) for combination in study.forbidden),
        method_lines=(
            *method_lines(report.surfaces),
            *errors_counted(study, report.surfaces.results, shown),
            *plan_notes(report.plan_notes, study, shown),
        ),
        method_pairs=tuple(Pair(*told) for told in method_words(answer.method)),
        prior_pairs=() if report.surfaces.model is None else prior_pairs(report.surfaces.model.priors),
        provenance_pairs=provenance_pairs(report),
        history_table=history_table(report.history),
    )


def study_drawings(report: StudyReport, progress: Callable[[float], None] = lambda share: None) -> StudyDrawings:
    """The room strips and the maps of a report, which the page of a study shows too; ``progress`` hears of each."""
    profiles = profiles_of(report)
    progress(0.2)
    maps = []
    for surface in maps_of(report, profiles):
        maps.append(surface)
        progress(0.2 + 0.3 * len(maps))
    return StudyDrawings(rooms(report, profiles), map_pictures(report, maps), map_key(report), flat_lines(report, maps))


def _facts(report: StudyReport) -> str:
    fitted = report.surfaces.results
    passed = int(fitted.passed.sum())
    rounds = int(report.coupons["round"].max()) if "round" in report.coupons and len(report.coupons) else 1
    waiting = f", {fitted.waiting} waiting for a result" if fitted.waiting else ""
    return (
        f"{report.stack.name} on {report.line.name}. {count(fitted.coupons, 'coupon')} in {count(rounds, 'round')}: "
        f"{passed} passed, {fitted.coupons - passed} failed{waiting}."
    )


def _may_move(answer: Answer) -> str:
    """What the ranges under the large numbers are."""
    if answer.window is not None:
        return "and how far each may move: alone, or all together"
    return "and how far each may move alone" if answer.room else ""


def _dials(report: StudyReport) -> tuple[SettingDial, ...]:
    return tuple(_dial(report, f) for f in report.study.factors)


def _dial(report: StudyReport, f: Factor) -> SettingDial:
    answer, shown = report.answer, report.shown
    here = answer.setpoint[f.name]
    if f.is_categorical:
        return SettingDial(f.label, amount(f, here, shown), "", "", "", "", "")
    value, made = dial_value(report, f), {d.name: d for d in _machine_dials(report)}.get(f.name)
    surface = ""
    if made is not None:
        surface = f"surface {made.surface}" if made.is_checked else f"dial = surface, {NOT_CHECKED}"
    both = [None if w is None else span(w, f.name) for w in (answer.window, answer.assured_window)]
    alone, expected, assured = (on_dial(report, f, ends) for ends in (room_of(report, f), *both))
    return SettingDial(
        label=f.label,
        big=amount(f, value, shown),
        other=amount_beside(f, value, shown),
        surface=surface,
        alone=alone,
        expected=expected,
        assured=assured,
    )


def _machine_dials(report: StudyReport) -> tuple[DialSetting, ...]:
    """What to dial in for the setpoint's machine temperatures; none where the line's readings were not asked for."""
    if report.gauged is None or not machine_temperatures(report.study):
        return ()
    return dials_of_settings(report.gauged, report.study, report.answer.setpoint, report.shown)


def notes_of(study: Study, answer: Answer, shown: Shown) -> tuple[Note, ...]:
    """Explanations of ``notes.txt``, with words of the glossary and this study's own numbers where they help."""
    wander = next((f for f in study.numeric if f.setting_sd), None)
    example = "In this study none was stated, so the pass rate is that of a perfect machine. Every machine wanders."
    if wander is not None:
        example = (
            f"Here {wander.label} is said to wander by {spread_both(wander, wander.setting_sd, shown)} (one standard "
            "deviation): two times in three the real value is within that of the dial, one time in three it is not."
        )
    values = {word.name: word.text for word in GLOSSARY} | {
        "example": example,
        "target": stated(study.spec.pass_rate),
        "expected": prints(answer.pass_rate),
        "sure": stated(study.spec.assurance),
        "least": prints_at_least(answer.pass_rate_low),
    }
    text = template_source("notes.txt")
    assert text is not None
    parts = (part.splitlines() for part in text.split("# ")[1:])
    return tuple(Note(head, tuple(line.format_map(values) for line in lines if line)) for head, *lines in parts)


_ORDER = ("under", "over", "other", "unknown")
_TITLES = {side: words.capitalize() for side, words in SIDE_WORDS.items()} | {
    "other": "Not heat: powder, moisture or handling"
}
_NEAR = 0.15
"""Coded distance (a half-range is 1) below which a setting is called that of the setpoint."""


def failed_groups(report: StudyReport) -> tuple[FailedGroup, ...]:
    """Failed coupons by the side they failed on, the nearest to the setpoint first."""
    fitted, away = report.surfaces.results, _away(report)
    near = (away**2).sum(axis=1).to_numpy()
    inside = _inside(report)
    groups = []
    for side in _ORDER:
        rows = np.flatnonzero(~fitted.passed & (fitted.side == side))
        if len(rows):
            rows = rows[np.argsort(near[rows], kind="stable")]
            coupons = tuple(_coupon(report, away.iloc[row], int(row), is_inside=inside[row]) for row in rows)
            title = f"{_TITLES[side]}: {count(len(rows), 'coupon')}"
            groups.append(FailedGroup(title, _where(report, away.iloc[rows]), _seen(coupons), coupons))
    return tuple(groups)


def _seen(coupons: tuple[FailedCoupon, ...]) -> tuple[SeenOften, ...]:
    """Symptoms of some coupons, the most frequent first."""
    each = Counter(drawn for coupon in coupons for drawn in coupon.symptoms)
    return tuple(SeenOften(drawn, count(n, "coupon")) for drawn, n in each.most_common())


def _away(report: StudyReport) -> pd.DataFrame:
    """Coded distance of every fitted coupon from the setpoint, a column a numeric factor."""
    settings, setpoint = report.surfaces.results.settings, report.answer.setpoint
    return pd.DataFrame(
        {
            f.name: code(f, settings[f.name].to_numpy(dtype=float)) - code(f, [float(setpoint[f.name])])
            for f in report.study.numeric
        }
    )


def _drawn(key: str) -> Drawn:
    try:
        label = symptom(key).label
    except ValueError:  # a word of the shop's own
        return Drawn(key.replace("_", " "), None)
    return Drawn(label, symptom_svg(key))


def _coupon(report: StudyReport, away: pd.Series, row: int, *, is_inside: bool) -> FailedCoupon:
    study, fitted = report.study, report.surfaces.results
    name, settings = str(fitted.coupon[row]), fitted.settings.iloc[row]
    seen = (
        report.results[report.results["coupon"].astype(str) == name] if "coupon" in report.results else pd.DataFrame()
    )
    keys, note = (str(seen[c].iloc[0]) if c in seen and seen[c].notna().any() else "" for c in ("symptom", "note"))
    return FailedCoupon(
        name=name,
        settings=", ".join(f"{f.label} {amount_both(f, settings[f.name], report.shown)}" for f in study.factors),
        symptoms=tuple(_drawn(key.strip()) for key in keys.split(";") if key.strip()),
        place=_beside_setpoint(report, settings, away) + (" It lies inside the expected window." if is_inside else ""),
        note=note,
        photos=tuple(photo for photo in report.photos if photo.coupon == name),
    )


def _beside_setpoint(report: StudyReport, settings: pd.Series, away: pd.Series) -> str:
    """Where one coupon lies against the setpoint, its largest departures first."""
    study, setpoint = report.study, report.answer.setpoint
    parts = []
    for name in away[away.abs() >= _NEAR].abs().sort_values(ascending=False, kind="stable").index[:3]:
        f = study.factor(name)
        step = float(settings[name]) - float(setpoint[name])
        way = move(f, "higher" if step > 0 else "lower")
        parts.append(f"{f.label} {difference_both(f, step, report.shown)} {way}")
    parts += [f"{f.label} {settings[f.name]}" for f in study.categorical if settings[f.name] != setpoint[f.name]]
    return sentence(f"against the setpoint: {', '.join(parts)}" if parts else "at or very near the setpoint")


def _where(report: StudyReport, away: pd.DataFrame) -> str:
    """What most coupons of a group have in common against the setpoint, counted."""
    hits = [
        (int((sign * away[f.name] >= _NEAR).sum()), f"{move(f, way)} {f.label}")
        for f in report.study.numeric
        for sign, way in ((-1, "lower"), (1, "higher"))
    ]
    most = max((number for number, _ in hits), default=0)
    if most * 2 <= len(away):
        return (
            "They lie all over the tested region: no setting is on one side of the setpoint for more than half of them."
        )
    named = [text for number, text in hits if number == most][:2]
    if len(away) == 1:
        return f"Made with a {listing(named, 'and a')} than the setpoint."
    told = "all of them" if most == len(away) else f"{most} of them"
    return sentence(f"{told} with a {f', {told} with a '.join(named)} than the setpoint")


def _outside(report: StudyReport, window: Window) -> pd.DataFrame:
    """How far every fitted coupon lies outside a window, a column a numeric factor; below it less than 0."""
    values = report.surfaces.results.settings[[f.name for f in report.study.numeric]].astype(float)
    bounds = window.bounds.astype(float)
    return values - values.clip(bounds["low"], bounds["high"], axis=1)


def _at_levels(report: StudyReport) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Fitted coupons made at the levels of the setpoint."""
    names = [f.name for f in report.study.categorical]
    here = pd.Series({name: report.answer.setpoint[name] for name in names}, dtype=object)
    return np.asarray((report.surfaces.results.settings[names] == here).all(axis=1))


def _inside(report: StudyReport) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Fitted coupons whose settings lie in the expected window, levels as in the setpoint."""
    window = report.answer.window
    if window is None:
        return np.zeros(report.surfaces.results.coupons, dtype=bool)
    return np.asarray((_outside(report, window) == 0).all(axis=1)) & _at_levels(report)


def window_among_coupons(report: StudyReport) -> tuple[str, ...]:
    """How the expected window sits among the coupons tried, counted."""
    fitted, study, window = report.surfaces.results, report.study, report.answer.window
    if window is None:
        mark = "; the ringed cross marks the setting named above" if len(study.numeric) > 1 else ""
        return (f"There is no expected window to lay among the coupons{mark}.",)
    inside = _inside(report)
    passed, held = int(fitted.passed[inside].sum()), int(inside.sum())
    if held:
        first = (
            f"{held} of {count(fitted.coupons, 'coupon')} {verb(held, 'was', 'were')} made inside the expected "
            f"window: {passed} passed, {held - passed} failed."
        )
    else:
        first = (
            f"None of the {count(fitted.coupons, 'coupon')} was made inside the expected window: what is said about "
            "its inside is read off the coupons around it. Confirmation coupons are the first to be made there."
        )
    outside = _outside(report, window)
    # no error stated: a tenth of the range stands for one
    errors = pd.Series({f.name: f.setting_sd or (f.high - f.low) / 10 for f in study.numeric})
    far = (outside.abs() / errors).max(axis=1).to_numpy(dtype=float)
    failed = ~fitted.passed & ~inside & _at_levels(report)
    if not failed.any():
        return (first,)
    row = int(np.where(failed, far, np.inf).argmin())
    places = []
    for f in study.numeric:
        if size := float(outside[f.name].iloc[row]):
            way = move(f, "higher" if size > 0 else "lower")
            places.append(f"{f.label} {difference_both(f, size, report.shown)} {way}")
    stated = all(f.setting_sd for f in study.numeric)
    most = f" ({errors_away(far[row]).removesuffix(' away')} at the most)" if stated else ""
    return first, sentence(
        f"Outside it, the nearest failed coupon is {fitted.coupon[row]}: {', '.join(places)} than any inside{most}"
    )


def photos_note(report: StudyReport) -> str:
    """How many photos are not in the page; empty when none was left out."""
    left = report.photos_left
    return f"{count(left, 'more photo')} of failed coupons {verb(left, 'is', 'are')} kept in the book." if left else ""


def gauge_notes(report: StudyReport) -> GaugeNotes | None:
    """The report's words about gauges; None where the line's readings were not asked for."""
    gauged, study, shown = report.gauged, report.study, report.shown
    if gauged is None or not machine_temperatures(study):
        return None
    checked = [d for d in _machine_dials(report) if d.is_checked]
    window = report.answer.window
    rows = tuple((d.label, d.dial, d.plus_minus, d.surface, _window_on_the_dial(report, d, window)) for d in checked)
    heads = ("setting", "to dial in", "± (95 %)", "on the surface", "expected window on the dial")
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
        "The temperatures above are those to dial in; pictures below are of the surface (gauge readings up "
        f"to {day(report.gauged.on)})."
    )


def _window_on_the_dial(report: StudyReport, made: DialSetting, window: Window | None) -> str:
    """Ends of a window as dial settings; empty without one."""
    if window is None or made.name not in window.bounds.index or report.gauged is None:
        return ""
    ends = window.bounds.astype(float).T[made.name]
    return dial_window(report.gauged, report.study, made, ends["low"], ends["high"], report.shown)


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
                "after a repair or a move, and whenever a print fails that should not; then make this report again.",
            ),
        ),
    )
