"""`Book`: the one door to the shop's database."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from doe.book import analyses, definitions, gauges, notes, photos, recipes, rounds, scores, studies, transfer, upkeep
from doe.book.engine import words_for_errors
from doe.book.records import (
    Act,
    AnalysisRecord,
    CouponState,
    HistoryEntry,
    KeptReading,
    NewAnalysis,
    NewRound,
    Photo,
    PlanInfo,
    ShopNote,
    StudyRecord,
    StudySummary,
)
from doe.book.store import Store, open_store
from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.domain.gauge import GaugeReading
from doe.domain.plan_kinds import Scale
from doe.domain.recipe import KeptRecipe, Recipe
from doe.domain.score import ScoreEntry, SecondLook
from doe.domain.stack import Line, Stack
from doe.domain.study import Study

if TYPE_CHECKING:
    import pandas as pd


class Book:
    """The shop's database. Open it with `Book.open`; use it as a context manager.

    Every method that changes something is one transaction: all of it is stored, or none. Nothing is overwritten:
    a correction is a new entry that supersedes the old one, and needs a ``why``. Saving a stack, line, round, score
    or analysis that is there already changes nothing, so the same sheet may safely come twice.

    A study's ``key`` is its id, or its name. Times are UTC.
    """

    def __init__(self, store: Store) -> None:
        self._store = store

    @property
    def upgraded_from(self) -> Path | None:
        """The copy of the older book, if opening this one upgraded it."""
        return self._store.upgraded_from

    @property
    def stored(self) -> int:
        """How many transactions were stored through this door."""
        return self._store.stored

    @property
    def label(self) -> str:
        """Where the book is, for messages."""
        return self._store.place.label

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
        return cls(open_store(target, who=who, create=create, upgrade=upgrade, clock=now))

    def close(self) -> None:
        """Let go of the file or the server."""
        self._store.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # stacks, lines, gauges

    def save_stack(self, stack: Stack, why: str = "") -> None:
        """Keep a stack; one of that name that differs is a correction and needs a ``why``."""
        with self._store.writing() as writing:
            definitions.save(writing, stack, why)

    def stacks(self) -> tuple[Stack, ...]:
        """Every stack as it stands now, by name."""
        with self._store.reading() as connection:
            return definitions.all_stacks(connection)

    def stack(self, name: str) -> Stack:
        """The stack of that name."""
        with self._store.reading() as connection:
            return definitions.find_stack(connection, name)[1]

    def save_line(self, line: Line, why: str = "") -> None:
        """Keep a line; one of that name that differs is a correction and needs a ``why``."""
        with self._store.writing() as writing:
            definitions.save(writing, line, why)

    def lines(self) -> tuple[Line, ...]:
        """Every line as it stands now, by name."""
        with self._store.reading() as connection:
            return definitions.all_lines(connection)

    def line(self, name: str) -> Line:
        """The line of that name."""
        with self._store.reading() as connection:
            return definitions.find_line(connection, name)[1]

    def add_gauge_reading(self, line_name: str, reading: GaugeReading) -> int:
        """Keep a reading; returns its id."""
        with self._store.writing() as writing:
            return gauges.add(writing, line_name, reading)

    def gauge_readings(self, line_name: str) -> tuple[GaugeReading, ...]:
        """The readings of a line that count, oldest first."""
        kept = sorted(self.gauge_history(line_name), key=gauges.taken_order)
        return tuple(k.reading for k in kept if not k.withdrawn)

    def gauge_history(self, line_name: str) -> tuple[KeptReading, ...]:
        """Every reading of a line, the withdrawn ones too, in the order they were stored."""
        with self._store.reading() as connection:
            return gauges.history(connection, line_name)

    def withdraw_gauge_reading(self, reading_id: int, why: str) -> None:
        """Take a mistaken reading back; it stays visible in `gauge_history`."""
        with self._store.writing() as writing:
            gauges.withdraw(writing, reading_id, why)

    # studies

    def add_study(self, study: Study, *, stack: str, line: str) -> int:
        """Keep a new study on a stack and a line, as they stand now; returns its id. No other in use has its name."""
        with self._store.writing() as writing:
            return studies.add(writing, study, stack=stack, line=line)

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
        with self._store.writing() as writing:
            if isinstance(stack, Stack):
                definitions.save(writing, stack, why)
            number = studies.add(writing, study, stack=stack.name if isinstance(stack, Stack) else stack, line=line)
            for made in rounds_made:
                rounds.save(
                    writing, number, made.coupons, kind=made.kind, seed=made.seed, notes=made.notes, scale=made.scale
                )
                if made.entries:
                    scores.record(writing, number, made.entries, why=why)
            for kept in analyses_made:
                analyses.save(
                    writing,
                    number,
                    kind=kept.kind,
                    inputs_hash=kept.inputs_hash,
                    seed=kept.seed,
                    version=kept.version,
                    payload=kept.payload,
                )
            return number

    def studies(self, include_archived: bool = False) -> tuple[StudySummary, ...]:
        """Every study with its counts, newest first."""
        with self._store.reading() as connection:
            return studies.summaries(connection, include_archived=include_archived)

    def study(self, key: str | int) -> StudyRecord:
        """A study as it stands."""
        with self._store.reading() as connection:
            return studies.record_of(connection, key)

    def amend_study(
        self, key: str | int, study: Study, why: str, *, stack: str | None = None, line: str | None = None
    ) -> None:
        """Correct a study; stack and line stay as they were unless named, and then are taken as they stand now."""
        with self._store.writing() as writing:
            studies.amend(writing, key, study, why, stack=stack, line=line)

    def archive_study(self, key: str | int, why: str) -> None:
        """Put a study away; nothing of it is deleted."""
        with self._store.writing() as writing:
            studies.put_away(writing, key, why)

    def restore_study(self, key: str | int, why: str) -> None:
        """Take an archived study out again."""
        with self._store.writing() as writing:
            studies.restore(writing, key, why)

    # plans

    def save_round(
        self,
        key: str | int,
        coupons: pd.DataFrame,
        *,
        kind: str,
        seed: int,
        notes: Sequence[Finding | str] = (),
        scale: Scale = "dial",
    ) -> tuple[int, ...]:
        """Append the coupons of a new round; returns the numbers of the rounds that were new.

        ``coupons`` has the columns of a plan; it may be the whole plan, then the rounds stored already must be the
        same and only the new ones are appended. Without a ``round`` column it is the next round. ``scale`` says whether
        its temperatures are those of the surface or what was dialled in.
        """
        with self._store.writing() as writing:
            return rounds.save(writing, key, coupons, kind=kind, seed=seed, notes=notes, scale=scale)

    def plan_coupons(self, key: str | int) -> pd.DataFrame:
        """Every coupon of a study in the order they were saved.

        Columns: coupon, <factors>, round, then what was saved of cure_batch, press_batch, cure_order, press_order,
        garment, stroke, role, and any others.
        """
        with self._store.reading() as connection:
            return rounds.frame_of(connection, key)

    def plan_info(self, key: str | int) -> PlanInfo:
        """How each round was made."""
        with self._store.reading() as connection:
            return rounds.info(connection, key)

    def save_round_with(
        self,
        key: str | int,
        coupons: pd.DataFrame,
        *,
        round_kind: str,
        scale: Scale,
        notes: Sequence[Finding | str],
        kind: str,
        inputs_hash: str,
        seed: int,
        version: str,
        payload: Mapping[str, Any],
    ) -> int:
        """Append a round together with the analysis that says what it is for, both or neither; returns the latter's id.

        A rule that coupons are judged by must not come into the book after them. ``coupons`` as for `save_round`, the
        rest as for `save_analysis`.
        """
        with self._store.writing() as writing:
            if not rounds.save(writing, key, coupons, kind=round_kind, seed=seed, notes=notes, scale=scale):
                raise InputError(
                    "round",
                    "the same coupons stored already",
                    "coupons of a new round",
                    "Somebody else was faster: look what is planned, and plan anew.",
                )
            return analyses.save(
                writing, key, kind=kind, inputs_hash=inputs_hash, seed=seed, version=version, payload=payload
            )

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
        with self._store.writing() as writing:
            return scores.record(writing, key, entries, why=why)

    def record_again(self, key: str | int, looks: Sequence[SecondLook]) -> int:
        """Store further, blind looks at coupons, all of them or none; returns how many fields were new.

        They are kept as fields of their own (``again:1:ana:check:release``, ``again:1:ana:hand``), counted for each
        person, and never supersede a score: `results` is the same before and after.

        Raises
        ------
        InputErrors
            Listing at once what `record` would refuse, and coupons that are void.
        """
        with self._store.writing() as writing:
            return scores.record_again(writing, key, looks)

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
        with self._store.writing() as writing:
            rounds.save(writing, key, coupons, kind=kind, seed=0, notes=notes, scale="dial")
            return scores.record(writing, key, entries, why=why)

    def results(self, key: str | int, *, include_void: bool = False) -> pd.DataFrame:
        """One row a coupon: the latest value of every field.

        Columns: coupon, <factors>, ``actual_<factor>`` (where measured), passed (True, False or None while no check
        is scored), side, ``hand_<person>``, round, cure_batch, press_batch, ... as the plan has them,
        ``check_<check>`` (True, False, None) for every check of the study, symptom (keys joined by ``"; "``), note,
        void (the reason, ``""``).
        """
        from doe.book import folding  # noqa: PLC0415 - listing studies must not pay for pandas

        with self._store.reading() as connection:
            return folding.results(connection, key, include_void=include_void)

    def coupon_states(self, key: str | int) -> tuple[CouponState, ...]:
        """How far the scoring of each coupon has come, in plan order; `results` without its frame."""
        with self._store.reading() as connection:
            return scores.states(connection, key)

    def history(self, key: str | int, coupon: str | None = None) -> tuple[HistoryEntry, ...]:
        """Everything ever said about the coupons of a study, or one of them, oldest first."""
        with self._store.reading() as connection:
            return scores.history(connection, key, coupon)

    # analyses

    def save_analysis(
        self, key: str | int, *, kind: str, inputs_hash: str, seed: int, version: str, payload: Mapping[str, Any]
    ) -> int:
        """Keep a fit, recommendation, release ...; returns its id. A ``verdict`` in the payload shows in `studies`."""
        with self._store.writing() as writing:
            return analyses.save(
                writing, key, kind=kind, inputs_hash=inputs_hash, seed=seed, version=version, payload=payload
            )

    def analyses(self, key: str | int) -> tuple[AnalysisRecord, ...]:
        """Everything kept about a study, oldest first."""
        with self._store.reading() as connection:
            return analyses.all_of(connection, key)

    def analyses_of_kind(self, kind: str) -> tuple[tuple[int, AnalysisRecord], ...]:
        """Everything kept of a kind in any study, with the study's number, oldest first."""
        with self._store.reading() as connection:
            return analyses.everywhere(connection, kind)

    def latest_analysis(self, key: str | int, kind: str) -> AnalysisRecord | None:
        """The last one of a kind."""
        with self._store.reading() as connection:
            kept = analyses.all_of(connection, key, kind)
        return kept[-1] if kept else None

    # notes beyond studies

    def save_note(self, topic: str, name: str, data: Mapping[str, Any]) -> int:
        """Keep a note, such as a diagnosed case or an apprentice's exercise; returns its id."""
        with self._store.writing() as writing:
            return notes.add(writing, topic, name, data)

    def notes(self, topic: str, name: str | None = None) -> tuple[ShopNote, ...]:
        """Notes of a topic that count, oldest first."""
        with self._store.reading() as connection:
            return notes.all_of(connection, topic, name)

    def withdraw_note(self, note_id: int, why: str) -> None:
        """Take a mistaken note back; it stays in the book."""
        with self._store.writing() as writing:
            notes.withdraw(writing, note_id, why)

    # recipes

    def release_recipe(self, recipe: Recipe, *, study: str | int | None) -> int:
        """Keep a revision of a recipe and the study behind it; returns its id. It must be the one after the newest."""
        with self._store.writing() as writing:
            return recipes.release(writing, recipe, study)

    def recipes(self, name: str | None = None) -> tuple[KeptRecipe, ...]:
        """Every revision of every recipe, by name and revision; only those of one name if it is given."""
        with self._store.reading() as connection:
            return recipes.all_of(connection, name)

    def recipe(self, name: str, revision: int | None = None) -> KeptRecipe:
        """One revision of a recipe, the newest by default."""
        with self._store.reading() as connection:
            return recipes.find_recipe(connection, name, revision)

    def retire_recipe(self, name: str, why: str) -> None:
        """Take the newest revision of a recipe out of use; it stays in the book."""
        with self._store.writing() as writing:
            recipes.retire(writing, name, why)

    # photos

    def add_photo(self, key: str | int, coupon: str, image: bytes, *, face: str, media_type: str) -> int:
        """Keep a JPEG or PNG of one face (print, back) of a coupon as it is given; returns its id.

        At most 4 MB each and 12 a coupon; the very same photo again adds nothing.
        """
        with self._store.writing() as writing:
            return photos.add(writing, key, coupon, image, face=face, media_type=media_type)

    def photos(self, key: str | int, coupon: str | None = None) -> tuple[Photo, ...]:
        """Photos of a study or of one coupon, the withdrawn ones too, in the order they were stored."""
        with self._store.reading() as connection:
            return photos.all_of(connection, key, coupon)

    def photo_image(self, photo_id: int) -> bytes:
        """The picture of a photo."""
        with self._store.reading() as connection:
            return photos.image_of(connection, photo_id)

    def withdraw_photo(self, photo_id: int, why: str) -> None:
        """Take a photo back; it stays in the book."""
        with self._store.writing() as writing:
            photos.withdraw(writing, photo_id, why)

    # looking after the book

    def audit(self, limit: int | None = 100) -> tuple[Act, ...]:
        """The last acts, newest first; all of them with None."""
        with self._store.reading() as connection:
            return upkeep.audit(connection, limit)

    def backup(self, path: str | Path) -> Path:
        """Copy the whole book to a new file, consistent even while others write."""
        with words_for_errors(self._store.place.label):
            return upkeep.backup(self._store, Path(path).expanduser())

    def check(self) -> list[str]:
        """Problems found in the book, as sentences; empty when it is sound."""
        with self._store.reading() as connection:
            return upkeep.problems(connection, f"book {self._store.place.label}")

    def export(self, path: str | Path) -> Path:
        """Write everything, history included, to a zip with one JSON file."""
        with self._store.reading() as connection:
            return transfer.write(connection, Path(path).expanduser())

    def import_(self, path: str | Path) -> int:
        """Add everything an export holds; returns how many studies came in. Names that clash are refused."""
        source = Path(path).expanduser()
        tables = transfer.read(source)
        with self._store.writing() as writing:
            return transfer.merge(writing, source, tables)
