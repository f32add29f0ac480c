"""Writing the sticker labels of a round."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from doe.acts.base import Key, slug
from doe.acts.study.plans import whole_plan
from doe.domain.errors import InputError
from doe.domain.units import Shown
from doe.words.dates import local
from reports.files import write_whole
from reports.sheet.labels import GRIDS, check_link, label_sheets

if TYPE_CHECKING:
    from doe.book.book import Book


@dataclass(frozen=True)
class Labels:
    """Label sheets that were written: of which study and round, on which sheets, how many labels, what codes hold."""

    study: str
    round: int
    path: Path
    sheets: str
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
    shown: Shown,
) -> Labels:
    """Write the labels of a round into a folder, or to an .html file.

    Raises
    ------
    InputError
        If there is no plan or no such round, the grid or the address is none, or the place cannot be written.
    """
    record = book.study(key)
    plan = whole_plan(book, record)
    number = plan.rounds if round_number is None else round_number
    if not 1 <= number <= plan.rounds:
        raise InputError("--round", number, f"1 to {plan.rounds}", "Choose a round of the study.")
    if output.suffix and output.suffix.lower() != ".html" and not output.is_dir():
        raise InputError("--output", output.name, "a folder, or a file ending in .html", "Correct the ending.")
    target = output if output.suffix.lower() == ".html" else output / f"{slug(record.name)}-round-{number}-labels.html"
    coupons = plan.coupons[plan.coupons["round"] == number]
    page = label_sheets(
        record.study,
        coupons,
        grid=grid,
        made_at=local(datetime.now(UTC)),
        round_number=number,
        study_id=record.id,
        link=link,
        skip=skip,
        shown=shown,
    )
    return Labels(record.name, number, write_whole(target, page), GRIDS[grid].words, len(coupons), check_link(link))
