"""Taking scores into the book: from a filled file, for one coupon, or from a sheet made without a plan of ours."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from doe.acts.base import Key
from doe.acts.study.counts import confirmation_counts, score_counts
from doe.acts.study.limits import refuse_without_limits
from doe.acts.study.plans import stored_plan, whole_plan
from doe.book.records import StudyRecord
from doe.book.sheets.entry import ColumnUse, ForeignSheet, guess_mapping, map_foreign, read_entry, read_foreign
from doe.cli.ask import ask_text, ask_yes
from doe.cli.desk import Desk
from doe.cli.output import Table, print_table
from doe.cli.terminal import say
from doe.domain.entry import SymptomWords, sheet_letters
from doe.domain.errors import InputError, InputErrors
from doe.domain.outcome import BATCH_COLUMNS, ScoreCounts
from doe.domain.said import read_symptoms, read_void, said_hand
from doe.domain.score import ScoreEntry, entry_problems
from doe.domain.study import Study
from doe.domain.texts import quoted
from doe.domain.units import Shown
from doe.plans.judge import judge_plan
from doe.symptoms.reading import WORDS, short_list
from doe.words.typed import Confirm, quantity

if TYPE_CHECKING:
    from doe.book.book import Book


@dataclass(frozen=True)
class Recorded:
    """What was recorded: coupons, new fields, notes, the counts after it, and what brought coupons can tell.

    ``confirmation`` counts the confirmation coupons when there are any.
    """

    study: str
    coupons: int
    fields: int
    notes: tuple[str, ...]
    counts: ScoreCounts
    judgement: tuple[str, ...] = ()
    confirmation: ScoreCounts | None = None


def recorded(book: Book, record: StudyRecord, names: Sequence[str], fields: int, notes: Sequence[str] = ()) -> Recorded:
    """What to say after scores of some coupons were stored; coupons of a confirmation are counted apart."""
    return Recorded(
        record.name,
        len(names),
        fields,
        tuple(notes),
        score_counts(book, record.id),
        confirmation=confirmation_counts(book, record.id),
    )


def symptom_words() -> SymptomWords:
    """Symptoms by name, and by the letter that stands on the bench sheet."""
    return replace(WORDS, letters=sheet_letters(s.key for s in short_list()))


def record_file(book: Book, key: Key, path: Path, *, why: str = "") -> Recorded:
    """Store everything a filled entry file says, or nothing."""
    record = book.study(key)
    coupons = whole_plan(book, record).coupons
    found = read_entry(path, record.study, coupons, symptoms=symptom_words())
    fields = book.record(record.id, found.entries, why=why)
    return recorded(book, record, [entry.coupon for entry in found.entries], fields, found.notes)


@dataclass(frozen=True)
class ScoreOptions:
    """What was typed for one coupon, still as text."""

    coupon: str | None
    passed: Sequence[str]
    failed: Sequence[str]
    symptoms: Sequence[str]
    side: str
    hand: Sequence[str]
    actual: Sequence[str]
    note: str
    void: str | None

    @property
    def says_anything(self) -> bool:
        """Whether any of it was given."""
        return self.coupon is not None or any(
            (self.passed, self.failed, self.symptoms, self.side, self.hand, self.actual, self.note, self.void)
        )


def record_one(
    book: Book, key: Key, typed: ScoreOptions, shown: Shown, *, why: str = "", confirm: Confirm | None = None
) -> Recorded:
    """Store the scores of one coupon."""
    record = book.study(key)
    whole_plan(book, record)
    entry = read_typed(record.study, typed, shown, confirm=confirm)
    fields = book.record(record.id, [entry], why=why)
    return recorded(book, record, [entry.coupon], fields)


def read_typed(study: Study, typed: ScoreOptions, shown: Shown, *, confirm: Confirm | None = None) -> ScoreEntry:
    """Score entry of what was typed.

    Raises
    ------
    InputError
        If no coupon is named, nothing is said about it, or a part cannot be read.
    """
    if typed.coupon is None:
        raise InputError(
            "--coupon", "nothing", "the name on the label", "Say which coupon it is, such as --coupon R1-03."
        )
    both = sorted(set(typed.passed) & set(typed.failed))
    if both:
        raise InputError("--pass and --fail", ", ".join(both), "each check once", "Say pass or fail, not both.")
    words = symptom_words()
    symptoms: list[str] = []
    for text in typed.symptoms:
        symptoms += read_symptoms(text, words.labels, "--symptom", words.letters)
    entry = ScoreEntry(
        typed.coupon,
        checks=dict.fromkeys(typed.passed, True) | dict.fromkeys(typed.failed, False),
        symptoms=tuple(dict.fromkeys(symptoms)),
        side=typed.side or words.side_of(symptoms),
        hand={name: said_hand(value, f"--hand {name}") for name, value in _pairs("--hand", typed.hand, "ana=3.5")},
        actual=_actual(study, typed.actual, shown, confirm=confirm),
        note=typed.note,
        void_reason=None if typed.void is None else read_void(typed.void, "--void"),
    )
    if not any(True for _ in entry.fields()):
        raise InputError(
            f"coupon {typed.coupon}",
            "nothing said about it",
            "a check, symptom, hand-feel, note or void",
            "Add --pass, --fail, --hand, --note or --void.",
        )
    return entry


def _pairs(option: str, texts: Sequence[str], example: str) -> list[tuple[str, str]]:
    made: list[tuple[str, str]] = []
    for text in texts:
        name, equals, value = (part.strip() for part in text.partition("="))
        if not equals or not name:
            raise InputError(option, repr(text), "name=value", f"Write it like {example}.")
        if name in (known for known, _ in made):
            raise InputError(option, f"{name} twice", "each name once", "Keep one of them.")
        made.append((name, value))
    return made


def _actual(study: Study, texts: Sequence[str], shown: Shown, *, confirm: Confirm | None) -> dict[str, float]:
    made = {}
    for name, value in _pairs("--actual", texts, "press_temp=148"):
        unit = study.factor(name).unit
        if not unit:
            raise InputError("--actual", name, ", ".join(f.name for f in study.numeric), "Use a factor with a range.")
        made[name] = quantity(value, unit, f"--actual {name}", shown, confirm=confirm)
    return made


# sheets made without a plan


def own_uses(desk: Desk, book: Book, key: Key, path: Path, columns: Sequence[str]) -> Mapping[str, ColumnUse | str]:
    """What each column of an own sheet is used for: as typed, else guessed and confirmed by a person.

    Raises
    ------
    InputError
        If nothing was typed and nobody can be asked.
    """
    record = book.study(key)
    sheet = read_foreign(path)
    checks = {c.name: f"check_{c.name}" for c in record.study.spec.checks}
    typed = {h: checks.get(use, use) for h, use in _pairs("--map", columns, '"Press °F=press_temp"')}
    guessed: dict[str, ColumnUse | str] = dict(guess_mapping(sheet, record.study))
    if typed:
        kept = {h: use for h, use in guessed.items() if _role(use) not in typed.values()} if desk.can_ask else {}
        return kept | typed
    if not desk.can_ask:
        proposal = " ".join(
            f"--map {quoted(f'{h}={_role(use)}')}" for h, use in guessed.items() if _role(use) != "ignore"
        )
        raise InputError(
            sheet.name,
            "a sheet with headings of its own",
            "every column named with --map",
            f"This looks likely, check it: {proposal}",
        )
    return _confirm(sheet, record.study, guessed)


def _role(use: ColumnUse | str) -> str:
    return use if isinstance(use, str) else use.role


def _confirm(
    sheet: ForeignSheet, study: Study, guessed: Mapping[str, ColumnUse | str]
) -> Mapping[str, ColumnUse | str]:
    """Show the guess with the first cell of each column, and let a person change it."""
    uses = dict(guessed)
    checks = [f"check_{c.name}" for c in study.spec.checks]
    others = ("pass", "hand_NAME", "coupon", "symptom", "side", "note", "void", *BATCH_COLUMNS, "ignore")
    roles = [*study.factor_names, *checks, *others]
    while True:
        rows = [
            (h, next((c for c in sheet.rows[h] if c), ""), _shown_use(uses.get(h, "ignore"))) for h in sheet.headings
        ]
        print_table(Table(("heading", "first cell", "used as"), rows))
        say("")
        if ask_yes("Is that right?"):
            return uses
        say(f"Uses: {', '.join(roles)}.")
        for heading in sheet.headings:
            answer = ask_text(f"{heading} is", default=_role(uses.get(heading, "ignore")))
            if answer != _role(uses.get(heading, "ignore")):
                uses[heading] = answer


def _shown_use(use: ColumnUse | str) -> str:
    return use if isinstance(use, str) else f"{use.role} ({use.unit})" if use.unit else use.role


def record_own(
    book: Book, key: Key, path: Path, uses: Mapping[str, ColumnUse | str], *, people: Sequence[str] = (), why: str = ""
) -> Recorded:
    """Store coupons and scores of a sheet made without a plan of ours, as rounds after those already there."""
    record = book.study(key)
    refuse_without_limits(record.study)
    found = map_foreign(read_foreign(path), record.study, uses, people=people, symptoms=WORDS)
    problems = [p for entry in found.entries for p in entry_problems(entry, record.study)]
    if problems:
        raise InputErrors(problems)
    before = book.plan_coupons(record.id)
    coupons = found.coupons.copy()
    if len(before):
        clash = sorted(set(before["coupon"]) & set(coupons["coupon"]))
        if clash:
            raise InputError(
                f"{path.name}, coupon",
                ", ".join(clash[:5]),
                "names that are not in the study yet",
                "Rename them, or record their scores with --file.",
            )
        coupons["round"] = coupons["round"] + int(before["round"].max())
    notes = (*found.notes, f"Brought in from {path.name}.")
    fields = book.bring_in(record.id, coupons, found.entries, kind="brought", notes=notes, why=why)
    return Recorded(
        record.name, len(found.coupons), fields, found.notes, score_counts(book, record.id), _judge(book, record)
    )


def _judge(book: Book, record: StudyRecord) -> tuple[str, ...]:
    """What coupons that nobody planned can and cannot tell, in plain sentences."""
    plan = stored_plan(book, record)
    coupons = plan.coupons.copy()
    # a sheet seldom says which coupons shared a batch; each on its own is the kindest reading, and it is said
    assumed = False
    for name in ("cure_batch", "press_batch", "cure_order", "press_order", "garment", "stroke"):
        if name not in coupons or coupons[name].isna().any():
            coupons[name] = range(1, len(coupons) + 1)
            assumed = True
    if "role" not in coupons:
        coupons["role"] = "brought"
    judged = judge_plan(replace(plan, coupons=coupons), line=record.line)
    said = [f"  + {text}" for text in judged.can_tell] + [f"  - {text}" for text in judged.cannot_tell]
    if assumed:
        said.append(
            "  - Batches are not all named: coupons of one batch count as if made on their own, which is kind to them."
        )
    return ("What these coupons can (+) and cannot (-) tell:", *said, *(f"  ! {text}" for text in judged.warnings))
