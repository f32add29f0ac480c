"""Writing the sheets and sticker labels of a round and the report of a study, shared by commands and pages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import pandas as pd

from doe.acts.base import Key, Progress, slug
from doe.acts.conditions import conditions_of, gauges_behind
from doe.acts.confirmation.verdict import confirmation_facts, plans_of, weigh_confirmation
from doe.acts.gauges.line import cautions_said, gauged_line
from doe.acts.study.deviations import history_of
from doe.acts.study.fits import Fitted, Recommended, answer_data, recommend_study
from doe.acts.study.plans import whole_plan
from doe.acts.study.rounds import (
    by_code,
    coupons_to_learn_from,
    is_blind,
    notes_to_learn_from,
    peel_waits,
    results_to_learn_from,
    scale_of,
    with_own_waits,
)
from doe.acts.study.standing import standing_of
from doe.assure.comparison.plan import ComparisonPlan
from doe.book.book import Book
from doe.book.records import AnalysisRecord, StudyRecord
from doe.domain.entry import check_people
from doe.domain.errors import InputError
from doe.domain.outcome import HAND_PREFIX
from doe.domain.plan_kinds import COMPARISON_PLAN, CONFIRM
from doe.domain.serial import from_plain
from doe.domain.units import METRIC, Shown
from doe.setpoint.answer import Answer
from doe.words.conditions import condition_texts
from doe.words.gauges.dials import SCALE_WORDS
from doe.words.wording import local
from reports.files import refuse_folder, write_whole
from reports.names import given_names
from reports.pages import render
from reports.sheet.artwork import SIDE, artwork_pdf, artwork_svg
from reports.sheet.entry import write_entry_csv, write_entry_xlsx
from reports.sheet.key import key_page
from reports.sheet.labels import GRIDS, LabelGrid, check_link, labels_page
from reports.sheet.page import sheet_page
from reports.study.inputs import CouponPhoto, Provenance, StudyReport, photos_for_page
from reports.study.page import study_report


@dataclass(frozen=True)
class Sheets:
    """Files of one round. ``wants_hand``: hand-feel is part of the target; ``cautions`` are about gauges."""

    study: str
    round: int
    people: tuple[str, ...]
    wants_hand: bool
    files: tuple[Path, ...]
    cautions: tuple[str, ...] = ()


def people_of(results: pd.DataFrame) -> tuple[str, ...]:
    """Who has scored hand-feel in a study so far; a name written in two ways (Ana, ana) counts once."""
    names = (str(c).removeprefix(HAND_PREFIX) for c in results.columns if str(c).startswith(HAND_PREFIX))
    once: dict[str, str] = {}
    for name in names:
        once.setdefault(name.casefold(), name)
    return tuple(once.values())


def write_sheets(
    book: Book,
    key: Key,
    output: Path,
    *,
    people: Sequence[str] | None = None,
    round_number: int | None = None,
    shown: Shown,
    made_by: str,
) -> Sheets:
    """Write bench sheet and entry files of a round into a folder, or one of them to a file.

    Raises
    ------
    InputError
        If there is no plan or no such round, or the place cannot be written.
    """
    record, number, coupons = _round(book, key, round_number)
    check_people(people or ())
    names = tuple(people) if people else people_of(book.results(record.id, include_void=True))
    coupons = by_code(book, record.id, coupons)
    ends = {"-sheet.html": ".html", ".xlsx": ".xlsx", ".csv": ".csv"}
    targets = _targets(output, record, number, ends, "a folder, or a file ending in .html, .xlsx or .csv")
    if _is_planned(coupons):  # rows of the entry files as in the queue at the press
        coupons = coupons.sort_values(["press_order", "coupon"])
    else:  # brought in from a sheet that does not say how they were made
        targets = [target for target in targets if target.suffix.lower() != ".html"]
        if not targets:
            raise InputError(
                f"round {number} of {record.name}",
                "coupons that were made without a plan",
                "a planned round",
                "Write an entry file for them: end the name in .xlsx or .csv.",
            )
    info = book.plan_info(record.id).rounds[number - 1]
    gauged = gauged_line(book, record)
    cautions = cautions_said(book, record, shown, gauged)
    known = standing_of(book, record.id)
    for target in targets:
        if target.suffix.lower() == ".html":
            page = sheet_page(
                record.study,
                record.stack,
                record.line,
                coupons,
                made_at=local(datetime.now(UTC)),
                people=names,
                shown=shown,
                made_by=made_by,
                notes=info.notes,
                gauged=gauged,
                cautions=cautions,
                confirms=info.kind == CONFIRM,
                standing=known,
                waits=peel_waits(book, record.id),
            )
            write_whole(target, render("sheet.html", page, names=given_names(record, names, made_by)))
        else:
            write = write_entry_xlsx if target.suffix.lower() == ".xlsx" else write_entry_csv
            # a wait would tell the film beside its score: it stands where the maker reads
            own = with_own_waits(book, record.id, coupons.drop(columns="material", errors="ignore"))
            write(target, record.study, own, names, shown=shown, gauged=gauged)
    if len(targets) > 1 and is_blind(book, record.id):  # a folder was named
        targets.append(write_key(book, record.id, output, round_number=number, shown=shown))
    return Sheets(record.name, number, names, record.study.spec.hand_min is not None, tuple(targets), cautions)


def write_key(book: Book, key: Key, output: Path, *, round_number: int | None = None, shown: Shown = METRIC) -> Path:
    """Write the key of a comparison scored blind into a folder, or to an .html file: which code is which material.

    Raises
    ------
    InputError
        If the study is none, there is no such round, or the place cannot be written.
    """
    record, number, coupons = _round(book, key, round_number)
    if not is_blind(book, record.id):
        raise InputError(
            f"key of {record.name}",
            "a study that is not scored blind",
            "a comparison begun as blind",
            "The bench sheet says what each coupon is.",
        )
    plan = from_plain(ComparisonPlan, book.analyses(record.id, COMPARISON_PLAN)[-1].payload)
    (target,) = _targets(output, record, number, {"-key.html": ".html"}, "a folder, or a file ending in .html")
    page = key_page(record.study, plan, coupons, shown)
    return write_whole(target, render("key.html", page, names=given_names(record, plan.new, plan.in_use)))


def _round(book: Book, key: Key, round_number: int | None) -> tuple[StudyRecord, int, pd.DataFrame]:
    """A study, one of its rounds (the last where none is named), and the coupons of that round."""
    record = book.study(key)
    plan = whole_plan(book, record)
    number = plan.rounds if round_number is None else round_number
    if not 1 <= number <= plan.rounds:
        raise InputError("--round", number, f"1 to {plan.rounds}", "Choose a round of the study.")
    return record, number, plan.coupons[plan.coupons["round"] == number]


def _targets(output: Path, record: StudyRecord, number: int, ends: Mapping[str, str], allowed: str) -> list[Path]:
    """Files to write: the one that is named, or one for each of ``ends`` (of names, to endings) in a folder."""
    if output.suffix.lower() in ends.values():
        return [output]
    if output.suffix and not output.is_dir():
        raise InputError("--output", output.name, allowed, "Correct the ending.")
    return [output / f"{slug(record.name)}-round-{number}{end}" for end in ends]


def _is_planned(coupons: pd.DataFrame) -> bool:
    """Whether a bench sheet can say in which batches and order these are made."""
    needed = ("cure_batch", "press_batch", "cure_order", "press_order")
    return all(name in coupons and coupons[name].notna().all() for name in needed)


@dataclass(frozen=True)
class Labels:
    """Label sheets that were written: of which study and round, on which sheets, how many labels, what codes hold."""

    study: str
    round: int
    path: Path
    grid: LabelGrid
    labels: int
    link: str


def write_labels(
    book: Book,
    key: Key,
    output: Path,
    *,
    grid: str,
    link: str = "",
    skip: int = 0,
    round_number: int | None = None,
) -> Labels:
    """Write the labels of a round into a folder, or to an .html file.

    Raises
    ------
    InputError
        If there is no plan or no such round, the grid or the address is none, or the place cannot be written.
    """
    record, number, coupons = _round(book, key, round_number)
    (target,) = _targets(output, record, number, {"-labels.html": ".html"}, "a folder, or a file ending in .html")
    page = labels_page(
        record.study,
        coupons,
        grid=grid,
        made_at=local(datetime.now(UTC)),
        round_number=number,
        study_id=record.id,
        link=link,
        skip=skip,
    )
    path = write_whole(target, render("labels.html", page, names=given_names(record)))
    return Labels(record.name, number, path, GRIDS[grid], len(coupons), check_link(link))


@dataclass(frozen=True)
class Artwork:
    """A test image that was written, and its width and height in mm."""

    path: Path
    side_mm: float


def write_artwork(output: Path, *, mirrored: bool = False) -> Artwork:
    """Write the test image for coupons to an .svg or .pdf file.

    Raises
    ------
    InputError
        If the ending is another, or the place cannot be written.
    """
    ending = output.suffix.lower()
    if ending not in (".svg", ".pdf"):
        raise InputError("--artwork", output.name, "a file ending in .svg or .pdf", "Correct the ending.")
    made = artwork_svg(mirrored=mirrored) if ending == ".svg" else artwork_pdf(mirrored=mirrored)
    return Artwork(write_whole(output, made), SIDE)


def write_report(
    book: Book, key: Key, output: Path, *, shown: Shown, seed: int | None = None, progress: Progress | None = None
) -> tuple[Path, Recommended]:
    """Write the study report, and tell where it is; its answer is the kept one as long as the results are the same."""
    refuse_folder(output, "report.html")  # before the work, so that nothing is kept for a report that cannot be written
    tell = progress or (lambda share: None)
    found = recommend_study(book, key, seed=seed, progress=lambda share: tell(0.5 * share))
    page = report_page(book, found, shown=shown)
    tell(0.95)
    return write_whole(output, page), found


def report_page(book: Book, found: Recommended, *, shown: Shown) -> str:
    """The study report as one HTML document."""
    fitted, record = found.fitted, found.fitted.record
    kept = found.kept or book.latest_analysis(record.id, "recommend")
    assert kept is not None  # recommend_study has just kept it
    confirmation = None
    if plans_of(book, record.id):
        confirmation = confirmation_facts(weigh_confirmation(book, record.id))
    gauged = gauged_line(book, record)
    photos, photos_left = _failed_photos(book, found)
    return study_report(
        replace(
            report_facts(book, fitted, found.answer, kept, shown, datetime.now(UTC)),
            plan_notes=(*notes_to_learn_from(book.plan_info(record.id)), SCALE_WORDS[scale_of(book, record)]),
            gauged=gauged,
            gauge_cautions=cautions_said(book, record, shown, gauged),
            confirmation=confirmation,
            standing=standing_of(book, record.id, answer=answer_data(found.answer)),
            photos=photos,
            photos_left=photos_left,
        )
    )


def report_facts(
    book: Book, fitted: Fitted, answer: Answer, kept: AnalysisRecord, shown: Shown, now: datetime
) -> StudyReport:
    """What every report of an answer, kept in the book, rests on: the fit, its coupons, where it comes from."""
    record = fitted.record
    return StudyReport(
        study=record.study,
        stack=record.stack,
        line=record.line,
        surfaces=fitted.surfaces,
        answer=answer,
        coupons=coupons_to_learn_from(book, record.id),
        results=results_to_learn_from(book, record.id, include_void=True),
        provenance=Provenance(kept.inputs_hash, kept.version, kept.made_by, local(kept.made_at), book.seal()),
        made_at=local(now),
        history=history_of(book, record),
        shown=shown,
        conditions=condition_texts(conditions_of(book, record), gauges_behind(book, record.line.name), shown),
    )


def _failed_photos(book: Book, found: Recommended) -> tuple[tuple[CouponPhoto, ...], int]:
    """Photos of the coupons that failed, as many as a page carries, and how many more there are."""
    results = found.fitted.surfaces.results
    failed = set(map(str, results.coupon[~results.passed]))
    there = [p for p in book.photos(found.fitted.record.id) if not p.withdrawn and p.coupon in failed]
    return photos_for_page((p.coupon, p.face, partial(book.photo_image, p.id)) for p in there)
