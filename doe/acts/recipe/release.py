"""Releasing a confirmed setpoint as a recipe revision, or saying everything that stands in the way."""

from __future__ import annotations

import math
from calendar import monthrange
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from doe.acts.answers import answer_from
from doe.acts.base import RECOMMEND, Key, Progress, version
from doe.acts.confirmation.verdict import confirmation_of
from doe.acts.gauges.dials import Dials, dials_of
from doe.acts.recipe.record_items import (
    CARE_LABEL,
    CONFIRMED,
    HANDLED,
    ROOM,
    RecordFacts,
    RecordItem,
    facts_of_study,
    record_items,
)
from doe.acts.study.fits import Fitted, fit_of
from doe.assure.gauges.cautions import refuse_dial
from doe.book.records import AnalysisRecord, StudyRecord
from doe.domain.errors import InputError, InputErrors
from doe.domain.factors import KNOWN_FACTORS
from doe.domain.jsonable import jsonable
from doe.domain.recipe import LAPSE, PARTS, ConfirmationRecord, Recipe, RecipeSetting
from doe.domain.stack import Stack
from doe.domain.study import Study
from doe.domain.texts import NAME_LENGTH, check_line, quoted
from doe.setpoint.alternatives import Alternative, other_settings
from doe.setpoint.answer import Answer
from doe.words.confirmation import plan as words
from doe.words.dates import day
from doe.words.gauges.cautions import caution_words
from doe.words.recipe.card import caution_sentences, handling_gaps, handling_sentences, void_sentences
from doe.words.wording import count, listing

if TYPE_CHECKING:
    from doe.book.book import Book

RELEASE = "release"
"""Kind of the analysis that keeps what stood beside a recipe when it was released."""

WINDOW, CORNERS_HELD = "window", "every corner that was tested held"
"""What the record says of a window whose corners were confirmed."""

USUAL_REVIEW_MONTHS, MOST_REVIEW_MONTHS = 12, 24

MOST_STEPS, LONGEST_STEP = 6, 160
"""Most steps of handling, or reasons to void it, that are added to the usual ones, and their longest text: the card
has one page."""


@dataclass(frozen=True)
class Wishes:
    """What a person types to release a recipe.

    Attributes
    ----------
    name, approved_by : str
    why : str
        Why this revision is made; needed from the second on.
    exception : str
        Why it is released without an accepted confirmation.
    review_months : int
        Until it is looked at again, 1 to 24.
    gap, peel, second_press : str
        Steps of handling that the study does not know.
    handling, voids : tuple of str
        More steps, and more that would void it.
    setpoint_only : bool
        Whether the setpoint is released without a window, where a corner of the window was not confirmed.
    lots : mapping
        Lot of a part (fabric, film, powder, ink) that the stack does not name.
    care_label, room : str
        For the record.
    """

    name: str
    approved_by: str
    why: str = ""
    exception: str = ""
    review_months: int = USUAL_REVIEW_MONTHS
    gap: str = ""
    peel: str = ""
    second_press: str = ""
    handling: tuple[str, ...] = ()
    voids: tuple[str, ...] = ()
    setpoint_only: bool = False
    lots: Mapping[str, str] = field(default_factory=dict)
    care_label: str = ""
    room: str = ""


@dataclass(frozen=True)
class Released:
    """A recipe that was released.

    ``id`` in the book; ``items`` of the least record; ``others`` what might have been chosen instead, the setpoint
    first.
    """

    id: int
    recipe: Recipe
    items: tuple[RecordItem, ...]
    others: tuple[Alternative, ...]


