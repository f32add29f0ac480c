"""What the book hands out: plain frozen records, times in UTC."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from doe.domain.finding import Finding
from doe.domain.gauge import GaugeReading
from doe.domain.plan_kinds import Scale
from doe.domain.score import FieldValue, ScoreEntry
from doe.domain.stack import Line, Stack
from doe.domain.study import Study

if TYPE_CHECKING:
    import pandas as pd


STEP = "bench step"
"""Topic of the notes that say what was made at the machines. Their name is that of the study."""


@dataclass(frozen=True)
class StudySummary:
    """One study in a list.

    ``coupons`` counts every coupon but those that confirm what was searched for, ``scored`` those with a pass/fail
    result that are not void, ``void`` the void ones; ``verdict`` is that of the last analysis that gave one, ``""``
    before; of a confirmation it says so ("confirmation accepted").
    """

    id: int
    name: str
    stack: str
    line: str
    made_at: datetime
    made_by: str
    rounds: int
    coupons: int
    scored: int
    void: int
    verdict: str
    archived: bool


@dataclass(frozen=True)
class StudyRecord:
    """A study as it stands, with the stack and the line as they were when it was made or last amended.

    ``names`` holds every name it had, the first one first: seeds and sums are made from that one, so that a study that
    is renamed keeps its answers, and a sheet printed under any of them is known again.
    """

    id: int
    study: Study
    stack: Stack
    line: Line
    made_at: datetime
    made_by: str
    amended_at: datetime | None
    archived: bool
    names: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """The study's name."""
        return self.study.name

    @property
    def first_name(self) -> str:
        """The name it was made with."""
        return self.names[0] if self.names else self.name

    @property
    def as_made(self) -> Study:
        """The study under its first name: the facts that a sum is made of, whatever it is called now."""
        return replace(self.study, name=self.first_name)


@dataclass(frozen=True)
class StudyChange:
    """One change of a study: what it was and what it became, who changed it, when and why."""

    before: Study
    after: Study
    who: str
    at: datetime
    why: str


@dataclass(frozen=True)
class StatedLimit:
    """One limit as a study states it, by its field of `Limits`, for its materials and its line, and since when."""

    study_id: int
    study: str
    archived: bool
    stack: Stack
    line: str
    limit: str
    value: float
    at: datetime


@dataclass(frozen=True)
class RoundInfo:
    """How one round of a plan was made."""

    round: int
    kind: str
    seed: int
    notes: tuple[Finding | str, ...]
    coupons: int
    made_at: datetime
    made_by: str
    scale: Scale = "dial"


@dataclass(frozen=True)
class PlanInfo:
    """How the plan of a study was made, round by round; ``kind``, ``seed`` and ``notes`` are the first round's."""

    rounds: tuple[RoundInfo, ...]

    @property
    def kind(self) -> str:
        """Kind of the first round, ``""`` while there is no plan."""
        return self.rounds[0].kind if self.rounds else ""

    @property
    def seed(self) -> int:
        """Seed of the first round, 0 while there is no plan."""
        return self.rounds[0].seed if self.rounds else 0

    @property
    def notes(self) -> tuple[Finding | str, ...]:
        """Notes of every round, in order, each once."""
        return tuple(dict.fromkeys(note for made in self.rounds for note in made.notes))


@dataclass(frozen=True)
class TakenBack:
    """One field of a coupon that was taken back: what had been said, and what stands again (None: nothing)."""

    coupon: str
    field: str
    was: FieldValue
    now: FieldValue


@dataclass(frozen=True)
class HistoryEntry:
    """One thing ever said about a coupon. ``current`` is False once a later entry superseded it.

    ``field`` is such as ``check:release``, ``hand:ana``, ``actual:dwell``, ``symptoms``, ``side``, ``grade``,
    ``note`` or ``void``; ``value`` is None where a field was cleared.
    """

    id: int
    coupon: str
    field: str
    value: FieldValue
    who: str
    at: datetime
    why: str
    scored_at: datetime | None
    supersedes: int | None
    current: bool


@dataclass(frozen=True)
class CouponState:
    """How far the scoring of one coupon has come.

    ``kind`` is that of its round; ``passed`` is None while no check of the study is scored, ``unfinished`` says that
    one of them is not.
    """

    coupon: str
    round: int
    kind: str
    passed: bool | None
    unfinished: bool
    void: bool


@dataclass(frozen=True)
class KeptReading:
    """A gauge reading with who stored it and when. ``withdrawn`` says why it no longer counts, ``""`` if it does."""

    id: int
    reading: GaugeReading
    who: str
    at: datetime
    withdrawn: str


@dataclass(frozen=True)
class NewRound:
    """A round to be stored: its coupons in the columns of a plan, how they were chosen, and scores that are there."""

    coupons: pd.DataFrame
    kind: str
    seed: int
    notes: tuple[Finding | str, ...] = ()
    entries: tuple[ScoreEntry, ...] = ()
    scale: Scale = "dial"


@dataclass(frozen=True)
class NewAnalysis:
    """An analysis to be stored."""

    kind: str
    inputs_hash: str
    seed: int
    version: str
    payload: Mapping[str, Any]


@dataclass(frozen=True)
class AnalysisRecord:
    """A stored fit, recommendation or release: enough to say the same thing a year later."""

    id: int
    kind: str
    inputs_hash: str
    seed: int
    version: str
    payload: Mapping[str, Any]
    verdict: str
    made_at: datetime
    made_by: str


@dataclass(frozen=True)
class ShopNote:
    """A note of the shop beyond its studies, with who wrote it and when."""

    id: int
    topic: str
    name: str
    data: Mapping[str, Any]
    who: str
    at: datetime


FACES = ("print", "back")
"""Faces of a coupon that a photo can show."""


@dataclass(frozen=True)
class Photo:
    """A photo of a coupon without its picture; ``withdrawn`` says why it no longer counts, ``""`` if it does."""

    id: int
    coupon: str
    face: str
    media_type: str
    size: int
    sha256: str
    who: str
    at: datetime
    withdrawn: str


@dataclass(frozen=True)
class Act:
    """One act on the book: who did what, when and why."""

    id: int
    at: datetime
    who: str
    verb: str
    subject: str
    study_id: int | None
    why: str
