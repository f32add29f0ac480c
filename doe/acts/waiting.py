"""What waits over the whole book, with its day: washes, looks, gauges, recipes to review or in doubt, coupons."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import date, datetime
from itertools import chain

from doe.acts.study.standing import gauges_due, standing_of_recipe
from doe.book.book import Book
from doe.book.records import STEP, StudyRecord
from doe.domain.spec import Check
from doe.domain.standing import Waits

CASE = "case"
"""Topic of the cases of diagnosis, whose acts load the numerics."""


def what_waits(book: Book) -> tuple[Waits, ...]:
    """Everything that waits, what is due first at the top, what has no day at the end."""
    found = chain(
        (waits for study in book.studies() for waits in _of_study(book, study.id)),
        (
            Waits("gauge", line.name, due.date(), machine=machine)
            for line in book.lines()
            for machine, due in gauges_due(book, line.name).items()
            if line.machine(machine).of is None  # a shared machine waits once
        ),
        (
            Waits("certificate", gauge.name or gauge.lines[0], last.valid_until)
            for gauge in book.gauges()
            if gauge.lines and (last := gauge.certificate) is not None
        ),
        (Waits("review", k.recipe.name, k.recipe.review_on, k.study_id) for k in book.recipes() if k.in_force),
        (
            Waits(
                "doubt",
                k.recipe.name,
                datetime.fromisoformat(str(known.said.values["since"])).astimezone().date(),
                k.study_id,
            )
            for k in book.recipes()
            if k.in_force and (known := standing_of_recipe(book, k)).state == "doubtful"
        ),
        (
            Waits("case", note.name, None, check=str(note.data.get("case", note.id)))
            for note in book.notes(CASE)
            if not note.data.get("back")
        ),
    )
    return tuple(sorted(found, key=lambda w: (w.day is None, w.day or date.max, w.name, w.kind, w.check)))


def _of_study(book: Book, number: int) -> Iterator[Waits]:
    record = book.study(number)
    columns = book.result_columns(number)
    rows = [i for i, void in enumerate(columns["void"]) if not void]
    unmade = tuple(columns["coupon"][i] for i in rows if columns["passed"][i] is None)
    if unmade:
        yield Waits("coupons", record.name, None, number, unmade)
    pressed: dict[str, datetime] = {}
    groups: dict[tuple[Check, date], list[tuple[datetime, str]]] = defaultdict(list)
    for i in rows:
        missing = [c for c in record.study.spec.checks if columns[f"check_{c.name}"][i] is None]
        if not columns["passed"][i] or not missing or not all(c.is_later for c in missing):
            continue
        pressed = pressed or _pressed(book, record)
        name = columns["coupon"][i]
        check = min(missing, key=lambda c: c.wait)
        due = pressed[name] + check.wait
        groups[check, due.astimezone().date()].append((due, name))
    for (check, _), each in groups.items():
        names = tuple(name for _, name in sorted(each))
        yield Waits("look" if check.after_hours else "wash", record.name, min(each)[0], number, names, check.label)


def _pressed(book: Book, record: StudyRecord) -> dict[str, datetime]:
    """When each coupon was pressed: as it was noted at the press, else when it was first scored."""
    found: dict[str, datetime] = {}
    for entry in book.history(record.id):
        if entry.current and entry.field.startswith(("check:", "hand:")) and entry.value is not None:
            found[entry.coupon] = min(entry.at, found.get(entry.coupon, entry.at))
    for note in reversed(book.notes(STEP, record.name)):
        if note.data["step"] == "pressed" and note.data["study_made"] == record.made_at.isoformat():
            found[note.data["coupon"]] = note.at
    return found