def release_study(book: Book, key: Key, wishes: Wishes, *, now: datetime, progress: Progress | None = None) -> Released:
    """Release the answer of a study as the next revision of a recipe.

    Nothing is stored unless everything is there.

    Parameters
    ----------
    book : Book
    key : str or int
        The study.
    wishes : Wishes
    now : datetime
        With its zone: the moment of approval.

    Raises
    ------
    InputErrors
        Naming at once everything that stands in the way, each with how to add it: no answer or a stale one, the
        target not reachable, washes that are open, no accepted confirmation and no reason to do without, an item of
        the least record that is missing.
    """
    record = book.study(key)
    _check_words(record, wishes)
    kept = _latest_answer(book, record)
    fitted = _fit(book, record, kept, progress)
    answer = _answer(kept)
    proof = confirmation_for(book, record, answer)
    if wishes.setpoint_only:
        proof = replace(proof, record=proof.alone, window_held=False)
    stack = with_lots(record.stack, wishes.lots)
    handling = handling_sentences(
        record.study,
        answer.setpoint,
        gap=wishes.gap,
        peel=wishes.peel,
        second_press=wishes.second_press,
        more=wishes.handling,
    )
    facts = replace(
        facts_of_study(book, record, answer),
        stack=stack,
        handling=handling,
        record=_record(wishes),
        inputs_hash=kept.inputs_hash,
        seed=kept.seed,
        version=kept.version,
        approved_by=wishes.approved_by,
        confirmed=proof.words,
        is_confirmed=proof.record is not None,
        waived=wishes.exception,
    )
    items = record_items(facts)
    open_window = (
        {}
        if answer.window is None or proof.window_held is False
        else {
            str(name): (float(low), float(high))
            for name, low, high in answer.window.bounds[["low", "high"]].itertuples()
        }
    )
    dials = dials_of(book, record, {**_held_settings(record.study), **answer.setpoint}, open_window, on=now.date())
    _refuse([*_in_the_way(record, kept, fitted, answer, wishes, items, proof), *_beyond_the_dial(record, dials)])
    _refuse_look_alike(book, wishes.name.strip())
    earlier = book.recipes(wishes.name)
    recipe = _recipe(
        record,
        kept,
        answer,
        wishes,
        proof,
        dials,
        open_window,
        now=now,
        revision=len(earlier) + 1,
        stack=stack,
        handling=handling,
    )
    others = other_settings(record.study, fitted.surfaces, answer)
    # kept before the recipe: figures without a recipe do no harm, a recipe without its figures could not be checked
    book.save_analysis(
        record.id,
        kind=RELEASE,
        inputs_hash=kept.inputs_hash,
        seed=kept.seed,
        version=version(),
        payload=jsonable(
            {"recipe": recipe.name, "revision": recipe.revision, "answer": kept.id, "others": others, "record": items}
        ),
    )
    return Released(book.release_recipe(recipe, study=record.id), recipe, items, others)


@dataclass(frozen=True)
class Proof:
    """What the confirmation came to.

    ``record`` of an accepted run, None where there is none; ``alone`` that of the setpoint when a corner of the window
    did not hold or stays doubtful; ``words`` say what there is; ``window_held``: whether every corner held, None where
    none was tested; ``remarks`` what the run leaves to be said. Full sentences.
    """

    record: ConfirmationRecord | None
    alone: ConfirmationRecord | None
    words: str
    window_held: bool | None
    remarks: tuple[str, ...] = ()


def confirmation_for(book: Book, record: StudyRecord, answer: Answer) -> Proof:
    """The accepted confirmation of an answer, or why there is none."""
    found = confirmation_of(book, record.id)
    if found is None:
        return Proof(None, None, words.NOT_MADE, None)
    attempts, remarks = len(found.attempts), found.remarks
    if attempts > 1:
        remarks += (words.assurance_left(attempts, found.over_attempts),)
    if any(not _alike(value, answer.setpoint.get(name)) for name, value in found.current.plan.setpoint.items()):
        return Proof(None, None, words.OTHER_SETPOINT, None, remarks)
    came_to = words.came_to(found.verdict, attempts, found.doubts)
    return Proof(found.proof, found.setpoint_proof, came_to, found.window_held, remarks)


