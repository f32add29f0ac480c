"""The study report: answer first, then pictures, then explanations, then proof. One self-contained HTML file."""

from __future__ import annotations

from doe.domain.factors import Factor
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.setpoint.answer import Answer, Window
from doe.words.confirmation.verdict import standing
from doe.words.confirmation.verdict import steps as confirmation_steps
from doe.words.gauges.setting_errors import errors_counted
from doe.words.glossary import GLOSSARY
from doe.words.study.answer import (
    KINDS,
    SETPOINT_TITLES,
    headline,
    lead,
    nearest_cliff,
    next_steps,
    sureness,
    window_sentences,
)
from doe.words.study.plans import plan_notes
from doe.words.study.setpoint import cautions_left, method_words, said
from doe.words.wording import amount, count, held, other_units, prints, prints_at_least, range_both, spread_both, stated
from reports.confirmation.page import confirmation_section
from reports.gauges.notes import gauge_note, gauge_notes
from reports.pages import render, template_source
from reports.sheet.page import Pair, limit_pairs, stack_pairs
from reports.study.effects import check_lines, effect_lines, effect_pictures, effect_tables
from reports.study.failures import failed_groups, photos_note, window_among_coupons
from reports.study.figures import Along
from reports.study.inputs import StudyReport
from reports.study.pictures import (
    map_pictures,
    prints_picture,
    profile_pictures,
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
from reports.study.whatif import what_if
from reports.views import Note, SettingDial, StudyPage


def study_report(report: StudyReport) -> str:
    """Report of a study as one HTML document that needs no network.

    Parameters
    ----------
    report : StudyReport
        The study with its fitted surfaces and answer; nothing is fitted again.
    """
    return render("report.html", study_page(report))


def study_page(report: StudyReport) -> StudyPage:
    """View-model of `study_report`."""
    study, answer, shown = report.study, report.answer, report.shown
    profiles = profiles_of(report)
    why_lines, reasons = why_reasons(report)
    return StudyPage(
        page_title=f"Study report, {study.name}",
        study_name=study.name,
        facts=_facts(report),
        verdict_kind=KINDS[answer.verdict],
        headline=headline(answer),
        lead=lead(study, answer),
        setpoint_title=SETPOINT_TITLES[answer.verdict],
        dials=_dials(report),
        window_lines=window_sentences(study, answer),
        gauges=gauge_notes(report),
        prints=prints_picture(report),
        sure_lines=sureness(study, answer),
        sure_pairs=sure_pairs(study, answer),
        cliff_line=nearest_cliff(study, answer, shown),
        limits_on_certainty=said(study, answer.limits_on_certainty, shown),
        steps_title="What could be changed"
        if answer.verdict == "not reachable" and report.confirmation is None
        else "Next steps",
        steps=next_steps(study, answer, shown)
        if report.confirmation is None
        else confirmation_steps(report.confirmation),
        next_table=None
        if answer.next_coupons.empty
        else settings_table(report, answer.next_coupons, "Coupons that would help most"),
        level_table=level_table(report),
        warnings=said(study, cautions_left(answer), shown),
        confirmation=None if report.confirmation is None else confirmation_section(report.confirmation, shown=shown),
        map_pictures=map_pictures(report, profiles),
        what_if=what_if(report),
        profile_pictures=profile_pictures(report, profiles),
        strip_pictures=strip_pictures(report),
        run_pictures=run_pictures(report),
        tried_lines=window_among_coupons(report),
        failed_groups=failed_groups(report),
        photos_note=photos_note(report),
        effect_pictures=effect_pictures(report),
        effect_lines=effect_lines(report),
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
        stack_pairs=stack_pairs(report.stack, report.line),
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


def _facts(report: StudyReport) -> tuple[str, ...]:
    fitted = report.surfaces.results
    passed = int(fitted.passed.sum())
    rounds = int(report.coupons["round"].max()) if "round" in report.coupons and len(report.coupons) else 1
    waiting = f", {fitted.waiting} waiting for a result" if fitted.waiting else ""
    return (
        f"Stack: {report.stack.name}. Line: {report.line.name}.",
        f"{count(fitted.coupons, 'coupon')} scored in {count(rounds, 'round')}: {passed} passed, "
        f"{fitted.coupons - passed} failed{waiting}. "
        f"Wanted: {stated(report.study.spec.pass_rate)} of prints.",
        *(() if report.confirmation is None else (standing(report.confirmation),)),
        f"Report made {made(report)}.",
    )


def _dials(report: StudyReport) -> tuple[SettingDial, ...]:
    answer, shown = report.answer, report.shown

    def span(f: Factor, window: Window | None) -> str:
        return "" if window is None or f.is_categorical else range_both(f, *Along(f).span(window), shown)

    return tuple(
        SettingDial(
            f.label,
            amount(f, answer.setpoint[f.name], shown),
            amount(f, answer.setpoint[f.name], other_units(shown)) if f.is_temperature else "",
            span(f, answer.window),
            span(f, answer.assured_window),
        )
        for f in report.study.factors
    )


def notes_of(study: Study, answer: Answer, shown: Shown = METRIC) -> tuple[Note, ...]:
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
