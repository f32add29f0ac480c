"""Releasing a confirmed setpoint as a recipe revision, or saying everything that stands in the way."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime

from doe.acts.base import RECOMMEND, Key, Progress, usual_seed, version
from doe.acts.conditions import conditions_of, gauges_behind
from doe.acts.confirmation.verdict import confirmation_of, window_of
from doe.acts.gauges.line import Dials, dialled_otherwise, dials_of
from doe.acts.recipe.record_items import facts_of_study, record_items
from doe.acts.study.fits import Fitted, answer_from, fit_of
from doe.acts.study.inputs import hash_now
from doe.acts.study.limits import refuse_without_limits
from doe.acts.study.standing import machines_since
from doe.assure.confirmation.attempts import same_setting
from doe.assure.gauges.setting_error import MACHINE_OF_FACTOR
from doe.assure.gauges.summary import refuse_dial
from doe.book.book import Book
from doe.book.records import AnalysisRecord, StudyRecord
from doe.domain.errors import NAME_LENGTH, InputError, InputErrors, check_line, quoted
from doe.domain.factors import KNOWN_FACTORS
from doe.domain.finding import Finding
from doe.domain.gauge import MACHINE_KINDS
from doe.domain.jsonable import jsonable
from doe.domain.plan_kinds import learning_rounds
from doe.domain.recipe import (
    CARE_LABEL,
    KNOWN,
    LAPSE,
    PARTS,
    ROOM,
    SETTINGS_FROM,
    ConfirmationRecord,
    Recipe,
    RecipeSetting,
    RecordItem,
)
from doe.domain.stack import Line, Stack
from doe.domain.study import Study
from doe.domain.units import show_both
from doe.setpoint.alternatives import Alternative, other_settings
from doe.setpoint.answer import Answer
from doe.words.conditions import condition_texts
from doe.words.confirmation.plan import sentences
from doe.words.gauges.cautions import caution_words
from doe.words.recipe.card import caution_sentences, handling_gaps, handling_sentences, void_sentences
from doe.words.recipe.record import by_release, dials_together, found_words, how_to_add, item_label, missing_together
from doe.words.wording import count, day, listing

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
    conditions = conditions_of(book, record)
    wishes = replace(wishes, room=wishes.room.strip() or conditions.room)
    basis = _answered(book, record, progress) if record.study.known is None else _known(book, record, wishes)
    answer = basis.answer
    proof = confirmation_for(book, record, basis.setpoint)
    if wishes.setpoint_only:
        proof = replace(proof, record=proof.alone, window_held=False)
    stack = with_lots(record.stack, wishes.lots)
    handling = handling_sentences(record.study, basis.setpoint, vars(wishes), wishes.handling)
    items = record_items(
        replace(
            facts_of_study(book, record, answer),
            stack=stack,
            handling=handling,
            care_label=wishes.care_label,
            room=wishes.room,
            inputs_hash=basis.inputs_hash,
            seed=basis.seed,
            version=basis.version,
            confirmed=proof.came_to,
            is_confirmed=proof.record is not None,
            waived=wishes.exception,
        )
    )
    window = {} if answer is None or proof.window_held is False else window_of(answer) or {}
    settings = {**held_settings(record.study), **basis.setpoint}
    dials = dials_of(book, record, settings, window, on=now.date())
    problems = [
        *_in_the_way(record, basis, wishes, proof),
        *_incomplete(record, wishes, items),
        *_beyond_the_dial(record, dials),
        *_dialled_otherwise(book, record, settings, proof),
        *(_on_others(book, record) if proof.record is not None else ()),
    ]
    _refuse(problems, _said_together(record, problems))
    rate, low = _rates(answer, proof)
    recipe = Recipe(
        name=wishes.name.strip(),
        revision=_revision(book, wishes),
        stack=stack,
        line=_line_now(book, record.line),
        settings=settings_of(record, basis.setpoint, window, dials),
        pass_rate=rate,
        pass_rate_low=low,
        study=record.name,
        approved_by=wishes.approved_by.strip(),
        approved_at=now,
        review_on=review_day(now.date(), wishes.review_months),
        confirmation=proof.record,
        exception="" if proof.record is not None else wishes.exception.strip(),
        held=dict(record.study.held),
        handling=handling,
        voids=void_sentences(record.study, answer, wishes.voids),
        why=wishes.why.strip(),
        cautions=_cautions(record.study, answer, wishes, proof, dials),
        record={
            **condition_texts(conditions, gauges_behind(book, record.line.name)),
            **_record(record.study, wishes, proof),
        },
        inputs_hash=basis.inputs_hash,
        seed=basis.seed,
        version=basis.version,
        verdict=basis.verdict,
        as_dialled=dials.as_dialled,
    )
    others = (
        () if basis.fitted is None or answer is None else other_settings(record.study, basis.fitted.surfaces, answer)
    )
    found = {"recipe": recipe.name, "revision": recipe.revision, "others": others, "record": items}
    found |= {} if basis.kept is None else {"answer": basis.kept.id}
    with book.writing():  # a recipe and the figures behind it, both or neither
        book.save_analysis(
            record.id,
            kind=RELEASE,
            inputs_hash=basis.inputs_hash,
            seed=basis.seed,
            version=version(),
            payload=jsonable(found),
        )
        number = book.release_recipe(recipe, study=record.id)
    return Released(number, recipe, items, others)


@dataclass(frozen=True)
class Basis:
    """What a release rests on: an answer with its fit, or settings that are known, and then neither.

    ``setpoint`` with its ``verdict``; sum of the inputs, ``seed`` and ``version`` of the program; the answer as it is
    ``kept`` and read.
    """

    setpoint: Mapping[str, float | str]
    verdict: str
    inputs_hash: str
    seed: int
    version: str
    kept: AnalysisRecord | None = None
    answer: Answer | None = None
    fitted: Fitted | None = None


def _answered(book: Book, record: StudyRecord, progress: Progress | None) -> Basis:
    """The last answer of a study."""
    kept = _latest_answer(book, record)
    fitted, answer = fit_of(book, record, kept.seed, progress), answer_from(kept.payload)
    return Basis(answer.setpoint, answer.verdict, kept.inputs_hash, kept.seed, kept.version, kept, answer, fitted)


def _known(book: Book, record: StudyRecord, wishes: Wishes) -> Basis:
    """Known settings; only their confirmation speaks for them.

    Raises
    ------
    InputError
        If a setting lies beyond a limit, a confirmation is to be done without, or the release would put the recipe of
        another line out of force.
    """
    refuse_without_limits(record.study)
    name = wishes.name.strip()
    if wishes.exception.strip():
        raise InputError(
            "--exception",
            wishes.exception,
            "nothing: settings that nobody searched for are released by their confirmation alone",
            f"Confirm them: doe confirm {quoted(record.name)}",
        )
    before = book.recipes(name)
    if before and before[-1].in_force and before[-1].recipe.line.name != record.line.name:
        raise InputError(
            "--as",
            name,
            f"a name of its own: that recipe is in force on {before[-1].recipe.line.name}",
            f"Name the line too, such as {quoted(f'{name}, {record.line.name}')}.",
        )
    return Basis(record.study.settings, KNOWN, hash_now(book, record), usual_seed(record.first_name), version())


def _rates(answer: Answer | None, proof: Proof) -> tuple[float, float]:
    """Pass rate expected of the setpoint, and its lower bound; where nothing was searched, what was shown is both."""
    if answer is not None:
        return answer.pass_rate, min(answer.pass_rate_low, answer.pass_rate)
    assert proof.record is not None  # without it nothing that is known is released
    return proof.record.pass_rate_low, proof.record.pass_rate_low


def _revision(book: Book, wishes: Wishes) -> int:
    """Number of the revision; a name that differs from one in the book only by capitals or spaces is refused."""
    name, plain = wishes.name.strip(), " ".join(wishes.name.casefold().split())
    for there in (kept.recipe.name for kept in book.recipes()):
        if there != name and " ".join(there.casefold().split()) == plain:
            raise InputError(
                "--as",
                repr(name),
                f"{there!r}, or a name that nobody mistakes for it",
                "The same name makes the next revision.",
            )
    revision = len(book.recipes(name)) + 1
    if revision > 1 and not wishes.why.strip():
        raise InputError(
            "--why",
            "nothing",
            f"why revision {revision} of {name} is made",
            "It supersedes the one before, which stays in the book.",
        )
    return revision


def _cautions(study: Study, answer: Answer | None, wishes: Wishes, proof: Proof, dials: Dials) -> tuple[str, ...]:
    """What the user of the recipe must know; a recipe keeps it in the words that were approved."""
    if answer is None:  # that nothing was searched stands in the remarks
        return (*sentences(proof.remarks, study), *caution_words(dials.cautions))
    if proof.record is None:
        found = caution_sentences(
            study, answer, exception=wishes.exception, run=came_to(study, proof), window_held=proof.window_held
        )
        return (*found, *caution_words(dials.cautions))
    found = caution_sentences(study, answer, window_held=proof.window_held)
    return (*found, *sentences(proof.remarks, study), *caution_words(dials.cautions))


def _record(study: Study, wishes: Wishes, proof: Proof) -> dict[str, str]:
    held = CORNERS_HELD if proof.record and proof.window_held else ""
    given = {
        CARE_LABEL: wishes.care_label.strip(),
        ROOM: wishes.room.strip(),
        WINDOW: held,
        SETTINGS_FROM: study.known or "",
    }
    return {name: text for name, text in given.items() if text}


@dataclass(frozen=True)
class Proof:
    """What the confirmation came to.

    ``record`` of an accepted run, None where there is none; ``alone`` that of the setpoint when a corner of the window
    did not hold or stays doubtful; ``came_to`` says what there is; ``window_held``: whether every corner held, None
    where none was tested; ``remarks`` what the run leaves to be said; ``rounds`` its coupons were made in.
    """

    came_to: tuple[Finding, ...]
    remarks: tuple[Finding, ...] = ()
    record: ConfirmationRecord | None = None
    alone: ConfirmationRecord | None = None
    window_held: bool | None = None
    rounds: tuple[int, ...] = ()


def confirmation_for(book: Book, record: StudyRecord, setpoint: Mapping[str, float | str]) -> Proof:
    """The accepted confirmation of a setpoint, or why there is none."""
    found = confirmation_of(book, record.id)
    if found is None:
        return Proof((Finding("not_made"),))
    attempts, remarks = len(found.attempts) + found.before, found.remarks
    if attempts > 1:
        remarks += (Finding("assurance_left", {"attempts": attempts, "assurance": found.over_attempts}),)
    if any(not same_setting(value, setpoint.get(name)) for name, value in found.current.plan.setpoint.items()):
        return Proof((Finding("other_setpoint"),), remarks)
    came = Finding("came_to" if attempts == 1 else "came_to_after", {"verdict": found.verdict, "attempts": attempts})
    rounds = tuple(found.current.plan.rounds)
    return Proof((came, *found.doubts), remarks, found.proof, found.setpoint_proof, found.window_held, rounds)


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
    """Refuse a study that is put away, and texts that a card cannot carry."""
    problems = []
    if record.archived:
        problems.append(
            InputError(
                f"study {record.name}",
                "put away",
                "a study in use",
                f"Take it out again: doe study restore {quoted(record.name)} --why ...",
            )
        )
    for option, text in (("--as", wishes.name), ("--approved-by", wishes.approved_by)):
        if not text.strip():
            problems.append(InputError(option, "nothing", "a name", "Fill it in."))
    if not 1 <= wishes.review_months <= MOST_REVIEW_MONTHS:
        allowed = f"1 to {MOST_REVIEW_MONTHS}"
        problems.append(
            InputError(
                "--review-months", wishes.review_months, allowed, "A recipe is looked at again within two years."
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
    names, steps = (wishes.name, wishes.approved_by), ("gap", "peel", "second_press", "care_label", "room", "exception")
    typed = [
        *zip(("--as", "--approved-by"), names, (NAME_LENGTH,) * 2, strict=True),
        *((f"--{step.replace('_', '-')}", str(getattr(wishes, step)), LONGEST_STEP) for step in steps),
        *(("--handling", text, LONGEST_STEP) for text in wishes.handling),
        *(("--void", text, LONGEST_STEP) for text in wishes.voids),
    ]
    for option, text, longest in typed:
        try:
            check_line(text, option, longest=longest)
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


def _in_the_way(record: StudyRecord, basis: Basis, wishes: Wishes, proof: Proof) -> list[InputError]:
    """What answer, washes and confirmation put in the way of a release, the gravest first."""
    name, answered = quoted(record.name), f"answer of {record.name}"
    unproven = proof.record is None and not wishes.exception.strip()
    if basis.fitted is None or basis.kept is None:
        found = came_to(record.study, proof)
        error = InputError(f"confirmation of {record.name}", found, "an accepted one", f"Make one: doe confirm {name}")
        return [error] if unproven else []
    fitted = basis.fitted
    problems = (
        (
            fitted.hash != basis.inputs_hash,
            InputError(
                answered,
                f"one of {day(basis.kept.made_at)}, before results or study changed",
                "an answer to the results as they are",
                f"Look at the new one first: doe recommend {name}",
            ),
        ),
        (
            basis.verdict == "not reachable",
            InputError(
                answered,
                "not reachable",
                "a setpoint that reaches the target",
                "Change range, stack or target, and make a new study.",
            ),
        ),
        (
            fitted.counts.unfinished,
            InputError(
                f"washes of {record.name}",
                f"{count(fitted.counts.unfinished, 'coupon')} still to be judged",
                "every check of every coupon",
                f"Enter them: doe record {name} --washes",
            ),
        ),
        (
            unproven and proof.alone is not None,
            InputError(
                f"confirmation of {record.name}",
                "the setpoint accepted, the window not",
                "both accepted",
                "Release the setpoint alone, without a window: add --setpoint-only.",
            ),
        ),
        (
            unproven and proof.alone is None,
            InputError(
                f"confirmation of {record.name}",
                came_to(record.study, proof),
                "an accepted confirmation of this answer",
                f"Make one: doe confirm {name}; or say why none is needed: --exception REASON",
            ),
        ),
    )
    return [error for is_so, error in problems if is_so]


def came_to(study: Study, proof: Proof) -> str:
    """What the confirmation came to, in words."""
    return " ".join(sentences(proof.came_to, study))


def _incomplete(record: StudyRecord, wishes: Wishes, items: tuple[RecordItem, ...]) -> Iterator[InputError]:
    """What the least record lacks; handling and confirmation are said apart."""
    where = f"record of {record.name}"
    for item in items:
        if item.state == "missing" and item.what not in ("confirmation", "handling"):
            add = how_to_add(item, record.name)
            yield InputError(f"{where}, {item_label(item)}", found_words(item), "an entry", f"Add it: {add}")
    for what, option in handling_gaps(record.study, vars(wishes)):
        name = quoted(record.name)
        yield InputError(f"{where}, {what}", "nothing", "how it is done", f'Add it: doe release {name} {option} "..."')


def _beyond_the_dial(record: StudyRecord, dials: Dials) -> list[InputError]:
    """Dial settings that a machine may not be given."""
    problems = []
    for name, found in dials.of.items():
        try:
            refuse_dial(record.study, name, found.dial.degc)
        except InputError as error:
            problems.append(error)
    return problems


def _dialled_otherwise(
    book: Book, record: StudyRecord, settings: Mapping[str, float | str], proof: Proof
) -> Iterator[InputError]:
    """Dials that no coupon was made at; coupons of the confirmation count, without one those that were learned from."""
    rounds = proof.rounds
    if proof.record is None:
        rounds = learning_rounds(book.plan_info(record.id).rounds)
    line, name = book.line(record.line.name), quoted(record.name)
    for factor, degc in dialled_otherwise(book, record, settings, rounds).items():
        machine = line.machine(MACHINE_OF_FACTOR[factor])
        was, now = (show_both(value, "degC") for value in degc)
        yield InputError(
            f"dial of {record.name}, {KNOWN_FACTORS[factor].label}",
            f"{was} when its coupons were planned, before any reading of {machine.name}; "
            f"by the readings {now} would be dialled in",
            "a dial that coupons were made at",
            f"Confirm again, as it is measured now: doe confirm {name} --plan; "
            "or keep what was dialled: doe study known with --dial and these numbers",
        )


def _on_others(book: Book, record: StudyRecord) -> Iterator[InputError]:
    """Machines that took another one's place since the coupons of the confirmation were made."""
    for kind, since in machines_since(book, record).items():
        yield InputError(
            f"{kind} of {record.name}",
            f"another one since {day(since)} than its coupons were made on",
            "the machine that coupons were made on",
            f"Measure it and confirm again: doe confirm {quoted(record.name)} --plan",
        )


