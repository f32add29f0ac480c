"""`doe recommend` and `doe fit`: a robust setpoint, its window, how sure, and whether the surfaces can be believed."""

from __future__ import annotations

from collections.abc import Sequence

from doe.acts.base import version
from doe.acts.gauges.line import cautions_said, gauged_line
from doe.acts.study.fits import SAYING, Recommended, answer_data, explain, fit_study, recommend_study
from doe.acts.study.shop import take_shop
from doe.acts.study.standing import standing_of
from doe.cli.desk import Block, Desk, Reply, Screen, Table, Warn, command
from doe.cli.gauge_dials import coupon_table, dial_blocks, dial_data, dial_notes
from doe.cli.study_words import standing_data, step_command
from doe.domain.errors import quoted
from doe.domain.factors import Factor
from doe.domain.standing import StudyStanding
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.setpoint.answer import Window
from doe.setpoint.why import Why
from doe.words.gauges.dials import Dialled, dials_of_settings
from doe.words.gauges.setting_errors import errors_counted
from doe.words.study import answer as words
from doe.words.study.setpoint import cautions_left, method_words, said
from doe.words.study.standing import headline
from doe.words.study.state import counts_sentence
from doe.words.study.why import OVERVIEW_HEADS, differences, overview_rows, rough_note, why_parts
from doe.words.wording import amount_both, amount_range, date_and_time, percent


@command("recommend")
def recommend(desk: Desk, study: str, seed: int | None = None, why: bool = False, shop: bool | None = None) -> Reply:
    """Recommend settings that keep passing when the machines wander, and say how sure that is."""
    with desk.open(create=False) as book, desk.progress("fitting and searching") as tell:
        if shop is not None:
            take_shop(book, study, wanted=shop)
        found = recommend_study(book, study, seed=seed, progress=tell)
        data = answer_data(found.answer)
        known = standing_of(book, found.fitted.record.id, answer=data)
        gauged = gauged_line(book, found.fitted.record)
        cautions = cautions_said(book, found.fitted.record, desk.shown, gauged)
    reasons = explain(found) if why else None
    study_asked = found.fitted.record.study
    dials = dials_of_settings(gauged, study_asked, found.answer.setpoint, desk.shown)
    blocks, rest = answer_blocks(found, known, Dialled(study_asked, gauged, desk.shown), cautions)
    rest = [*dial_blocks(dials, cautions, gauged), *rest]
    if reasons:
        first, *others = blocks
        blocks, parts = why_screen(found, reasons, desk.shown)
        blocks, rest = [first, *blocks], [*others, *parts, *rest]
    return Reply(
        {
            "study": found.fitted.record.name,
            "counts": found.fitted.counts,
            "inputs_hash": found.fitted.hash,
            "kept_since": found.kept.made_at if found.kept else None,
            "results_changed_since": found.before.made_at if found.before else None,
            "standing": standing_data(known, desk.shown),
            **data,
            **{name: said(found.fitted.record.study, getattr(found.answer, name), desk.shown) for name in SAYING},
            "method": dict(method_words(found.answer.method)),
            "facts": {name: data[name] for name in (*SAYING, "method")},
            "next_coupons": found.answer.next_coupons,
            "dials": dial_data(dials),
            "gauge_cautions": cautions,
            "errors_counted": errors_counted(found.fitted.record.study, found.fitted.surfaces.results, desk.shown),
            **({"why": reasons} if reasons else {}),
        },
        blocks,
        tuple(step_command(study_asked, step) for step in known.steps),
        more=rest,
    )


def answer_blocks(found: Recommended, known: StudyStanding, dialled: Dialled, cautions: Sequence[str] = ()) -> Screen:
    """An answer for a person: verdict, what to dial in, how sure, what weakens it most; then all that stands behind."""
    study, answer, shown = found.fitted.record.study, found.answer, dialled.shown
    limits, left = (said(study, facts, shown) for facts in (answer.limits_on_certainty, cautions_left(answer)))
    weakest: list[Block] = [Warn(text) for text in left[:1]] or [f"Weakest: {text}" for text in limits[:1]]
    blocks: list[Block] = [
        f"{headline(known, shown)}.",
        words.lead(study, answer, known),
        settings_table(study, found, dialled),
        "",
        *dial_notes(dialled, cautions),
        words.sure_in_short(study, answer),
        f"Nearest cliff: {words.nearest_cliff(study, answer, shown)}",
        *weakest,
        *history(found),
    ]
    rest: list[Block] = [
        surface_table(study, found, shown),
        "",
        *(f"  {text}" for text in words.sureness(study, answer)),
        "",
        *(f"  {text}" for text in words.window_sentences(study, answer, shown)),
        "",
        *(f"  {text}" for text in errors_counted(study, found.fitted.surfaces.results, shown)),
    ]
    if limits:
        rest += ["\nWhat keeps this from being surer:", *(f"  {text}" for text in limits)]
    rest += [Warn(text) for text in left[1:]]
    if answer.changes:
        rest += ["\nWhat could be changed:", *(f"  {text}" for text in said(study, answer.changes, shown))]
    if len(answer.next_coupons):
        rest += ["\nCoupons that would help most:", coupon_table(study, answer.next_coupons, dialled)]
    return blocks, [*rest, "\nThe answer is kept in the book with its seed, version and the sum of its inputs."]


