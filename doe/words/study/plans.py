"""What plans cost, tell and leave open, in sentences."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from doe.domain.finding import Finding
from doe.domain.jsonable import named
from doe.domain.study import STEP_COUPONS, Study
from doe.domain.units import METRIC, SYMBOLS, Shown, fixed, show, show_both
from doe.plans.compare import LeftOut
from doe.plans.decisions import FAR_OFF, WANTED, TriedPlan, is_wide, stepwise, tried_factors, was_tried
from doe.plans.judge import PlanJudgement
from doe.symptoms.catalogue import WORDS
from doe.words.confirmation.plan import TEXTS as OF_CONFIRMATIONS
from doe.words.facts import Reader, Text, all_worded, reader_of, texts_of, worded
from doe.words.study.state import grades_at_odds
from doe.words.wording import count, listing, sentence, stated

KIND_LABELS = texts_of("said_of_plans", "kinds")
"""What a textbook calls each kind of plan."""

MODEL_LABELS = texts_of("said_of_plans", "models")

OUTCOME_HEADS = ("good %", "bad %")
"""Heads of `outcome_cells`."""

_SECONDS = {"cure_time": "cure", "dwell": "dwell", "peel_wait": "wait before peel", "second_press_time": "second press"}
_MOST_EFFECTS, _MOST_COUPONS = 12, 5
_BY_ITSELF = "Chosen automatically: "


def kind_label(kind: str) -> str:
    """What a textbook calls this kind of plan; other rounds by their own name."""
    return KIND_LABELS.get(kind, kind)


def plan_notes(notes: Iterable[Finding | str], study: Study, shown: Shown = METRIC) -> tuple[str, ...]:
    """Notes of a plan or a round as sentences; those of older rounds are sentences already."""
    reader = reader_of(study, shown)
    return tuple(_note(note, reader) for note in notes)


def _note(note: Finding | str, reader: Reader) -> str:
    if isinstance(note, str):
        return note
    values = {name: value for name, value in note.values.items() if name != "round"}
    texts = next((t for t in (NOTES, BROUGHT) if note.code in t), None) or texts_of("comparison")
    text = worded(Finding(note.code, values), texts, reader)
    return f"Round {note.values['round']}: {text}" if "round" in note.values else text


def was_automatic(note: Finding) -> bool:
    """Whether a note says why the tool itself chose the plan."""
    return note.code.startswith("chosen as ")


def planned_with(study: Study) -> str:
    """Why a study was changed as its plan was made, for the record."""
    steps = "" if study.most_coupons is None else f", step by step, {count(study.most_coupons, 'coupon')} at most"
    grades = {None: "", True: ", graded", False: ", not graded"}[study.grades]
    return f"planned with {count(study.per_garment, 'coupon')} on a garment{steps}{grades}"


def outcome_cells(tried: TriedPlan | None) -> tuple[str, str]:
    """What a plan led to: setpoints that hold, with a standard error, and those far off, in percent of lines."""
    if tried is None:
        return ("not tried", "")
    return (f"{fixed(100 * tried.holds)} ± {fixed(100 * tried.error)}", fixed(100 * tried.far_off))


def outcome_note(study: Study, outcomes: Iterable[TriedPlan | None]) -> tuple[str, ...]:
    """What the columns of `outcome_cells` count, or why nothing is known and what to do."""
    if unknown := not_tried(study):
        return tuple(f"{text} Instead, doe plan --sizes tries numbers of coupons on such lines." for text in unknown)
    tried = [o for o in outcomes if o is not None]
    if not tried:
        return ()
    width = "wide" if is_wide(study) else "narrow"
    return (
        f"Of {tried[0].lines} invented lines with {_factors(tried[0])} and ranges as {width}, "
        f"where {stated(WANTED)} of prints had to pass the checks and hand-feel was not asked for: "
        f"good, the setpoint truly reached {stated(WANTED)}; "
        f"bad, it stayed {fixed(100 * FAR_OFF)} points below or more.",
        *(f"Step by step (--step-by-step): {text[0].lower()}{text[1:]}" for text in [led_to(stepwise(study))] if text),
    )


def _factors(tried: TriedPlan) -> str:
    return count(tried.settings, "factor") + (", one more of two levels," if tried.named else "")


def not_tried(study: Study) -> tuple[str, ...]:
    """Why it is not known what plans lead to with the factors of a study; nothing where it is."""
    if was_tried(study):
        return ()
    alone, beside = ([str(n) for n, named in tried_factors() if bool(named) == of] for of in (False, True))
    known = f"{listing(alone, 'or')} factors with a range"
    more = f", and {listing(beside, 'or')} with one of two levels" if beside else ""
    return (f"What plans lead to on invented lines was tried with {known}{more}, not with those of this study.",)


def led_to(tried: TriedPlan | None) -> str:
    """What a plan led to, as a sentence; empty where it was not tried."""
    if tried is None:
        return ""
    made = f", with {fixed(tried.made)} coupons on average" if tried.made < tried.coupons else ""
    return (
        f"Of {tried.lines} invented lines with ranges as wide it found settings where {stated(WANTED)} pass the checks "
        f"on {fixed(tried.holds * tried.lines)}{made}."
    )


def goes_on(study: Study) -> tuple[str, ...]:
    """How a search step by step goes on after its first round."""
    if study.most_coupons is None:
        return ()
    return (
        f"Step by step: score these, then doe recommend says whether the verdict stands or which {STEP_COUPONS} "
        f"come next (doe extend), {count(study.most_coupons, 'coupon')} altogether at most.",
    )


def said(facts: Iterable[Finding], study: Study, shown: Shown = METRIC) -> tuple[str, ...]:
    """Facts of a `PlanJudgement` as sentences."""
    return all_worded(facts, JUDGED, reader_of(study, shown))


def brought_from(file: object) -> str:
    """Where coupons came from that were made without a plan."""
    return f"Brought in from {file}."


def brought_words(judged: PlanJudgement, study: Study, *, batches_assumed: bool) -> tuple[str, ...]:
    """What coupons can tell that were made without a plan, as lines."""
    kind = "Batches are not all named: coupons of one batch count as if made on their own, which is kind to them."
    return (
        "What these coupons can (+) and cannot (-) tell:",
        *(f"  + {text}" for text in said(judged.can_tell, study)),
        *(f"  - {text}" for text in said(judged.cannot_tell, study)),
        *((f"  - {kind}",) if batches_assumed else ()),
        *(f"  ! {text}" for text in said(judged.warnings, study)),
    )


def why_left_out(left_out: LeftOut) -> str:
    """Why a kind of plan is not possible, as a sentence."""
    return worded(left_out.reason, REASONS, Reader())


def judgement_data(judged: PlanJudgement, study: Study, shown: Shown = METRIC) -> dict[str, object]:
    """A judgement for JSON: sentences where a person looks for them, the facts beside them."""
    facts = {**named(judged, "warnings", "can_tell", "cannot_tell", "assumptions")}
    return {
        **{name: value for name, value in vars(judged).items() if name not in {*facts, "aliases"}},
        "label": kind_label(judged.kind),
        "alias_sentences": said(judged.aliases, study, shown),
        **{name: said(found, study, shown) for name, found in facts.items()},
        "facts": {"aliases": judged.aliases, **facts},
    }


def left_out_data(left_out: LeftOut) -> dict[str, object]:
    """A kind of plan that is not possible, for JSON."""
    return {
        "kind": left_out.kind,
        "label": kind_label(left_out.kind),
        "reason": why_left_out(left_out),
        "fact": left_out.reason,
    }


def _chosen_as_optimal(
    _: Reader, *, coupons: int, room_for_terms: int | None, named_factors: bool, forbidden: bool
) -> str:
    reasons = [f"room for the {room_for_terms} terms of the full quadratic"] if room_for_terms is not None else []
    reasons += ["named factors"] if named_factors else []
    reasons += ["forbidden combinations"] if forbidden else []
    return f"{_BY_ITSELF}an optimal plan suits {coupons} coupons with {listing(reasons)}."


def _in_batches(
    _: Reader,
    *,
    stage: str,
    batches: int,
    minutes: float,
    minutes_at_random: float,
    repeats: int,
    once: float | None,
    twice: float | None,
) -> str:
    machine = texts_of("said_of_plans", "machines_first")[stage]
    text = (
        f"{machine}: {count(batches, 'batch', 'batches')}, {fixed(minutes)} minutes of settling, "
        f"where a fully random order would take about {fixed(minutes_at_random)}."
    )
    if repeats:
        text += (
            f" {count(repeats, 'batch repeats', 'batches repeat')} an earlier setting, "
            "from which the batch-to-batch error is estimated."
        )
    else:
        text += " No setting is repeated, so this round alone cannot tell a batch from its setting."
    if once is not None:
        text += f" Each setting once, without a centre coupon at the start and the end, would take {fixed(once)}."
    if twice is not None:
        text += (
            f" Every setting in two batches (order: repeated) would take {fixed(twice)} or more and tell more about it."
        )
    return text


def _near_limit(
    reader: Reader, *, factor: str, expected: float, coupons: int, limit: float, hottest: float, lowered: bool
) -> str:
    f = reader.factors[factor]
    limited, end = (show_both(value, f.unit, reader.shown) for value in (limit, hottest))
    kept = f" The hottest is planned at {end}, below the asked range, to keep it at that." if lowered else ""
    return (
        f"{f.label.capitalize()}: with the setting error and the dial as uncertain as its readings say, about "
        f"{fixed(max(expected, 0.1), 1)} of {coupons} coupons are expected above the {limited} that a "
        f"material takes.{kept}"
    )


NOTES: dict[str, Text] = {
    **texts_of("said_of_plans", "notes"),
    "chosen as optimal": _chosen_as_optimal,
    "machine in batches": _in_batches,
    "near a limit": _near_limit,
    **OF_CONFIRMATIONS,
}
"""`doe.plans.notes.NoteCode`, and what is said of a confirmation's round."""


