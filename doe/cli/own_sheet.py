"""A sheet of one's own: how it is read, said in options or asked once, for a study of the book or a new one."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

from doe.acts.study import own_sheet as acts
from doe.acts.study.change import change_study
from doe.acts.study.limits import missing, refuse_without_limits
from doe.acts.study.new import NewStudy
from doe.acts.study.own_sheet import Reading
from doe.book.book import Book
from doe.book.records import StudyRecord
from doe.book.sheets.foreign import ColumnUse, ForeignSheet, read_foreign
from doe.book.sheets.foreign_results import BadRows, row_name, without_rows, word_key
from doe.cli.ask import ask, ask_yes, once, questions, refusals, tell
from doe.cli.desk import Desk, Table, print_table
from doe.cli.scoring import Recorded, recorded
from doe.cli.study_questions import ask_all_limits, ask_place, ask_target
from doe.domain.errors import InputError, InputErrors, quoted
from doe.domain.limits import LIMIT_NAMES, LIMIT_OPTIONS, missing_limits
from doe.domain.study import Study
from doe.symptoms.catalogue import may_be_meant, symptom
from doe.words import typed
from doe.words.study.typed import LIMITS_WHY, SheetOptions, StudyOptions, study_of
from doe.words.typed import name_of, pairs
from doe.words.wording import listing

Check = Callable[[Reading], object]
"""Tries a reading of a sheet; raises `InputErrors` where it cannot be used."""


def said_reading(sheet: ForeignSheet, given: SheetOptions, study: Study | None, kept: Reading | None) -> Reading:
    """What was said in options, over how the last sheet of the study was read where that has the same headings.

    Raises
    ------
    InputErrors
        Naming headings, uses and words that are none.
    """
    uses: dict[str, ColumnUse] = {}
    words: dict[str, str] = {}
    problems: list[InputError] = []
    for called, use in pairs(given.columns, "--map", '"Press °F=press_temp"').items():
        try:
            heading = name_of(called, dict.fromkeys(sheet.headings, ()), "--map, heading")
            uses[heading] = acts.use_named(use, heading, study)
        except InputError as error:
            problems.append(error)
    for word, meaning in pairs(given.word, "--word", '"peeled=fail"').items():
        try:
            words[word_key(word)] = acts.meaning_of(meaning, f"--word {word}")
        except InputError as error:
            problems.append(error)
    if problems:
        raise InputErrors(problems)
    before = kept if kept is not None and set(kept.uses) <= set(sheet.headings) else Reading()
    return Reading(
        {h: use for h, use in before.uses.items() if use.role not in {u.role for u in uses.values()}} | uses,
        {**(kept.words if kept is not None else {}), **words},
        tuple(given.leave_out),
        tuple(given.person) or before.people,
    )


def reading_told(
    sheet: ForeignSheet, said: Reading, study: Study | None, check: Check, missing: Sequence[InputError] = ()
) -> Reading:
    """How the sheet is read where nobody can be asked.

    Raises
    ------
    InputErrors
        Naming at once all that has to be said, with the option that says it as it is likely meant; ``missing`` too.
    """
    problems = [*missing]
    reading = said
    if not said.uses:
        reading = replace(said, uses=acts.proposed_uses(sheet, study))
        problems.append(_proposal(sheet, reading.uses, study))
    reading = acts.with_everyday_words(sheet, reading)
    for word, rows in acts.unclear_words(sheet, reading).items():
        where = f"{sheet.name}, {_rows(rows)}"
        problems.append(InputError(where, repr(word), _allowed(word), f"Add what it means: {_word_option(word)}"))
    if len(problems) > len(missing):
        raise InputErrors(problems)
    try:
        check(reading)
    except InputErrors as error:
        problems += _with_way_out(sheet, reading, error)
    if problems:
        raise InputErrors(problems)
    return reading


def _proposal(sheet: ForeignSheet, uses: Mapping[str, ColumnUse], study: Study | None) -> InputError:
    several = study is not None and len(study.spec.checks) > 1
    first = study.spec.checks[0].name if study is not None else ""
    said = {h: first if several and use.role == "pass" else use.role for h, use in uses.items()}
    options = " ".join(f"--map {quoted(f'{h}={role}')}" for h, role in said.items() if role != "ignore")
    allowed = "every column named with --map"
    if several and study is not None and "pass" in {use.role for use in uses.values()}:
        allowed += (
            f", one verdict over everything with the check it is ({listing([c.name for c in study.spec.checks])})"
        )
    return InputError(
        sheet.name, "a sheet with headings of its own", allowed, f"This looks likely, check it: {options}"
    )


def _word_option(word: str) -> str:
    keys = may_be_meant(word)
    meaning = symptom(keys[0]).label if len(keys) == 1 else "fail"
    return f"--word {quoted(f'{word}={meaning}')}"


def _allowed(word: str) -> str:
    return listing(["pass", "fail", "nothing", *(symptom(key).label for key in may_be_meant(word))], "or")


def _rows(rows: Sequence[int]) -> str:
    return f"row {rows[0]}" if len(rows) == 1 else f"rows {listing([str(row) for row in rows])}"


def _with_way_out(sheet: ForeignSheet, reading: Reading, error: InputErrors) -> list[InputError]:
    rows = error.rows if isinstance(error, BadRows) else [None] * len(error.problems)
    ways = ["" if row is None else f" Or: --leave-out {quoted(row_name(sheet, reading.uses, row))}" for row in rows]
    return [
        InputError(p.where, p.found, p.allowed, f"{p.remedy}{way}") for p, way in zip(error.problems, ways, strict=True)
    ]


# asked at a terminal


def reading_asked(sheet: ForeignSheet, said: Reading, study: Study | None, check: Check) -> Reading:
    """How the sheet is read, each thing proposed and asked once; a sheet like the last one is not asked about again."""
    if said.uses and not any(h not in said.uses for h in sheet.headings):
        reading = said
    else:
        proposed = acts.proposed_uses(sheet, study)
        taken = {use.role for use in said.uses.values()}
        uses = {
            h: said.uses.get(h, use if use.role not in taken else ColumnUse("ignore")) for h, use in proposed.items()
        }
        reading = replace(said, uses=_ask_columns(sheet, uses, study))
    reading = _ask_people(acts.with_everyday_words(sheet, reading))
    while True:
        reading = _ask_words(sheet, reading)
        try:
            check(reading)
            return reading
        except BadRows as error:
            reading = replace(reading, left_out=(*reading.left_out, *_ask_rows(sheet, reading, error)))
        except InputErrors as error:
            for line in refusals(error):
                tell(line, indent="  ")
            reading = replace(reading, uses=_ask_each(reading.uses, study))


def _ask_columns(sheet: ForeignSheet, uses: Mapping[str, ColumnUse], study: Study | None) -> dict[str, ColumnUse]:
    rows = [
        (h, ", ".join(_examples(sheet, h)), f"{use.role} ({use.unit})" if use.unit else use.role)
        for h, use in uses.items()
    ]
    once(lambda: print_table(Table(("heading", "such as", "used as"), rows)))
    tell("")
    checks = [] if study is None else [c.name for c in study.spec.checks]
    found = dict(uses)
    for heading, use in uses.items():
        if use.role == "pass" and len(checks) > 1:
            question = f"{heading} says pass or fail of which check: {', '.join(checks)}, or ignore"
            about = "A coupon is judged check by check; say what was looked at for this column."
            found[heading] = ask(question, partial(acts.use_named, heading=heading, study=study), about=about)
    return found if ask_yes("Is that right?") else _ask_each(found, study)


def _examples(sheet: ForeignSheet, heading: str) -> list[str]:
    return list(dict.fromkeys(str(cell) for cell in sheet.rows[heading] if cell))[:3]


def _ask_each(uses: Mapping[str, ColumnUse], study: Study | None) -> dict[str, ColumnUse]:
    about = f"One of: {', '.join(acts.roles_of(study))}; or hand and a name."
    tell(about, indent="  ")
    found: dict[str, ColumnUse] = {}
    for heading, use in uses.items():

        def read(answer: str, heading: str = heading, use: ColumnUse = use) -> ColumnUse:
            if answer == use.role:
                return use
            made = acts.use_named(answer, heading, study)
            twice = next((h for h, other in found.items() if other.role == made.role), None)
            if twice is not None and made.role not in ("ignore", "ticked"):
                raise InputError(heading, f"{made.role}, as {twice} already", "each use once", "Choose one of the two.")
            return made

        found[heading] = ask(f"{heading} is", read, default=use.role, about=about)
    return found


def _ask_people(reading: Reading) -> Reading:
    if reading.people or "hand" not in {use.role for use in reading.uses.values()}:
        return reading
    name = ask("Who felt the coupons (Enter: not known)", str, default="", about="A name; it stands at the scores.")
    return replace(reading, people=(name,)) if name else reading


def _ask_words(sheet: ForeignSheet, reading: Reading) -> Reading:
    unclear = acts.unclear_words(sheet, reading)
    if unclear:
        tell("\nWords that may mean several things; nothing is guessed.")
    words = dict(reading.words)
    for word, rows in unclear.items():
        keys = may_be_meant(word)
        for number, key in enumerate(keys, start=1):
            tell(f"  {number}  {symptom(key).label}: {symptom(key).seen}", indent="     ")

        def read(answer: str, keys: tuple[str, ...] = keys) -> str:
            if answer.isdigit() and 1 <= int(answer) <= len(keys):
                return keys[int(answer) - 1]
            return acts.meaning_of(answer, "answer")

        offered = "pass, fail, nothing" + (", or a number of the list" if keys else ", or what was seen")
        about = (
            f"{_allowed(word)}; a symptom counts as failed, with the side it points to. What was seen, in your words."
        )
        words[word_key(word)] = ask(f"{word!r} ({_rows(rows)}) means {offered}", read, about=about)
    return replace(reading, words=words)


def _ask_rows(sheet: ForeignSheet, reading: Reading, error: BadRows) -> tuple[str, ...]:
    for line in refusals(error):
        tell(line, indent="  ")

    def read(answer: str) -> tuple[str, ...]:
        names = tuple(part.strip() for part in answer.split(",") if part.strip())
        if not names:
            raise InputError("rows", "nothing", "row numbers or coupons", "Name them, or stop and correct the sheet.")
        without_rows(sheet, reading.uses, names)
        return names

    bad = dict.fromkeys(row for row in error.rows if row is not None)
    default = ", ".join(row_name(sheet, reading.uses, row) for row in bad)
    about = "Numbers of rows or names of coupons, comma between. Ctrl-C stops, to correct the sheet instead."
    return ask("Rows to leave out", read, default=default or None, about=about)


# a study of the book, and a new one


def bring_in(desk: Desk, book: Book, record: StudyRecord, given: SheetOptions, *, why: str) -> Recorded:
    """Store coupons and scores of a sheet in a study; limits that are missing are asked for first."""
    sheet, file = _opened(given)
    said = said_reading(sheet, given, record.study, acts.kept_reading(book, record.id))
    check = partial(acts.read_coupons, sheet, record.study)
    limits: Sequence[str] = ()

    def asked() -> tuple[Sequence[str], Reading]:
        def fits(texts: Sequence[str]) -> Study:
            return record.study.with_limits(typed.limits(texts, record.study.limits, desk.shown))

        made = ask_all_limits(missing(record.study), desk.shown, fits)
        return made, reading_asked(sheet, said, record.study, check)

    if desk.can_ask:
        limits, reading = questions(asked)
    else:
        reading = reading_told(sheet, said, record.study, check, _limits_lacking(record.study))
    with book.writing():
        if limits:
            changed = record.study.with_limits(typed.limits(limits, record.study.limits, desk.shown))
            record = change_study(book, record.id, changed, LIMITS_WHY).record
        found, fields = acts.store_sheet(book, record, sheet, reading, file=file, why=why)
    notes = (*found.notes, reading.as_note())
    return recorded(book, record, found.coupons, fields, notes, acts.judgement_of(book, record))


def _opened(given: SheetOptions) -> tuple[ForeignSheet, str]:
    assert given.own_sheet is not None
    return read_foreign(given.own_sheet), given.own_sheet.name


def _limits_lacking(study: Study) -> list[InputError]:
    try:
        refuse_without_limits(study)
    except InputErrors as error:
        return list(error.problems)
    except InputError as error:
        return [error]
    return []


def begin(desk: Desk, book: Book, wanted: StudyOptions, given: SheetOptions) -> tuple[NewStudy, Recorded]:
    """Store a new study with the coupons of a sheet; what is not said is asked, once."""
    sheet, file = _opened(given)
    said = said_reading(sheet, given, None, None)

    def check(reading: Reading, wanted: StudyOptions = wanted) -> Study:
        found = acts.options_from(sheet, reading, wanted, desk.shown)
        return study_of(replace(found, stack="-", line="-", name=found.name or "-"), desk.shown)

    def asked() -> tuple[StudyOptions, Reading]:
        tell("? tells what may be answered, back goes to the question before.")
        placed = ask_place(book, wanted, desk.shown, name=Path(file).stem)
        reading = reading_asked(sheet, said, None, check)
        told = ask_target(replace(placed, hand_min=acts.options_from(sheet, reading, wanted, desk.shown).hand_min))
        known = typed.limits(told.limits, None, desk.shown)
        names = [name for name in missing(check(reading)) if getattr(known, LIMIT_NAMES[name]) is None]
        limits = ask_all_limits(
            names, desk.shown, lambda texts: check(reading, replace(told, limits=[*told.limits, *texts]))
        )
        return replace(told, limits=[*told.limits, *limits]), reading

    if desk.can_ask:
        wanted, reading = questions(asked)
    else:
        wanted = replace(wanted, name=wanted.name or Path(file).stem)
        lacking = missing_limits((), typed.limits(wanted.limits, None, desk.shown))
        example = " ".join(f"--limit {LIMIT_OPTIONS[name]}=..." for name in lacking)
        problems = [
            InputError(
                "--limit", f"{len(lacking)} missing", "every limit of the makers' data sheets", f"Add {example}."
            )
        ]
        reading = reading_told(sheet, said, None, check, problems if lacking else ())
    made, found, fields = acts.begin_with_sheet(book, wanted, sheet, reading, desk.shown, file=file)
    record, notes = made.record, (*found.notes, reading.as_note())
    return made, recorded(book, record, found.coupons, fields, notes, acts.judgement_of(book, record))