def _alike(a: float | str, b: float | str | None) -> bool:
    if isinstance(a, str) or b is None or isinstance(b, str):
        return a == b
    return math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-9)


def with_lots(stack: Stack, lots: Mapping[str, str]) -> Stack:
    """A stack with the lots that it does not name yet.

    Raises
    ------
    InputErrors
        If a part is unknown or not in the stack, or its lot is another one already.
    """
    problems, parts = [], {}
    for part, lot in lots.items():
        where = f"--lot {part}"
        material = getattr(stack, part, None) if part in PARTS else None
        there = [p for p in PARTS if getattr(stack, p) is not None]
        if material is None:
            problems.append(InputError(where, part, listing(there, "or"), "Name a part of the stack."))
        elif not lot.strip():
            problems.append(InputError(where, "nothing", "the lot on the packet", "Write it like film=77."))
        elif material.lot.strip() and material.lot.strip() != lot.strip():
            problems.append(
                InputError(
                    where,
                    lot,
                    f"lot {material.lot}, as the coupons were made with",
                    "Another lot is compared with the recipe by coupons first; it does not replace one.",
                )
            )
        else:
            check_line(lot, where)
            parts[part] = replace(material, lot=lot.strip())
    _refuse(problems)
    return replace(stack, **parts)


def _check_words(record: StudyRecord, wishes: Wishes) -> None:
    problems = []
    if record.archived:
        remedy = f"Take it out again: doe study restore {quoted(record.name)} --why ..."
        problems.append(InputError(f"study {record.name}", "put away", "a study in use", remedy))
    for option, text in (("--as", wishes.name), ("--approved-by", wishes.approved_by)):
        if not text.strip():
            problems.append(InputError(option, "nothing", "a name", "Fill it in."))
    if not 1 <= wishes.review_months <= MOST_REVIEW_MONTHS:
        problems.append(
            InputError(
                "--review-months",
                wishes.review_months,
                f"1 to {MOST_REVIEW_MONTHS}",
                "A recipe is looked at again within two years.",
            )
        )
    for option, texts in (("--handling", wishes.handling), ("--void", wishes.voids)):
        if len(texts) > MOST_STEPS:
            problems.append(
                InputError(
                    option,
                    f"{len(texts)} of them",
                    f"at most {MOST_STEPS}",
                    "Join some, or put them on the wall: the card has one page.",
                )
            )
    single = (
        ("--as", wishes.name),
        ("--approved-by", wishes.approved_by),
        ("--gap", wishes.gap),
        ("--peel", wishes.peel),
        ("--second-press", wishes.second_press),
        ("--care-label", wishes.care_label),
        ("--room", wishes.room),
        ("--exception", wishes.exception),
    )
    steps = [("--handling", text) for text in wishes.handling] + [("--void", text) for text in wishes.voids]
    for option, text in (*single, *steps):
        try:
            check_line(text, option, longest=LONGEST_STEP if option not in ("--as", "--approved-by") else NAME_LENGTH)
        except InputError as error:
            problems.append(error)
    _refuse(problems)


def _latest_answer(book: Book, record: StudyRecord) -> AnalysisRecord:
    kept = book.latest_analysis(record.id, RECOMMEND)
    if kept is None:
        raise InputError(
            f"answer of {record.name}",
            "none",
            "an answer that was looked at",
            f"Ask for it: doe recommend {quoted(record.name)}",
        )
    return kept


def _answer(kept: AnalysisRecord) -> Answer:
    return answer_from(kept.payload)


def _fit(book: Book, record: StudyRecord, kept: AnalysisRecord, progress: Progress | None) -> Fitted:
    """The fit behind an answer, made again with its seed."""
    return fit_of(book, record, kept.seed, progress)


def _record(wishes: Wishes) -> dict[str, str]:
    given = {CARE_LABEL: wishes.care_label.strip(), ROOM: wishes.room.strip()}
    return {name: text for name, text in given.items() if text}


