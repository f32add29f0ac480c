"""`doe record`: scores into the book, from a file, by flags, or coupon by coupon at the press."""

from __future__ import annotations

from pathlib import Path

from doe.acts.scoring.people import record_looks
from doe.acts.study.plans import whole_plan
from doe.acts.study.rounds import score_counts
from doe.acts.study.standing import standing_of
from doe.book.book import Book
from doe.book.records import StudyRecord
from doe.book.sheets.entry import EntryFile
from doe.cli import own_sheet, scoring
from doe.cli.desk import Desk, Reply, Warn, command
from doe.cli.study_words import step_command
from doe.domain.errors import InputError, quoted
from doe.domain.finding import Finding
from doe.words.facts import filled
from doe.words.people import missing_words
from doe.words.study.plans import plan_notes
from doe.words.study.state import counts_sentence, deviation
from doe.words.study.typed import SheetOptions

MOST_SHOWN = 12
"""Entries that a reply names."""


@command("record")
def record(
    desk: Desk,
    study: str,
    one: scoring.ScoreOptions,
    sheet: SheetOptions,
    file: Path | None = None,
    washes: bool = False,
    again: bool = False,
    take_back: bool = False,
    why: str = "",
) -> Reply:
    """Record scores: from a filled file, for one coupon, from a sheet of your own, or asked one by one."""
    with desk.open(create=False) as book:
        if sum(map(bool, (file, sheet.own_sheet, one.says_anything))) > 1:
            raise InputError(
                "doe record",
                "several sources at once",
                "a file, a sheet of your own, or one coupon",
                "Use one of them at a time.",
            )
        kept = book.study(study)
        if take_back:
            return _taken_back(desk, book, kept, one, why, others=bool(file or sheet.own_sheet or again))
        found = None
        if file is not None:
            found = scoring.read_file(book, kept, file)
        elif one.says_anything:
            whole_plan(book, kept)
            found = EntryFile((scoring.read_typed(kept.study, one, desk.shown),), ())
        elif sheet.own_sheet is None and not desk.can_ask:
            raise InputError(
                f"doe record{' --again' if again else ''}",
                "nothing to record",
                "--file, --coupon or --own-sheet",
                "See: doe record --help.",
            )
        if again:
            if sheet.own_sheet is not None:
                raise InputError(
                    "--again", "a sheet of your own", "an entry file, one coupon, or nothing", "Leave one out."
                )
            return _again(desk, book, kept, found)
        if found is not None:
            done = scoring.record_entries(book, kept, found, why=why)
        elif sheet.own_sheet is not None:
            done = own_sheet.bring_in(desk, book, kept, sheet, why=why)
        else:
            done = scoring.ask_coupons(book, kept, desk.shown, people=sheet.person, washes=washes)
        following = step_command(kept.study, standing_of(book, study).steps[0])
    notes = plan_notes(done.notes, kept.study, desk.shown)
    apart = () if done.confirmation_counts is None else (f"Confirmation: {counts_sentence(done.confirmation_counts)}",)
    return Reply(
        {**vars(done), "notes": notes, "note_facts": done.notes},
        (
            filled("{n:coupon}: {new:new entry/new entries}.", n=done.coupons, new=done.new_fields),
            *((counts_sentence(done.counts),) if done.counts.coupons or not apart else ()),
            *apart,
            *map(Warn, notes),
            *done.judgement,
        ),
        (following,),
    )


def _taken_back(
    desk: Desk, book: Book, record: StudyRecord, one: scoring.ScoreOptions, why: str, *, others: bool
) -> Reply:
    """Take the last recording back, or the last one of a coupon."""
    if others or one != scoring.ScoreOptions(coupon=one.coupon):
        raise InputError("--take-back", "something to record", "--coupon and --why alone", "Do one after the other.")
    taken = book.take_back(record.id, coupon=one.coupon, why=why)
    counts = score_counts(book, record.id)
    facts = [
        Finding("corrected", {"coupon": t.coupon, "field": t.field, "before": t.was, "after": t.now}) for t in taken
    ]
    coupons = list(dict.fromkeys(t.coupon for t in taken))
    return Reply(
        {"study": record.name, "taken_back": taken, "counts": counts},
        (
            filled("Taken back: {n:entry/entries} of {c:coupon}.", n=len(taken), c=len(coupons)),
            *(deviation(fact, record.study, desk.shown) for fact in facts[:MOST_SHOWN]),
            *((f"... and {len(facts) - MOST_SHOWN} more.",) if len(facts) > MOST_SHOWN else ()),
            counts_sentence(counts),
        ),
        (step_command(record.study, standing_of(book, record.id).steps[0]),),
    )


def _again(desk: Desk, book: Book, record: StudyRecord, found: EntryFile | None) -> Reply:
    """Store further, blind looks, or ask for them; nothing of the first scores is shown."""
    notes: tuple[str, ...] = ()
    if found is None:
        coupons, fields = scoring.ask_again(book, record.id, desk.name)
    else:
        _, coupons, fields, left = record_looks(book, record.id, found.entries, desk.name)
        notes = (*plan_notes(found.notes, record.study, desk.shown), *missing_words(left))
    said = filled(
        "{n:coupon} looked at again: {new:new entry/new entries}, kept beside the first scores. No result of the study "
        "changed.",
        n=coupons,
        new=fields,
    )
    return Reply(
        {"study": record.name, "coupons": coupons, "new_fields": fields, "again": True, "notes": notes},
        (said, *map(Warn, notes)),
        (f"doe people {quoted(record.name)}",),
    )