def _line_now(book: Book, line: Line) -> Line:
    """The line of a study with the machines that stand there now where others took their place."""
    now = book.line(line.name)
    for kind in MACHINE_KINDS:
        if not line.is_same(kind, now):
            line = line.having(kind, now.machine(kind))
    return line


def _said_together(record: StudyRecord, problems: Sequence[InputError]) -> tuple[str, ...]:
    """The problems a line each; in one where options of one command add what is missing, or one act mends dials."""
    name = record.name
    typed = [p for p in problems if p.remedy.startswith(by_release(name))]
    turned = [p for p in problems if p.where.startswith(f"dial of {name}, ")]
    said = [str(p) for p in problems if p not in (*typed, *turned)]
    said += [dials_together(name, turned)] if len(turned) > 1 else map(str, turned)
    said += [missing_together(name, typed)] if len(typed) > 1 else map(str, typed)
    return tuple(said)


def _refuse(problems: list[InputError], said: Sequence[str] = ()) -> None:
    if problems:
        raise InputErrors(problems, said)


HELD_SETTINGS = (
    "cure_temp",
    "cure_time",
    "belt_speed",
    "hover_gap",
    "dusting",
    "powder_amount",
    "press_temp",
    "dwell",
    "pressure",
)
"""Settings that stand on a recipe even where the study held them: somebody has to dial them in."""


