"""Coupons made elsewhere: their sheet is sent, its columns are looked at, and a study begins with it."""

from __future__ import annotations

import base64
import hashlib
import io
import secrets
import tempfile
import time
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from starlette.responses import Response

from doe.acts.study import own_sheet as acts
from doe.acts.study.limits import missing
from doe.acts.study.own_sheet import Reading
from doe.bench.guard import SHEET_BYTES
from doe.bench.views import Hidden
from doe.bench.web import Visit, page
from doe.book.sheets.foreign import ColumnUse, ForeignSheet, read_foreign
from doe.book.sheets.foreign_results import FAIL, NOTHING, PASS, BadRows, ForeignResults, row_name, word_key
from doe.domain.errors import InputError, InputErrors
from doe.domain.factors import KNOWN_FACTORS
from doe.domain.limits import LIMIT_OPTIONS, missing_limits
from doe.domain.spec import DEFAULT_CHECKS, Spec
from doe.domain.study import Study
from doe.domain.units import SYMBOLS, fixed
from doe.office.begin import COLUMNS, DRAFT, SHEET, Said, draft, forget, kept, screen, sent
from doe.office.limits import limit_fields, limits_sent
from doe.office.steps import lines_of, told
from doe.office.views import AskPage, Field, Form, Option
from doe.symptoms.catalogue import CATALOGUE, may_be_meant, symptom
from doe.words import typed
from doe.words.study.typed import StudyOptions, study_of
from doe.words.wording import amount_range, count

ENDINGS = ".xlsx,.csv,.tsv,.txt"
MOST_UNPACKED = 20_000_000
"""Bytes that a workbook sent to a page may unpack to; at a terminal a larger one is taken."""
MOST_COLUMNS = 60
MOST_ROWS_NAMED = 40
READ = "read"
"""In a draft: which of the files that were sent is meant."""
UNSAID = ""

Problems = Mapping[str, InputError]


def choose(visit: Visit, problem: InputError | None = None) -> Response:
    """Ask for the file."""
    form = _file_form("", () if problem is None else lines_of(problem))
    view = AskPage(visit.frame(), told("begin_heading"), (), (form,))
    return page("office_ask.html", view, status=422 if problem else 200)