def _forbidden(reader: Reader, *, coupons: int, clauses: tuple[tuple[str, str, float | str, str], ...]) -> str:
    parts = (
        f"{factor} {compare} {value if isinstance(value, str) else show(value, unit, reader.shown)}"
        for factor, compare, value, unit in clauses
    )
    return (
        f"{count(coupons, 'coupon')} in the forbidden combination {' and '.join(parts)}; "
        "do not make such a coupon again."
    )


def _read_as(
    _: Reader,
    *,
    uses: Sequence[tuple[str, str, str]],
    words: Sequence[tuple[str, str]],
    left_out: Sequence[str],
    people: Sequence[str],
) -> str:
    used = [
        f"{heading} = {role.replace('_', ' ')}" + (f" in {SYMBOLS[unit]}" if unit else "")
        for heading, role, unit in uses
        if role != "ignore"
    ]
    meant = [f"{word} = {', '.join(WORDS.labels.get(key, key) for key in said.split(';'))}" for word, said in words]
    parts = {"Columns": used, "Words": meant, "Rows left out": left_out, "Felt by": people}
    return " ".join(f"{what}: {'; '.join(said)}." for what, said in parts.items() if said)


BROUGHT: dict[str, Text] = {
    **texts_of("said_of_plans", "brought"),
    "in a forbidden combination": _forbidden,
    "grades at odds": grades_at_odds,
    "read as": _read_as,
}
"""`doe.domain.entry.FileCode`."""