def held_settings(study: Study) -> dict[str, float | str]:
    """What was held and has to be dialled in or laid in."""
    return {
        n: v for n, v in study.held.items() if n in HELD_SETTINGS and isinstance(v, str) == (not KNOWN_FACTORS[n].unit)
    }


def settings_of(
    record: StudyRecord,
    setpoint: Mapping[str, float | str],
    window: Mapping[str, tuple[float, float]],
    dials: Dials,
) -> tuple[RecipeSetting, ...]:
    """Settings of the recipe: the factors, then what was held and has to be dialled in, in the order of the work."""
    made = []
    for f in record.study.factors:
        value, (low, high) = setpoint[f.name], window.get(f.name, (None, None))
        made.append(replace(_setting(f.name, f.label, f.unit, value, low, high, dials), heated_mm=f.heated_mm))
    for name, value in held_settings(record.study).items():
        known = KNOWN_FACTORS[name]
        made.append(_setting(name, known.label, known.unit, value, None, None, dials))
    order = list(KNOWN_FACTORS)
    return tuple(sorted(made, key=lambda s: order.index(s.factor) if s.factor in order else len(order)))


def _setting(
    name: str, label: str, unit: str, value: float | str, low: float | None, high: float | None, dials: Dials
) -> RecipeSetting:
    there = dials.of.get(name)
    if there is None:
        surface = value if isinstance(value, str) else float(value)
        return RecipeSetting(name, label, unit, surface, window_low=low, window_high=high)
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


def kept_figures(book: Book, study_id: int, recipe: Recipe) -> AnalysisRecord | None:
    """What stood beside a recipe when it was released; None where nothing was kept (brought in from another book)."""
    mine = (recipe.name, recipe.revision)
    found = reversed(book.analyses(study_id, RELEASE))
    return next((a for a in found if (a.payload["recipe"], a.payload["revision"]) == mine), None)