def _in_the_way(
    record: StudyRecord,
    kept: AnalysisRecord,
    fitted: Fitted,
    answer: Answer,
    wishes: Wishes,
    items: tuple[RecordItem, ...],
    proof: Proof,
) -> list[InputError]:
    """Everything that stands in the way of a release, the gravest first."""
    name = quoted(record.name)
    problems = []
    if fitted.hash != kept.inputs_hash:
        problems.append(
            InputError(
                f"answer of {record.name}",
                f"one of {day(kept.made_at)}, before results or study changed",
                "an answer to the results as they are",
                f"Look at the new one first: doe recommend {name}",
            )
        )
    if answer.verdict == "not reachable":
        problems.append(
            InputError(
                f"answer of {record.name}",
                "not reachable",
                "a setpoint that reaches the target",
                "Change range, stack or target, and make a new study.",
            )
        )
    if fitted.counts.unfinished:
        problems.append(
            InputError(
                f"washes of {record.name}",
                f"{count(fitted.counts.unfinished, 'coupon')} still to be judged",
                "every check of every coupon",
                f"Enter them: doe record {name} --washes",
            )
        )
    if proof.record is None and proof.alone is not None and not wishes.exception.strip():
        problems.append(
            InputError(
                f"confirmation of {record.name}",
                "the setpoint accepted, the window not",
                "both accepted",
                "Release the setpoint alone, without a window: add --setpoint-only.",
            )
        )
    elif proof.record is None and not wishes.exception.strip():
        problems.append(
            InputError(
                f"confirmation of {record.name}",
                proof.words,
                "an accepted confirmation of this answer",
                f"Make one: doe confirm {name}; or say why none is needed: --exception REASON",
            )
        )
    problems += [
        InputError(f"record of {record.name}, {item.what}", item.found, "an entry", f"Add it: {item.add}")
        for item in items
        if item.state == "missing" and item.what not in (CONFIRMED, HANDLED)
    ]
    problems += [
        InputError(
            f"record of {record.name}, {what}",
            "nothing",
            "how it is done",
            f'Add it: doe release {name} {option} "..."',
        )
        for what, option in handling_gaps(
            record.study, gap=wishes.gap, peel=wishes.peel, second_press=wishes.second_press
        )
    ]
    return problems


def _refuse_look_alike(book: Book, name: str) -> None:
    """Refuse a name that differs from one in the book only by capitals or spaces: a card would be mistaken."""
    plain = " ".join(name.casefold().split())
    for kept in book.recipes():
        there = kept.recipe.name
        if there != name and " ".join(there.casefold().split()) == plain:
            raise InputError(
                "--as",
                repr(name),
                f"{there!r}, or a name that nobody mistakes for it",
                "The same name makes the next revision.",
            )


def _beyond_the_dial(record: StudyRecord, dials: Dials) -> list[InputError]:
    """Dial settings that a machine may not be given."""
    problems = []
    for name, found in dials.of.items():
        try:
            refuse_dial(record.study, name, found.dial.degc)
        except InputError as error:
            problems.append(error)
    return problems


def _refuse(problems: list[InputError]) -> None:
    if problems:
        raise InputErrors(problems)


