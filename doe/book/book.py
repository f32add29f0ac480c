"""`Book`: the one door to the shop's database."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from doe.book.records import (
    Act,
    AnalysisRecord,
    HistoryEntry,
    KeptReading,
    PlanInfo,
    StudyRecord,
    StudySummary,
)
from doe.domain.gauge import GaugeReading
from doe.domain.score import ScoreEntry
from doe.domain.stack import Line, Stack
from doe.domain.study import Study

if TYPE_CHECKING:
    import pandas as pd


class Book:
    """The shop's database. Open it with `Book.open`; use it as a context manager.

    Every method that changes something is one transaction: all of it is stored, or none. Nothing is overwritten:
    a correction is a new entry that supersedes the old one, and needs a ``why``. Saving what is there already
    changes nothing, so the same command or sheet may safely come twice.

    A study's ``key`` is its id, or its name. Times are UTC.
    """

    @classmethod
    def open(
        cls,
        target: str | Path | None = None,
        *,
        who: str,
        create: bool = True,
        upgrade: bool | None = None,
        now: Callable[[], datetime] | None = None,
    ) -> Self:
        """Open a book, making it first if need be.

        Parameters
        ----------
        target : str or Path, optional
            A file, or an SQLAlchemy URL. By default ``$DOE_BOOK``, else ``doe-book.sqlite`` in the user's data folder.
        who : str
            Who is doing what is done through this book.
        create : bool
            Whether a missing file may be made; its folder must be there.
        upgrade : bool, optional
            What to do with an older book: by default a file is backed up beside itself and upgraded, and a server's
            is refused; True upgrades a server's too (back it up first); False refuses both.
        now : callable, optional
            The clock; for tests.

        Raises
        ------
        InputError
            If it is not a book, damaged, newer than this program, a folder, in a folder that is missing or may not
            be written to, or if ``who`` is empty.
        """
        raise NotImplementedError

    def close(self) -> None:
        """Let go of the file or the server."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # stacks, lines, gauges

    def save_stack(self, stack: Stack, why: str = "") -> None:
        """Keep a stack; one of that name that differs is a correction and needs a ``why``."""
        raise NotImplementedError

    def stacks(self) -> tuple[Stack, ...]:
        """Every stack as it stands now, by name."""
        raise NotImplementedError

    def stack(self, name: str) -> Stack:
        """The stack of that name."""
        raise NotImplementedError

    def save_line(self, line: Line, why: str = "") -> None:
        """Keep a line; one of that name that differs is a correction and needs a ``why``."""
        raise NotImplementedError

    def lines(self) -> tuple[Line, ...]:
        """Every line as it stands now, by name."""
        raise NotImplementedError

    def line(self, name: str) -> Line:
        """The line of that name."""
        raise NotImplementedError

    def add_gauge_reading(self, line_name: str, reading: GaugeReading) -> int:
        """Keep a reading; returns its id."""
        raise NotImplementedError

    def gauge_readings(self, line_name: str) -> tuple[GaugeReading, ...]:
        """The readings of a line that count, oldest first."""
        raise NotImplementedError

    def gauge_history(self, line_name: str) -> tuple[KeptReading, ...]:
        """Every reading of a line, the withdrawn ones too, in the order they were stored."""
        raise NotImplementedError

    def withdraw_gauge_reading(self, reading_id: int, why: str) -> None:
        """Take a mistaken reading back; it stays visible in `gauge_history`."""
        raise NotImplementedError

    # studies

    def add_study(self, study: Study, *, stack: str, line: str) -> int:
        """Keep a new study on a stack and a line; returns its id. The same study again returns the same id."""
        raise NotImplementedError

    def studies(self, include_archived: bool = False) -> tuple[StudySummary, ...]:
        """Every study with its counts, newest first."""
        raise NotImplementedError

    def study(self, key: str | int) -> StudyRecord:
        """A study as it stands."""
        raise NotImplementedError

    def amend_study(
        self, key: str | int, study: Study, why: str, *, stack: str | None = None, line: str | None = None
    ) -> None:
        """Correct a study; stack and line stay as they were unless named, and then are taken as they stand now."""
        raise NotImplementedError

    def archive_study(self, key: str | int, why: str) -> None:
        """Put a study away; nothing of it is deleted."""
        raise NotImplementedError

    def restore_study(self, key: str | int, why: str) -> None:
        """Take an archived study out again."""
        raise NotImplementedError

    # plans

    def save_round(
        self, key: str | int, coupons: pd.DataFrame, *, kind: str, seed: int, notes: Sequence[str] = ()
    ) -> None:
        """Append the coupons of a new round.

        ``coupons`` has the columns of a plan; it may be the whole plan, then the rounds stored already must be the
        same and only the new ones are appended.
        """
        raise NotImplementedError

    def plan_coupons(self, key: str | int) -> pd.DataFrame:
        """Every coupon of a study, with the columns and in the order they were saved."""
        raise NotImplementedError

    def plan_info(self, key: str | int) -> PlanInfo:
        """How each round was made."""
        raise NotImplementedError

    # scores

    def record(self, key: str | int, entries: Sequence[ScoreEntry], *, why: str = "") -> int:
        """Store scores, all of them or none; returns how many fields were new.

        Each field is an entry of its own. A value that differs from what is there is a correction: it supersedes
        and needs a ``why``; a first value needs none, and a value the same person gave already adds nothing.
        A void coupon takes no scores until ``void_reason=""`` takes the void back.

        Raises
        ------
        InputErrors
            Listing at once: unknown and repeated coupons, unknown checks, hand-feel off the scale, void coupons,
            corrections without a why ...
        """
        raise NotImplementedError

    def results(self, key: str | int, *, include_void: bool = False) -> pd.DataFrame:
        """One row a coupon: the latest value of every field.

        Columns: coupon, <factors>, ``actual_<factor>`` (where measured), passed (True, False or None while no check
        is scored), side, ``hand_<person>``, round, cure_batch, press_batch, ... as the plan has them,
        ``check_<check>`` (True, False, None) for every check of the study, symptom (keys joined by ``"; "``), note,
        void (the reason, ``""``).
        """
        raise NotImplementedError

    def history(self, key: str | int, coupon: str | None = None) -> tuple[HistoryEntry, ...]:
        """Everything ever said about the coupons of a study, or one of them, oldest first."""
        raise NotImplementedError

    # analyses

    def save_analysis(
        self, key: str | int, *, kind: str, inputs_hash: str, seed: int, version: str, payload: Mapping[str, Any]
    ) -> int:
        """Keep a fit, recommendation, release ...; returns its id. A ``verdict`` in the payload shows in `studies`."""
        raise NotImplementedError

    def analyses(self, key: str | int) -> tuple[AnalysisRecord, ...]:
        """Everything kept about a study, oldest first."""
        raise NotImplementedError

    def latest_analysis(self, key: str | int, kind: str) -> AnalysisRecord | None:
        """The last one of a kind."""
        raise NotImplementedError

    # looking after the book

    def audit(self, limit: int | None = 100) -> tuple[Act, ...]:
        """The last acts, newest first; all of them with None."""
        raise NotImplementedError

    def backup(self, path: str | Path) -> Path:
        """Copy the whole book to a new file, consistent even while others write."""
        raise NotImplementedError

    def check(self) -> list[str]:
        """Problems found in the book, as sentences; empty when it is sound."""
        raise NotImplementedError

    def export(self, path: str | Path) -> Path:
        """Write everything, history included, to a zip with one JSON file."""
        raise NotImplementedError

    def import_(self, path: str | Path) -> int:
        """Add everything an export holds; returns how many studies came in. Names that clash are refused."""
        raise NotImplementedError
