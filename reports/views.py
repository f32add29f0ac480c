"""View-models of the study report: what the template may print, all of it ready-made."""

from __future__ import annotations

import csv
import io
import re
from base64 import b64encode
from collections.abc import Iterable, Sequence
from dataclasses import InitVar, dataclass, field
from typing import TYPE_CHECKING

from markupsafe import Markup

from reports.sheet.page import Pair
from reports.study.inputs import CouponPhoto

if TYPE_CHECKING:
    import pandas as pd

_NUMBER = re.compile(r"^[-+]?(\d+\.?\d*|\.\d+)(e[-+]?\d+)?$", re.IGNORECASE)
_FIRST = re.compile(r"^[=+\-@\t\r]")


def csv_text(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Rows as CSV with a comma, every line ended as RFC 4180 asks.

    A text that a spreadsheet would take for a formula gets an apostrophe in front: notes and names are typed by people,
    and a file that is opened must not compute anything.

    >>> csv_text(["note"], [["=1+1"], ["-0.5"], ["a, b"]])
    'note\\r\\n\\'=1+1\\r\\n-0.5\\r\\n"a, b"\\r\\n'
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerows([[_harmless(cell) for cell in row] for row in (head, *rows)])
    return buffer.getvalue()


def frame_csv(frame: pd.DataFrame) -> str:
    """A frame as CSV with every digit; nothing where nothing is known."""
    missing, values = frame.isna().to_numpy(), frame.to_numpy(dtype=object)
    rows = [
        ["" if absent else str(value) for value, absent in zip(line, blank, strict=True)]
        for line, blank in zip(values, missing, strict=True)
    ]
    return csv_text([str(c) for c in frame.columns], rows)


def csv_link(text: str) -> str:
    """A CSV as an address that holds the whole file, UTF-8 with a mark so that spreadsheets read ° and umlauts."""
    return f"data:text/csv;charset=utf-8;base64,{b64encode(text.encode('utf-8-sig')).decode('ascii')}"


def file_name(caption: str) -> str:
    """Name of the file a table is saved as.

    >>> file_name("Effects on hand-feel (coupons at the ends)")
    'effects-on-hand-feel-coupons-at-the-ends.csv'
    """
    words = re.sub(r"[^a-z0-9]+", "-", caption.lower()).strip("-")
    return f"{words[:60].rstrip('-') or 'table'}.csv"


def _harmless(cell: str) -> str:
    return f"'{cell}" if _FIRST.match(cell) and not _NUMBER.match(cell) else cell


@dataclass(frozen=True)
class SettingDial:
    """One setting of the setpoint, large.

    ``label``; ``big`` in the reader's unit, a temperature as it is dialled in; ``other`` the other temperature unit,
    empty for other kinds; ``surface`` the surface's temperature behind a dial's, or that none is known; ``alone`` how
    far it may move alone, ``expected`` and ``assured`` the windows in which all may move at once, on the dial where
    ``big`` is, empty when there is none.
    """

    label: str
    big: str
    other: str
    surface: str
    alone: str
    expected: str
    assured: str


@dataclass(frozen=True)
class RoomStrip:
    """One setting moved alone: its ``label``, and what to ``dial`` in for the setpoint.

    ``svg`` is the strip; ``room`` how far it may move in words, with its middle ``room_place`` in percent of the
    strip, in steps of 5; ``low_end`` and ``high_end`` what comes at the ends, ``low_side`` and ``high_side`` how
    prints fail there ("under", "over" or empty).
    """

    label: str
    dial: str
    svg: Markup
    room: str
    room_place: str
    low_end: str
    low_side: str
    high_end: str
    high_side: str


@dataclass(frozen=True)
class Rooms:
    """The ``strips``: ``title`` says the nearest cliff, ``key`` how to read them."""

    title: str
    strips: tuple[RoomStrip, ...]
    key: str


@dataclass(frozen=True)
class Picture:
    """A finished figure: ``svg`` inline, ``title`` the finding, ``caption`` how to read it."""

    svg: Markup
    title: str
    caption: str


@dataclass(frozen=True)
class StudyDrawings:
    """What is drawn of an answer first: ``rooms``, and the maps of two settings at a time.

    ``map_key`` says how ``map_pictures`` are read; ``flat_lines`` stand in place of maps that would show nothing.
    """

    rooms: Rooms
    map_pictures: tuple[Picture, ...]
    map_key: str
    flat_lines: tuple[str, ...]


@dataclass(frozen=True)
class Column:
    """Head of a table column: ``text``; ``is_number`` aligns it right."""

    text: str
    is_number: bool


def heads(line: str) -> tuple[Column, ...]:
    """Heads of a table in one line, with ``|`` between them; as in Markdown a colon behind one marks numbers.

    >>> heads("Place | Coupons:")
    (Column(text='Place', is_number=False), Column(text='Coupons', is_number=True))
    """
    return tuple(Column(text.strip().removesuffix(":"), text.rstrip().endswith(":")) for text in line.split("|"))


@dataclass(frozen=True)
class PageTable:
    """A table: ``caption``, ``columns``, and ``rows`` of finished texts, each as long as the columns.

    ``note`` is what must be known to read it, may be empty. ``exact`` is the same as CSV with all its digits, where
    the texts are rounded. ``csv`` is the address of the table as a file inside the page, ``file`` the name it gets.
    """

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    exact: InitVar[str] = ""
    csv: str = field(init=False)
    file: str = field(init=False)

    def __post_init__(self, exact: str) -> None:
        text = exact or csv_text([column.text for column in self.columns], self.rows)
        object.__setattr__(self, "csv", csv_link(text))
        object.__setattr__(self, "file", file_name(self.caption))


@dataclass(frozen=True)
class Drawn:
    """A symptom: ``label`` in words, ``svg`` its drawing, None for a word of the shop's own."""

    label: str
    svg: Markup | None


@dataclass(frozen=True)
class SeenOften:
    """A symptom of several coupons: ``drawn``, and ``times`` in words."""

    drawn: Drawn
    times: str


@dataclass(frozen=True)
class FailedCoupon:
    """A failed coupon: ``name``, ``settings``, ``symptoms``, ``place`` beside the setpoint, ``note``, ``photos``."""

    name: str
    settings: str
    symptoms: tuple[Drawn, ...]
    place: str
    note: str
    photos: tuple[CouponPhoto, ...]


@dataclass(frozen=True)
class FailedGroup:
    """Coupons that failed on one side: ``title`` with their number, ``place`` of most of them, ``coupons``.

    ``seen`` are their symptoms, the most frequent first.
    """

    title: str
    place: str
    seen: tuple[SeenOften, ...]
    coupons: tuple[FailedCoupon, ...]


@dataclass(frozen=True)
class WhatIf:
    """What the panel needs: ``data`` is JSON for the script; ``intro`` says what it shows; ``table`` is for paper."""

    data: Markup
    intro: str
    table: PageTable


@dataclass(frozen=True)
class Note:
    """A foldable explanation: ``question`` as its head, ``answer`` as paragraphs."""

    question: str
    answer: tuple[str, ...]


@dataclass(frozen=True)
class Reason:
    """What one number rests on: ``title``, sentences in ``lines``, a ``table`` or None; on paper if ``is_printed``."""

    title: str
    lines: tuple[str, ...]
    table: PageTable | None
    is_printed: bool


@dataclass(frozen=True)
class ConfirmationSection:
    """What a confirmation says, ready to print.

    Attributes
    ----------
    verdict_kind : str
        Style of the verdict's frame: ready, more or unreachable.
    headline, lead : str
    doubts : tuple of str
        Why the verdict is not about the present answer.
    rule : str
        The rule that was fixed before the coupons were made.
    picture : Picture
        Every coupon with its state.
    lines : tuple of str
        Corners and hand-feel, and what is still missing.
    source_table : Table or None
        Study alone, confirmation alone, both.
    source_notes : tuple of str
    care_lines : tuple of str
        What the numbers cannot know; remarks.
    steps : tuple of str
        What to do now.
    point_table : Table
        Setpoint and corners with settings and counts.
    attempts_line : str
        What several attempts mean; empty for the first.
    attempt_table : Table or None
        Every attempt; None for the first.
    coupon_table : Table
        Every coupon of the last attempt.
    """

    verdict_kind: str
    headline: str
    lead: str
    doubts: tuple[str, ...]
    rule: str
    picture: Picture
    lines: tuple[str, ...]
    source_table: PageTable | None
    source_notes: tuple[str, ...]
    care_lines: tuple[str, ...]
    steps: tuple[str, ...]
    point_table: PageTable
    attempts_line: str
    attempt_table: PageTable | None
    coupon_table: PageTable


@dataclass(frozen=True)
class GaugeNotes:
    """Gauges of the line: ``lead`` what the settings are; ``dial_table`` what to dial in for them, None where no
    reading tells; ``cautions`` about displays and readings; ``pairs`` what the readings are worth.
    """

    lead: str
    dial_table: PageTable | None
    cautions: tuple[str, ...]
    pairs: tuple[Pair, ...]


@dataclass(frozen=True)
class StudyPage:
    """Everything in a study report.

    Attributes
    ----------
    page_title, study_name : str
    facts, made_line : str
        Stack, line and coupons in a sentence; when the report was made, and by whom.
    verdict_kind : str
        Style of the verdict's frame: ready, more or unreachable.
    headline, lead : str
        The verdict, and the answer in two sentences.
    setpoint_title : str
        What the setpoint is called under this verdict.
    may_move : str
        What the ranges under the dials are; empty where there are none.
    dials : tuple of SettingDial
    no_window : str
        Why there is no window; empty where there is one.
    window_lines : tuple of str
        Expected and assured window, one sentence each.
    gauges : GaugeNotes or None
        What to dial in for the setpoint, and what to be careful about.
    prints : Picture
        A hundred prints.
    sure_title : str
    sure_lines : tuple of str
        How sure, in sentences.
    sure_pairs : tuple of Pair
        The same as numbers, and more of them.
    rooms : Rooms
        How far each setting may move alone.
    limits_on_certainty : tuple of str
    steps_title : str
    steps : tuple of str
        What to do now.
    next_table : Table or None
        Coupons to make next.
    level_table : Table or None
        Other levels of categorical factors at the setpoint.
    warnings : tuple of str
    confirmation_title : str
        How far it has come; empty when none was planned.
    confirmation : ConfirmationSection or None
        What the confirmation says; None when none was planned.
    map_pictures, strip_pictures, run_pictures : tuple of Picture
        Maps, coupons tried, run order.
    map_key : str
        How the maps are read.
    flat_lines : tuple of str
        What maps of hand-feel that are as good as flat would show.
    what_if : WhatIf
        Data of the panel in which the reader moves the settings.
    tried_lines : tuple of str
        How the window sits among the coupons tried.
    failed_groups : tuple of FailedGroup
        The failed coupons with what was seen on them; none when all passed.
    photos_note : str
        Photos that are not in the page; empty when all are.
    effect_pictures : tuple of Picture
    decides : str
        The setting that matters most.
    effect_lines : tuple of str
        Curvature and drift, in sentences.
    cliff_table : Table
        All cliffs, nearest first.
    notes : tuple of Note
        Explanations for those who learn.
    belief_lines : tuple of str
        Whether the fit can be believed.
    belief_pairs : tuple of Pair
    why_lines : tuple of str
        What must be known before the reasons are read.
    why_reasons : tuple of Reason
        What each number of the answer rests on; may be empty.
    coupon_table : Table
        Every coupon with settings and scores.
    check_lines : tuple of str
        What the classical checks beside the answer say, and what they cannot say.
    check_tables : tuple of Table
        The same checks as tables.
    target_pairs, stack_pairs, held_pairs, limit_pairs, range_pairs : tuple of Pair
    forbidden_lines : tuple of str
    method_lines : tuple of str
        What was done, in sentences.
    method_pairs : tuple of Pair
        Settings of the method and its error rates.
    prior_pairs : tuple of Pair
        What was assumed before any coupon.
    provenance_pairs : tuple of Pair
    history_table : Table or None
    """

    page_title: str
    study_name: str
    facts: str
    made_line: str
    verdict_kind: str
    headline: str
    lead: str
    setpoint_title: str
    may_move: str
    dials: tuple[SettingDial, ...]
    no_window: str
    window_lines: tuple[str, ...]
    gauges: GaugeNotes | None
    prints: Picture
    sure_title: str
    sure_lines: tuple[str, ...]
    sure_pairs: tuple[Pair, ...]
    rooms: Rooms
    limits_on_certainty: tuple[str, ...]
    steps_title: str
    steps: tuple[str, ...]
    next_table: PageTable | None
    level_table: PageTable | None
    warnings: tuple[str, ...]
    confirmation_title: str
    confirmation: ConfirmationSection | None
    map_pictures: tuple[Picture, ...]
    map_key: str
    flat_lines: tuple[str, ...]
    what_if: WhatIf
    strip_pictures: tuple[Picture, ...]
    run_pictures: tuple[Picture, ...]
    tried_lines: tuple[str, ...]
    failed_groups: tuple[FailedGroup, ...]
    photos_note: str
    effect_pictures: tuple[Picture, ...]
    decides: str
    effect_lines: tuple[str, ...]
    cliff_table: PageTable
    notes: tuple[Note, ...]
    belief_lines: tuple[str, ...]
    belief_pairs: tuple[Pair, ...]
    why_lines: tuple[str, ...]
    why_reasons: tuple[Reason, ...]
    coupon_table: PageTable
    check_lines: tuple[str, ...]
    check_tables: tuple[PageTable, ...]
    target_pairs: tuple[Pair, ...]
    stack_pairs: tuple[Pair, ...]
    held_pairs: tuple[Pair, ...]
    limit_pairs: tuple[Pair, ...]
    range_pairs: tuple[Pair, ...]
    forbidden_lines: tuple[str, ...]
    method_lines: tuple[str, ...]
    method_pairs: tuple[Pair, ...]
    prior_pairs: tuple[Pair, ...]
    provenance_pairs: tuple[Pair, ...]
    history_table: PageTable | None