def _file_form(key: str, problems: tuple[str, ...] = ()) -> Form:
    hint = told("sheet_file_hint", megabytes=SHEET_BYTES // 1024 // 1024)
    field = Field("file", told("sheet_file"), hint=hint, problem=" ".join(problems), accepts=ENDINGS)
    return Form(
        told("sheet_title"),
        "/own-sheet",
        told("sheet_take"),
        (told("sheet_lead"),),
        (field,),
        more_hidden=(Hidden("draft", key),),
        is_quiet=bool(key),
        takes_file=True,
    )


def take(visit: Visit) -> Response | str:
    """Read the file that was sent; one in place of the first keeps what was said of columns of the same names."""
    file, name = visit.upload("file"), visit.file_name("file")
    key, state = visit.text("draft"), visit.bench.shop.page_state()
    before = state.get(DRAFT, key) if key else None
    said: Said = {} if before is None else before[0]
    try:
        if file is None:
            raise InputError("file", "nothing", "a workbook or text file with something in it", "Choose the sheet.")
        data = file.read()
        with visit.bench.photo_turn:  # one at a time: a large workbook takes memory for a moment
            sheet = _read(data, name)
    except InputError as error:
        return choose(visit, error)
    headings = hashlib.sha256("\n".join(sheet.headings).encode()).hexdigest()
    if said.get("headings") != headings:
        said = {field: value for field, value in said.items() if not field.startswith("use_")}
    said.pop(COLUMNS, None)
    stem = Path(sheet.name).stem if said.get("name", "") == "" else said["name"]
    said |= {SHEET: name, "headings": headings, "name": stem, READ: secrets.token_urlsafe(6)}
    key = key if before is not None else secrets.token_urlsafe(9)
    state.put(SHEET, key, base64.b64encode(data).decode(), time.time())
    return kept(visit, key, said)


def _read(data: bytes, name: str) -> ForeignSheet:
    """A sheet out of what was sent."""
    if data.startswith(b"PK"):
        try:
            with zipfile.ZipFile(io.BytesIO(data)) as packed:
                unpacked = sum(part.file_size for part in packed.infolist())
        except zipfile.BadZipFile:
            unpacked = 0  # said by whoever reads it
        if unpacked > MOST_UNPACKED:
            allowed = f"at most {MOST_UNPACKED // 1_000_000} MB"
            raise InputError(name, f"{fixed(unpacked / 1e6)} MB unpacked", allowed, "Keep only the coupons.")
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / (name or "sheet")
        place.write_bytes(data)
        sheet = read_foreign(place)
    if len(sheet.headings) > MOST_COLUMNS:
        raise InputError(name, f"{len(sheet.headings)} columns", f"at most {MOST_COLUMNS}", "Keep those that count.")
    return sheet


def _sheet(visit: Visit, key: str, said: Said) -> ForeignSheet:
    """The sheet of a draft; read once, and kept."""

    def read() -> ForeignSheet:
        found = visit.bench.shop.page_state().get(SHEET, key)
        if found is None:
            raise InputError("sheet", "no such", "one that was sent", "Send it again.")
        return _read(base64.b64decode(found[0]), said[SHEET])

    return visit.bench.shop.kept((SHEET, key, said.get(READ)), read)


# what the columns are


@dataclass(frozen=True)
class Looked:
    """How a sheet is read by what was said: its ``reading``, the ``study`` of it and its coupons, or what is wrong.

    ``words`` are those that are to be explained, with the rows they stand in; ``problems`` stand by field, ``""`` for
    those of none; ``rows`` are those that cannot be used, each with why.
    """

    reading: Reading
    words: Mapping[str, list[int]]
    problems: Problems
    rows: Mapping[int, tuple[str, ...]]
    study: Study | None = None
    found: ForeignResults | None = None


def see(visit: Visit) -> Response:
    """What each column seems to be, to be looked at."""
    key, said = draft(visit)
    sheet = _sheet(visit, key, said)
    return _columns(visit, key, said, sheet, _look(visit, sheet, said), is_new=COLUMNS not in said)


def columns(visit: Visit) -> Response | str:
    """Keep what the columns and words are; what cannot be read so is asked again."""
    key, said = sent(visit)
    said = {f: value for f, value in said.items() if not f.startswith("leave_") or visit.text(f) == "yes"}
    sheet = _sheet(visit, key, said)
    looked = _look(visit, sheet, said)
    if looked.problems or looked.rows:
        said.pop(COLUMNS, None)
        kept(visit, key, said)
        return _columns(visit, key, said, sheet, looked, is_new=False)
    return kept(visit, key, {**said, COLUMNS: "yes"})


def _look(visit: Visit, sheet: ForeignSheet, said: Said) -> Looked:
    """The sheet as it is read by what was said so far."""
    problems: dict[str, InputError] = {}
    uses = acts.proposed_uses(sheet, None)
    for number, (heading, use) in enumerate(uses.items()):
        role = said.get(f"use_{number}", use.role)
        try:
            uses[heading] = use if role == use.role else acts.use_named(role, heading, None)
        except InputError as error:
            problems[f"use_{number}"] = error
    left_out = tuple(row_name(sheet, uses, row) for row in _left_out(said))
    people = (said["people"],) if said.get("people") else ()
    reading = acts.with_everyday_words(sheet, Reading(uses, {}, left_out, people))
    words = acts.unclear_words(sheet, reading)
    meanings: dict[str, str] = {}
    for word, rows in words.items():
        meaning, field = said.get(_word_field(word), UNSAID), _word_field(word)
        try:
            if meaning == UNSAID:
                where = f"{sheet.name}, {count(len(rows), 'row')}"
                raise InputError(where, repr(word), told("sheet_allowed"), told("sheet_remedy"))
            meanings[word_key(word)] = meaning if meaning in (PASS, FAIL, NOTHING) else symptom(meaning).key
        except InputError as error:
            problems[field] = error
            meanings[word_key(word)] = NOTHING  # so that what else is wrong is said at once
    reading = replace(reading, words={**reading.words, **meanings})
    bad: dict[int, tuple[str, ...]] = {}
    try:
        study = _study(visit, sheet, reading, StudyOptions(name="-"))
        found = acts.read_coupons(sheet, study, acts.fitting(reading, study))
        return Looked(reading, words, problems, bad, study, found)
    except InputErrors as error:
        rows_of = error.rows if isinstance(error, BadRows) else (None,) * len(error.problems)
        for problem, row in zip(error.problems, rows_of, strict=True):
            if row is None:
                problems.setdefault("", InputErrors([*_inside(problems.get("")), problem]))
            else:
                bad[row] = (*bad.get(row, ()), *lines_of(problem))
    except InputError as error:
        problems[""] = error
    return Looked(reading, words, problems, bad)


def _left_out(said: Said) -> list[int]:
    """Rows that were ticked to be left out."""
    rows = (f.removeprefix("leave_") for f, value in said.items() if f.startswith("leave_") and value == "yes")
    return [int(row) for row in rows if row.isdecimal()]


def _inside(error: InputError | None) -> tuple[InputError, ...]:
    return () if error is None else error.problems if isinstance(error, InputErrors) else (error,)


def _study(visit: Visit, sheet: ForeignSheet, reading: Reading, wanted: StudyOptions) -> Study:
    """The study that begins with a sheet read so."""
    shown = visit.bench.shop.shown
    return study_of(replace(acts.options_from(sheet, reading, wanted, shown), stack="-", line="-"), shown)


def _word_field(word: str) -> str:
    """The field that asks what a word means; words may hold anything, names of fields may not."""
    return "word_" + hashlib.sha256(word_key(word).encode()).hexdigest()[:12]


def _columns(visit: Visit, key: str, said: Said, sheet: ForeignSheet, looked: Looked, *, is_new: bool) -> Response:
    fields = []
    for number, (heading, use) in enumerate(looked.reading.uses.items()):
        examples = list(dict.fromkeys(str(cell) for cell in sheet.rows[heading] if cell))[:3]
        hint = told(
            "sheet_column_empty" if not examples else "sheet_column_unit" if use.unit else "sheet_column",
            examples=", ".join(each[:40] for each in examples),
            unit=SYMBOLS.get(use.unit, use.unit),
        )
        field = f"use_{number}"
        fields.append(Field(field, heading, hint=hint, options=_uses(use), is_list=True, is_half=True))
    if looked.words:
        fields.append(Field("", told("sheet_words"), is_heading=True, hint=told("sheet_words_hint")))
    for word, rows in looked.words.items():
        field = _word_field(word)
        hint = told("sheet_word_hint", rows=len(rows), first=rows[0])
        options = _meanings(word, said.get(field, UNSAID))
        label = told("sheet_word", word=word)
        fields.append(Field(field, label, hint=hint, options=options, is_list=True, is_half=True))
    if any(use.role == "hand" for use in looked.reading.uses.values()):
        value = said.get("people", "")
        fields.append(Field("people", told("sheet_people"), value=value, hint=told("sheet_people_hint")))
    rows_named = {**dict.fromkeys(_left_out(said), ()), **looked.rows}
    if rows_named:
        fields.append(Field("", told("sheet_rows"), is_heading=True, hint=told("sheet_rows_hint")))
    for row, why in sorted(rows_named.items())[:MOST_ROWS_NAMED]:
        is_out = said.get(f"leave_{row}") == "yes"
        fields.append(
            Field(f"leave_{row}", told("sheet_leave", row=row), is_tick=True, is_on=is_out, hint=" ".join(why))
        )
    read = told("sheet_read", file=sheet.name, rows=len(sheet.rows), columns=len(sheet.headings), dialect=sheet.dialect)
    lines = (read, *sheet.notes, *(() if looked.study is None else _asked_about(visit, looked)))
    form = Form(told("begin_columns"), "/own-columns", told("onward"), fields=tuple(fields))
    # before anything was said, what is missing is only asked
    problems: Problems = {} if is_new else looked.problems
    if looked.rows and not is_new:
        found, allowed = told("sheet_rows_found", rows=len(looked.rows)), told("sheet_rows_allowed")
        rows_wrong = InputError(sheet.name, found, allowed, told("sheet_rows_remedy"))
        problems = {**problems, "": InputErrors([*_inside(problems.get("")), rows_wrong])}
    return screen(visit, "columns", form, problems, key, said, lines, (_file_form(key),))


def _uses(use: ColumnUse) -> tuple[Option, ...]:
    """What a column may be, the present use chosen."""
    names = list(acts.roles_of(None))
    names += [use.role] if use.role not in names else []
    return tuple(Option(role, _use_words(role), is_on=role == use.role) for role in names)


def _use_words(role: str) -> str:
    kind, _, rest = role.partition("_")
    if kind == "hand" and rest:
        return told("use_hand_by", person=rest)
    if kind == "check":
        return next((c.label for c in DEFAULT_CHECKS if c.name == rest), rest)
    if role in KNOWN_FACTORS:
        return KNOWN_FACTORS[role].label
    labels = acts.roles_of(None).get(role, ())
    return labels[0] if labels else told(f"use_{role}")


def _meanings(word: str, chosen: str) -> tuple[Option, ...]:
    """What a word may mean, the likeliest things seen first."""
    likely = may_be_meant(word)
    keys = (*likely, *(s.key for s in CATALOGUE if s.key not in likely))
    offered = [(UNSAID, told("sheet_choose")), *((m, told(f"means_{m}")) for m in (PASS, FAIL, NOTHING))]
    offered += [(key, symptom(key).label) for key in keys]
    return tuple(Option(value, text, is_on=value == chosen) for value, text in offered)


def _asked_about(visit: Visit, looked: Looked) -> tuple[str, ...]:
    assert looked.study is not None
    shown = visit.bench.shop.shown
    each = [
        f"{f.label} {' / '.join(f.levels) if f.is_categorical else amount_range(f, f.low, f.high, shown)}"
        for f in looked.study.factors
    ]
    said = [told("sheet_differs", each="; ".join(each))]
    if looked.found is not None:
        coupons, scored = len(looked.found.coupons), len(looked.found.entries)
        said.append(told("sheet_coupons", coupons=coupons, scored=scored))
    return tuple(said)


# what is asked of them


def ask(visit: Visit, problems: Problems | None = None) -> Response:
    """Name, target and limits of the study."""
    key, said = draft(visit)
    return _ask(visit, key, said, problems or {})


def _ask(visit: Visit, key: str, said: Said, problems: Problems) -> Response:
    sheet = _sheet(visit, key, said)
    looked, usual, shown = _look(visit, sheet, said), Spec(), visit.bench.shop.shown
    if looked.study is None:
        return _columns(visit, key, said, sheet, looked, is_new=False)
    fields = [
        Field("name", told("study_name"), value=said.get("name", ""), hint=told("study_name_hint")),
        Field("pass_rate", told("pass_rate"), value=said.get("pass_rate", f"{usual.pass_rate:.0%}")),
    ]
    if _is_felt(looked.reading):
        value = said.get("hand_min", f"{usual.hand_min:g}")
        fields.append(Field("hand_min", told("hand_min"), value=value, hint=told("hand_hint")))
    value = said.get("assurance", f"{usual.assurance:.0%}")
    fields.append(Field("assurance", told("assurance"), value=value, hint=told("assurance_hint")))
    fields.append(Field("", told("limits_title"), is_heading=True, hint=told("limits_lead")))
    for name in missing(looked.study):
        fields += limit_fields(name, shown, said.get(name, ""), said.get(f"{name}_source", ""))
    form = Form(told("begin_question"), "/own-question", told("sheet_store"), fields=tuple(fields))
    return screen(visit, "question", form, dict(problems), key, said, _asked_about(visit, looked))


def _is_felt(reading: Reading) -> bool:
    return any(use.role.partition("_")[0] == "hand" for use in reading.uses.values())


def store(visit: Visit) -> Response | str:
    """Store the study with the coupons of the sheet; what cannot be read is asked again beside its field."""
    key, said = sent(visit)
    sheet, shown = _sheet(visit, key, said), visit.bench.shop.shown
    looked = _look(visit, sheet, said)
    if looked.study is None or looked.problems or looked.rows:
        return _columns(visit, key, said, sheet, looked, is_new=False)
    names = missing(looked.study)
    limits, texts, wrong = limits_sent(visit, names, None)
    problems = dict(wrong)
    for field in missing_limits(looked.study.factors, limits):
        name = LIMIT_OPTIONS[field]
        if name not in problems and f"{name}_source" not in problems:
            problems[name] = InputError(name, "nothing", told("limit_from_sheet"), told("limit_ask_maker"))
    rate, hand, sure = (said.get(name, "") for name in ("pass_rate", "hand_min", "assurance"))
    hand = hand or "none" if _is_felt(looked.reading) else ""
    tries: dict[str, Callable[[], object]] = {
        "pass_rate": lambda: typed.spec(rate or None, None, None, ()),
        "hand_min": lambda: typed.spec(None, hand or "none", None, ()),
        "assurance": lambda: typed.spec(None, None, sure or None, ()),
    }
    for field, act in tries.items():
        try:
            act()
        except InputError as error:
            problems[field] = error
    if not said.get("name"):
        problems["name"] = InputError("name", "nothing", "a few words", "Say what is being tuned.")
    kept(visit, key, said)
    if problems:
        return _ask(visit, key, said, problems)
    wanted = StudyOptions(
        name=said["name"],
        stack=said.get("stack", ""),
        line=said.get("line", ""),
        limits=texts,
        pass_rate=rate or None,
        hand_min=hand or None,
        assurance=sure or None,
    )
    try:
        with visit.storing() as book:
            made, _, _ = acts.begin_with_sheet(book, wanted, sheet, looked.reading, shown, file=said[SHEET])
    except InputError as error:
        return _ask(visit, key, said, {"": error})
    forget(visit, key)
    return f"/study/{made.record.id}"
