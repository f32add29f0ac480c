"""`Book`: the one door to the shop's database."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from doe.book import backups, chain, transfer, upkeep
from doe.book.analyses import Analyses
from doe.book.engine import words_for_errors
from doe.book.photos import Photos
from doe.book.recipes import Recipes
from doe.book.records import Act, NewAnalysis, NewRound
from doe.book.schema import copy_file
from doe.book.scores import Scores
from doe.book.store import records
from doe.book.tables import acts
from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.domain.plan_kinds import Scale
from doe.domain.score import ScoreEntry
from doe.domain.stack import Stack
from doe.domain.study import Study

if TYPE_CHECKING:
    import pandas as pd


class Book(Scores, Analyses, Recipes, Photos):
    """The shop's database. Open it with `Book.open`; use it as a context manager.

    Every method that changes something is one transaction: all of it is stored, or none; several are one within
    ``with book.writing():``. Nothing is overwritten: a correction is a new entry that supersedes the old one, and
    needs a ``why``. Saving a stack, line, round, score or analysis that is there already changes nothing, so the same
    sheet may safely come twice.

    A study's ``key`` is its id, or its name. Times are UTC.
    """

    def begin_study(
        self,
        study: Study,
        *,
        stack: Stack | str,
        line: str,
        rounds_made: Sequence[NewRound] = (),
        analyses_made: Sequence[NewAnalysis] = (),
        why: str = "",
    ) -> int:
        """Keep a new study with its stack (when it is given whole), rounds and analyses in one transaction.

        For studies that make no sense without their coupons or what was decided about them beforehand. Raises what
        `save_stack`, `add_study`, `save_round`, `record` and `save_analysis` raise.
        """
        with self.writing():
            if isinstance(stack, Stack):
                self.save_stack(stack, why)
            number = self.add_study(study, stack=stack.name if isinstance(stack, Stack) else stack, line=line)
            for made in rounds_made:
                self.save_round(
                    number, made.coupons, kind=made.kind, seed=made.seed, notes=made.notes, scale=made.scale
                )
                if made.entries:
                    self.record(number, made.entries, why=why)
            for kept in analyses_made:
                self.save_analysis(number, **vars(kept))
            return number

    def save_round_with(
        self,
        key: str | int,
        coupons: pd.DataFrame,
        *,
        round_kind: str,
        scale: Scale,
        notes: Sequence[Finding | str],
        seed: int,
        **analysis: Any,
    ) -> int:
        """Append a round together with the analysis that says what it is for, both or neither; returns the latter's id.

        A rule that coupons are judged by must not come into the book after them. ``coupons`` as for `save_round`, the
        rest as for `save_analysis`.
        """
        with self.writing():
            if not self.save_round(key, coupons, kind=round_kind, seed=seed, notes=notes, scale=scale):
                raise InputError(
                    "round",
                    "the same coupons stored already",
                    "coupons of a new round",
                    "Somebody else was faster: look what is planned, and plan anew.",
                )
            return self.save_analysis(key, seed=seed, **analysis)

    def bring_in(
        self,
        key: str | int,
        coupons: pd.DataFrame,
        entries: Sequence[ScoreEntry],
        *,
        kind: str,
        notes: Sequence[Finding | str] = (),
        why: str = "",
    ) -> int:
        """Store coupons that were made elsewhere together with their scores, all or none; returns the new fields.

        ``coupons`` as for `save_round`, ``entries`` as for `record`; raises what those raise.
        """
        with self.writing():
            self.save_round(key, coupons, kind=kind, seed=0, notes=notes)
            return self.record(key, entries, why=why)

    def audit(self, limit: int | None = 100) -> tuple[Act, ...]:
        """The last acts, newest first; all of them with None."""
        with self.reading() as connection:
            return records(Act, connection.execute(sa.select(acts).order_by(acts.c.id.desc()).limit(limit)))

    def backup(self, path: str | Path) -> Path:
        """Copy the whole book to a new file, consistent even while others write.

        Raises
        ------
        InputError
            If the file exists, cannot be written, or the book is on a server.
        """
        copy = Path(path).expanduser()
        if self._place.path is None:
            raise InputError(
                f"book {self.label}",
                "a book on a server",
                "a book in a file",
                "Use the backup tools of the server, or export the book.",
            )
        with words_for_errors(self.label):
            copy_file(self._place.path, copy)
        return copy

    def note_backup(self, copy: Path) -> None:
        """Note beside the book where a backup is that was found sound: should the book be damaged, it is named."""
        if self._place.path is not None:
            backups.note(self._place.path, copy, self._now())

    def check(self, seal: str = "") -> list[str]:
        """Problems found in the book, as sentences; empty when it is sound.

        ``seal`` is what a report or a card shows: it must be in the chain.
        """
        with self.reading() as connection:
            found = upkeep.problems(connection, self.label)
            if seal and not found and not chain.is_sealed(connection, seal):
                found = [
                    f"No act has the seal {seal}: the history that it closed was written anew, or is of another book."
                ]
        return found

    def seal(self) -> str:
        """The seal of the last act as it is printed: it closes the whole history up to it. ``""`` in an empty book."""
        with self.reading() as connection:
            last = chain.head(connection)
        return "" if last is None else last[1][: chain.SHOWN]

    def export(self, path: str | Path) -> Path:
        """Write everything, history included, to a zip with one JSON file."""
        with self.reading() as connection:
            return transfer.write(connection, Path(path).expanduser())

    def import_(self, path: str | Path) -> int:
        """Add everything an export holds; returns how many studies came in. Names that clash are refused."""
        source = Path(path).expanduser()
        tables = transfer.read(source)
        with self.writing() as writing:
            return transfer.merge(writing, source, tables)