def _effect(reader: Reader, effect: tuple[str, ...]) -> str:
    return " × ".join(reader.label(name) for name in effect)


def _aliased(reader: Reader, *, effects: tuple[tuple[str, ...], ...]) -> str:
    first, *rest = (_effect(reader, effect) for effect in effects)
    return sentence(f"{first} cannot be told from {listing(rest, 'or')}")


def _hang_together(reader: Reader, *, effects: tuple[tuple[str, ...], ...]) -> str:
    shown = "; ".join(_effect(reader, effect) for effect in effects[:_MOST_EFFECTS])
    more = f" and {len(effects) - _MOST_EFFECTS} more" if len(effects) > _MOST_EFFECTS else ""
    return f"These effects cannot all be told from one another: {shown}{more}."


def _followed(_: Reader, *, coupons: tuple[str, ...], model: str) -> str:
    shown = ", ".join(coupons[:_MOST_COUPONS]) + (" ..." if len(coupons) > _MOST_COUPONS else "")
    return (
        f"The fit of the {MODEL_LABELS[model]} follows {shown} whatever the result is: "
        "a mistake there cannot be noticed."
    )


def _main_effects(reader: Reader, *, smallest_sd: tuple[tuple[str, float], ...], power: float, alpha: float) -> str:
    sizes = ", ".join(f"{fixed(size, 1)} for {reader.label(factor)}" for factor, size in smallest_sd)
    return (
        f"Which factors matter: likely seen are main effects, in units of what coupons of one setting scatter, of "
        f"{sizes} "
        f"(power {power:g}, tested two-sided at {alpha:g})."
    )


def _one_person(_: Reader, *, usual_s: tuple[tuple[str, float], ...]) -> str:
    times = ", ".join(f"{_SECONDS[name]} {seconds:g} s" for name, seconds in usual_s)
    return (
        "One person, one film or one stroke at a time; warming up from cold, washing and scoring are not counted. "
        f"Times that are neither varied nor held: {times} (common practice, no source)."
    )


JUDGED: dict[str, Text] = {
    **texts_of("said_of_plans", "judged"),
    "aliased": _aliased,
    "hang together": _hang_together,
    "followed whatever the result": _followed,
    "main effects": _main_effects,
    "one person": _one_person,
}
"""`doe.plans.judge.JudgementCode`."""

REASONS = texts_of("said_of_plans", "reasons")
"""`doe.plans.compare.ReasonCode`."""