def _recipe(
    record: StudyRecord,
    kept: AnalysisRecord,
    answer: Answer,
    wishes: Wishes,
    proof: Proof,
    dials: Dials,
    window: Mapping[str, tuple[float, float]],
    *,
    now: datetime,
    revision: int,
    stack: Stack,
    handling: tuple[str, ...],
) -> Recipe:
    if revision > 1 and not wishes.why.strip():
        raise InputError(
            "--why",
            "nothing",
            f"why revision {revision} of {wishes.name.strip()} is made",
            "It supersedes the one before, which stays in the book.",
        )
    exception = "" if proof.record is not None else wishes.exception.strip()
    return Recipe(
        name=wishes.name.strip(),
        revision=revision,
        stack=stack,
        line=record.line,
        settings=_settings(record, answer, window, dials),
        pass_rate=answer.pass_rate,
        pass_rate_low=min(answer.pass_rate_low, answer.pass_rate),
        study=record.name,
        approved_by=wishes.approved_by.strip(),
        approved_at=now,
        review_on=review_day(now.date(), wishes.review_months),
        confirmation=proof.record,
        exception=exception,
        held=dict(record.study.held),
        handling=handling,
        voids=void_sentences(record.study, answer, wishes.voids),
        why=wishes.why.strip(),
        cautions=(
            *caution_sentences(
                record.study, answer, exception=exception, run=proof.words, window_held=proof.window_held
            ),
            *(proof.remarks if proof.record is not None else ()),
            *caution_words(dials.cautions),
        ),
        record={**_record(wishes), **({WINDOW: CORNERS_HELD} if proof.record and proof.window_held else {})},
        inputs_hash=kept.inputs_hash,
        seed=kept.seed,
        version=kept.version,
        verdict=answer.verdict,
        as_dialled=dials.as_dialled,
    )


HELD_SETTINGS = ("cure_temp", "cure_time", "powder_amount", "press_temp", "dwell", "pressure")
"""Settings that stand on a recipe even where the study held them: somebody has to dial them in."""


def _held_settings(study: Study) -> dict[str, float]:
    return {n: float(v) for n, v in study.held.items() if n in HELD_SETTINGS and not isinstance(v, str)}


def _settings(
    record: StudyRecord, answer: Answer, window: Mapping[str, tuple[float, float]], dials: Dials
) -> tuple[RecipeSetting, ...]:
    """Settings of the recipe: the factors, then what was held and has to be dialled in, in the order of the work."""
    made = []
    for f in record.study.factors:
        value, (low, high) = answer.setpoint[f.name], window.get(f.name, (None, None))
        made.append(_setting(f.name, f.label, f.unit, value, low, high, dials))
    for name, value in _held_settings(record.study).items():
        known = KNOWN_FACTORS[name]
        made.append(_setting(name, known.label, known.unit, value, None, None, dials))
    order = list(KNOWN_FACTORS)
    return tuple(sorted(made, key=lambda s: order.index(s.factor) if s.factor in order else len(order)))


def _setting(
    name: str, label: str, unit: str, value: float | str, low: float | None, high: float | None, dials: Dials
) -> RecipeSetting:
    there = dials.of.get(name)
    if there is None:
        return RecipeSetting(
            name, label, unit, value if isinstance(value, str) else float(value), None, None, low, high
        )
    return RecipeSetting(
        name,
        label,
        unit,
        there.surface_degc,
        there.dial.degc,
        there.dial.u_delta_degc,
        there.low_degc,
        there.high_degc,
        there.dial_low_degc,
        there.dial_high_degc,
    )


def review_day(approved: date, months: int) -> date:
    """Day of review so many months after approval; two years are never exceeded.

    >>> review_day(date(2030, 1, 31), 1), review_day(date(2031, 3, 1), 24)
    (datetime.date(2030, 2, 28), datetime.date(2033, 2, 28))
    """
    year, month = divmod(approved.year * 12 + approved.month - 1 + months, 12)
    day = date(year, month + 1, min(approved.day, monthrange(year, month + 1)[1]))
    return min(day, approved + LAPSE)


def kept_figures(book: Book, study_id: int, recipe: Recipe) -> tuple[AnalysisRecord, Mapping[str, Any]] | None:
    """What stood beside a recipe when it was released; None where nothing was kept (brought in from another book)."""
    found = [
        a
        for a in book.analyses(study_id)
        if a.kind == RELEASE and (a.payload["recipe"], a.payload["revision"]) == (recipe.name, recipe.revision)
    ]
    return (found[-1], found[-1].payload) if found else None


__all__ = [
    "RELEASE",
    "Proof",
    "RecordFacts",
    "Released",
    "Wishes",
    "confirmation_for",
    "kept_figures",
    "release_study",
    "review_day",
    "with_lots",
]
