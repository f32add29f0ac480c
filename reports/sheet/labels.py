"""Sticker labels for the coupons of a round, with a code for the page at the press, and texts for heat-proof tags."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from urllib.parse import quote, urlsplit

import pandas as pd
from markupsafe import Markup

from doe.domain.errors import InputError
from doe.domain.limits import refuse_too_hot
from doe.domain.study import Study
from doe.words.wording import date_and_time
from reports.drawing.qr import qr_svg
from reports.sheet.page import Pair


@dataclass(frozen=True)
class LabelGrid:
    """A sheet of labels, all measures in millimetres from the upper left corner of the paper.

    ``paper`` is its usual name; ``width``, ``height`` of the paper; ``columns`` and ``rows`` of labels;
    ``label_width``, ``label_height``; ``left``, ``top`` of the first label; ``across``, ``down`` from one to the next.
    """

    paper: str
    width: float
    height: float
    columns: int
    rows: int
    label_width: float
    label_height: float
    left: float
    top: float
    across: float
    down: float

    @property
    def labels(self) -> int:
        """Labels on a sheet."""
        return self.columns * self.rows

    @property
    def words(self) -> str:
        """What to buy or cut, by its measures."""
        return (
            f"{self.paper} sheets of {self.labels} labels, {self.label_width:g} × {self.label_height:g} mm each, "
            f"in {self.columns} columns and {self.rows} rows"
        )


GRIDS = {
    "a4": LabelGrid("A4", 210, 297, 2, 7, 99.1, 38.1, 4.65, 15.15, 101.6, 38.1),
    # 4 by 1 1/3 inches
    "letter": LabelGrid("Letter", 215.9, 279.4, 2, 7, 101.6, 33.9, 4.0, 21.1, 106.3, 33.9),
}
"""Usual sheets by the name an option takes (common practice, no source)."""


@dataclass(frozen=True)
class Label:
    """One label: ``coupon``, ``left`` and ``top`` on its sheet (CSS lengths), ``order``, ``code``."""

    coupon: str
    left: str
    top: str
    order: str
    code: Markup


@dataclass(frozen=True)
class LabelsPage:
    """Everything on the label sheets of a round.

    Attributes
    ----------
    page_title, study_name : str
    round_line : str
        Round, number of coupons, day; for each label.
    grid_line : str
        Which sheets to put into the printer, and how to print.
    paper_width, paper_height, label_width, label_height : str
        CSS lengths.
    sheets : tuple of tuple of Label
        Labels of each sheet.
    code_line : str
        What the codes hold.
    tags : tuple of Pair
        Coupon, and what to write on its tag with a heat-proof marker.
    """

    page_title: str
    study_name: str
    round_line: str
    grid_line: str
    paper_width: str
    paper_height: str
    label_width: str
    label_height: str
    sheets: tuple[tuple[Label, ...], ...]
    code_line: str
    tags: tuple[Pair, ...]


def labels_page(
    study: Study,
    coupons: pd.DataFrame,
    *,
    grid: str,
    made_at: datetime,
    round_number: int,
    study_id: int,
    link: str = "",
    skip: int = 0,
) -> LabelsPage:
    """Labels of a round, to print at full size; without settings, for whoever scores shall not know them.

    Parameters
    ----------
    study : Study
    coupons : DataFrame
        Coupons of the round: coupon, factors, cure_order, press_order.
    grid : str
        Key of `GRIDS`.
    made_at : datetime
    round_number, study_id : int
    link : str, optional
        Address of the page at the press, such as ``http://192.168.1.20:8731``. Without it the codes hold the coupon's
        name alone.
    skip : int, optional
        Labels already used on the first sheet.

    Raises
    ------
    InputError
        If the grid is unknown, the address is none, or more labels are skipped than a sheet has.
    """
    found = GRIDS.get(grid)
    if found is None:
        raise InputError("--labels", grid, " or ".join(GRIDS), "Name the paper in your printer.")
    if not 0 <= skip < found.labels:
        raise InputError("--skip", skip, f"0 to {found.labels - 1}", "Count the labels already taken off the sheet.")
    base = check_link(link)
    refuse_too_hot(study.factors, {f.name: coupons[f.name] for f in study.numeric}, f"round {round_number}")
    is_planned = coupons.reindex(columns=["cure_order", "press_order"]).notna().all(axis=None)
    in_order = coupons.sort_values(["cure_order", "press_order", "coupon"]) if is_planned else coupons
    labels: list[Label] = []
    for place, (_, row) in enumerate(in_order.iterrows(), start=skip):
        spot = place % found.labels
        name = str(row["coupon"])
        labels.append(
            Label(
                coupon=name,
                left=_mm(found.left + found.across * (spot % found.columns)),
                top=_mm(found.top + found.down * (spot // found.columns)),
                order=_order(row, study),
                code=qr_svg(
                    coupon_address(base, study_id, name), name=f"code{place}", title=f"QR code of coupon {name}"
                ),
            )
        )
    return LabelsPage(
        page_title=f"Labels, {study.name}, round {round_number}",
        study_name=study.name,
        round_line=f"Round {round_number}, {date_and_time(made_at).split(',', maxsplit=1)[0]}",
        grid_line=f"Print on {found.words}, at full size (100 %, not fitted to the page). Hold the first print on "
        "plain paper against a label sheet before it goes in.",
        paper_width=_mm(found.width),
        paper_height=_mm(found.height),
        label_width=_mm(found.label_width),
        label_height=_mm(found.label_height),
        sheets=_sheets(labels, found.labels, skip),
        code_line=f"Each code opens the coupon's page at {base}, from a device that reaches it."
        if base
        else "Each code holds the name of its coupon. With an address (--link) it would open the coupon's page.",
        tags=tuple(Pair(label.coupon, tag_text(study, label.coupon)) for label in labels),
    )


def check_link(link: str) -> str:
    """Address without a closing stroke; empty stays empty.

    Raises
    ------
    InputError
        If it is no address of a page on this shop's network or elsewhere.
    """
    text = link.strip()
    if not text:
        return ""
    try:
        parts = urlsplit(text)
        good = parts.scheme in ("http", "https") and bool(parts.hostname) and (parts.port is None or parts.port > 0)
    except ValueError:  # a port that is no number, brackets that do not close
        good = False
    if not good or parts.query or parts.fragment or any(c.isspace() for c in text) or len(text) > 200:
        raise InputError(
            "--link",
            text,
            "an address such as http://192.168.1.20:8731",
            "Take the address that doe bench shows when it starts.",
        )
    return text.rstrip("/")


def coupon_address(base: str, study_id: int, coupon: str) -> str:
    """What the code of a coupon says.

    >>> coupon_address("http://192.168.1.20:8731", 3, "R1-04"), coupon_address("", 3, "R1-04")
    ('http://192.168.1.20:8731/c/3/R1-04', 'R1-04')
    """
    return f"{base}/c/{study_id}/{quote(coupon, safe='')}" if base else coupon


def tag_text(study: Study, coupon: str) -> str:
    """Short text for a heat-proof marker: plain capitals and digits, the coupon's name first.

    >>> from doe.domain.factors import usual_factor
    >>> tag_text(Study("new powder, März", (usual_factor("press_temp"), usual_factor("dwell"))), "R1-04")
    'R1-04 NPM'
    """
    initials = "".join(word[0] for word in study.name.split() if word[0].isalnum())
    plain = "".join(c for c in initials.upper() if c.isascii())[:4]
    return f"{coupon} {plain}".rstrip()


def _order(row: pd.Series, study: Study) -> str:
    """Its place in each queue, as on the bench sheet."""
    stages = [stage for stage in ("cure", "press") if stage == "press" or any(f.stage == stage for f in study.factors)]
    there = row.reindex([f"{stage}_order" for stage in stages]).dropna()
    return ", ".join(f"{str(name).removesuffix('_order')} {int(place)}" for name, place in there.items())


def _sheets(labels: Sequence[Label], each: int, skip: int) -> tuple[tuple[Label, ...], ...]:
    ends = [0, *range(each - skip, len(labels), each), len(labels)] if labels else []
    return tuple(tuple(labels[i:j]) for i, j in pairwise(ends))


def _mm(length: float) -> str:
    return f"{length:.2f}mm"