def why_screen(found: Recommended, why: Why, shown: Shown) -> Screen:
    """What every number rests on most; then why this setting, which coupons carry them, what would change them."""
    parts = why_parts(found.fitted.record.study, why, shown)
    overview: list[Block] = [Warn(text) for text in differences(found.answer, why)]
    overview.append(Table(OVERVIEW_HEADS, overview_rows(why), is_list=True))
    blocks: list[Block] = []
    for part in parts:
        blocks += [f"\n{part.title}:", *(f"  {text}" for text in part.lines)]
        if part.rows:
            blocks.append(Table(part.heads, part.rows, right=tuple(h for h in part.heads if h not in part.texts)))
        if part.note:
            blocks.append(f"\n{part.note}")
    return overview, [*blocks, *(f"\n{text}" for text in rough_note(parts))]


def settings_table(study: Study, found: Recommended, dialled: Dialled) -> Table:
    """What to dial in, the surface behind it, how far each setting may move alone, and the window, on the dial."""
    answer, rows = found.answer, []
    alone = {room.factor: (room.low, room.high) for room in answer.room}
    for f in study.factors:
        value = answer.setpoint[f.name]
        ends = (alone.get(f.name), None if f.is_categorical else _ends(f, answer.window))
        spans = ["" if end is None else dialled.span(f, *end, float(value)) for end in ends]
        if not f.is_categorical and answer.window is None:
            spans[1] = "none"
        rows.append((f.name, dialled.amount(f, value), dialled.surface(f, value), *spans))
    return Table(("setting", "dial in", "surface", "room on the dial", "window on the dial"), rows)


def surface_table(study: Study, found: Recommended, shown: Shown) -> Table:
    """The setpoint on the surface, in both units, with both windows and the tested range."""
    answer, rows = found.answer, []
    for f in study.factors:
        spans = [_span(f, window, shown) for window in (answer.window, answer.assured_window)]
        tested = " / ".join(f.levels) if f.is_categorical else amount_range(f, f.low, f.high, shown)
        rows.append((f.name, amount_both(f, answer.setpoint[f.name], shown), *spans, tested))
    return Table(("on the surface", "setpoint", "window", "assured window", "tested"), rows)


def _ends(f: Factor, window: Window | None) -> tuple[float, float] | None:
    if window is None:
        return None
    bounds = window.bounds.astype(float)
    return float(bounds["low"][f.name]), float(bounds["high"][f.name])


def _span(f: Factor, window: Window | None, shown: Shown) -> str:
    """Ends of a window along one factor; empty for levels."""
    if f.is_categorical:
        return ""
    ends = _ends(f, window)
    return "none" if ends is None else amount_range(f, *ends, shown)


def history(found: Recommended) -> list[Block]:
    """Whether this answer is new, kept, or replaces one to other results."""
    if found.kept is not None:
        newer = "" if found.kept.version == version() else f" by version {found.kept.version}; this is {version()}"
        return [f"The answer kept on {date_and_time(found.kept.made_at)}{newer}: the results are the same."]
    if found.before is not None:
        return [
            Warn(
                f"The results or the study changed since the answer of {date_and_time(found.before.made_at)} "
                f"(which was: {found.before.verdict}); both are kept."
            )
        ]
    return []


@command("fit")
def fit(desk: Desk, study: str, seed: int | None = None) -> Reply:
    """Fit the surfaces to what is scored, and say what these coupons can and cannot tell."""
    with desk.open(create=False) as book, desk.progress("fitting") as tell:
        fitted = fit_study(book, study, seed=seed, progress=tell)
    surfaces, belief = fitted.surfaces, fitted.surfaces.belief
    rows = [(name, percent(max(share, 0))) for name, share in belief.learned.items()]
    learned = (
        Table(("factor", "learned"), rows, right=("learned",)),
        "\nlearned: how much narrower the place of the best setting is than before the coupons.",
    )
    sentences, warnings = (said(fitted.record.study, facts, desk.shown) for facts in (belief.facts, surfaces.warnings))
    warned, told = [Warn(text) for text in warnings], [f"  {text}" for text in sentences]
    return Reply(
        {
            "study": fitted.record.name,
            "counts": fitted.counts,
            "seed": fitted.seed,
            "inputs_hash": fitted.hash,
            "belief": {**fitted.belief_data(), "sentences": sentences},
            "warnings": warnings,
            "facts": surfaces.warnings,
        },
        (f"Fitted {fitted.record.name}. {counts_sentence(fitted.counts)}", *warned, *learned, *told),
        (f"doe recommend {quoted(fitted.record.name)}",),
    )
