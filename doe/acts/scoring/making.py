"""Where every coupon of a study is: before the oven, the press, its scores, or the wash; and what is stored of it.

Scores are in the book. That a film was cured, or a coupon pressed, is kept there too, as notes of the topic `STEP`, so
that every device at the machines shows the same queue and a restart loses nothing. Several people score: what differs
from what is stored is found here, and stored with its why.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import lru_cache
from statistics import fmean
from typing import Any, Literal

import pandas as pd

from doe.acts.scoring.handled import with_side
from doe.acts.study.rounds import by_code, peel_waits
from doe.book.book import Book
from doe.book.records import STEP, HistoryEntry, PlanInfo, ShopNote, StudyRecord
from doe.domain.errors import InputError
from doe.domain.factors import Stage
from doe.domain.outcome import PASSED_GRADES
from doe.domain.plan_kinds import learning_rounds
from doe.domain.score import FieldValue, ScoreEntry
from doe.domain.spec import Check
from doe.plans.timing import minutes_at_machine
from doe.surfaces.classical.batch_errors import judge_drift
from doe.words.press import told

Step = Literal["cured", "pressed"]
Status = Literal["void", "failed", "in_part", "to_wash", "passed", "to_score", "to_press", "not_made"]
STEPS: tuple[Step, ...] = ("cured", "pressed")


@dataclass(frozen=True)
class Coupon:
    """A coupon with all that is known of it.

    ``place`` is what the plan says besides the settings: batches, orders, stroke, role, material. ``said`` holds what
    was last said of each field that is filled, named as `ScoreEntry.fields` names them; ``marks`` the notes of steps.
    """

    name: str
    round: int
    settings: Mapping[str, float | str]
    place: Mapping[str, Any]
    said: Mapping[str, HistoryEntry] = field(default_factory=dict)
    marks: Mapping[Step, tuple[ShopNote, ...]] = field(default_factory=dict)

    @property
    def void(self) -> str:
        """Why it does not count, ``""`` when it does."""
        said = self.said.get("void")
        return str(said.value) if said is not None else ""

    @property
    def is_scored(self) -> bool:
        """Whether any check was looked at."""
        return any(name.startswith("check:") for name in self.said)

    @property
    def has_failed(self) -> bool:
        """Whether a check was failed."""
        return any(said.value is False for name, said in self.said.items() if name.startswith("check:"))

    @property
    def is_cured(self) -> bool:
        """Whether its film is cured: noted, or it was pressed."""
        return "cured" in self.marks or self.is_pressed

    @property
    def is_pressed(self) -> bool:
        """Whether it is pressed: noted, or there is something to feel and look at already."""
        return "pressed" in self.marks or any(name.startswith(("check:", "hand:")) for name in self.said)

    @property
    def pressed_at(self) -> datetime:
        """When it was pressed, or the first time it was scored."""
        if "pressed" in self.marks:
            return self.marks["pressed"][0].at
        return min(said.at for name, said in self.said.items() if name.startswith(("check:", "hand:")))

    def check(self, name: str) -> bool | None:
        """Result of a check; None while it was not looked at."""
        said = self.said.get(f"check:{name}")
        return None if said is None else bool(said.value)

    @property
    def material(self) -> str:
        """Which of two materials it is made of, in a comparison; else ``""``."""
        return str(self.place.get("material", ""))

    @property
    def hands(self) -> dict[str, float]:
        """Hand-feel by person."""
        found = {n.removeprefix("hand:"): s.value for n, s in self.said.items() if n.startswith("hand:")}
        return {name: float(value) for name, value in found.items() if isinstance(value, (int, float))}

    @property
    def mean_hand(self) -> float | None:
        """Mean hand-feel of all who felt it; None while nobody did."""
        return fmean(self.hands.values()) if self.hands else None

    def misses(self, checks: Iterable[Check]) -> bool:
        """Whether one of these checks is still to be looked at; a failed or void coupon needs no more looks."""
        return not self.void and not self.has_failed and any(self.check(c.name) is None for c in checks)


@dataclass(frozen=True)
class Making:
    """All coupons of a study, in the order of the plan, with the rounds they belong to.

    ``waits`` are those before the peel, in s by material, where two films of a comparison have their own: for whoever
    makes the prints, never where they are scored.
    """

    record: StudyRecord
    info: PlanInfo
    coupons: tuple[Coupon, ...]
    waits: Mapping[str, float] = field(default_factory=dict)

    @property
    def checks_now(self) -> tuple[Check, ...]:
        """The checks made at the press."""
        return tuple(c for c in self.record.study.spec.checks if not c.is_later)

    @property
    def checks_later(self) -> tuple[Check, ...]:
        """The checks made after a wash, or hours after the press."""
        return tuple(c for c in self.record.study.spec.checks if c.is_later)

    @property
    def has_cure(self) -> bool:
        """Whether the films have a queue at the oven: something is set there, so its order matters."""
        return any(f.stage == "cure" for f in self.record.study.factors)

    def coupon(self, name: str) -> Coupon:
        """The coupon of that name.

        Raises
        ------
        InputError
            If the study has none.
        """
        for coupon in self.coupons:
            if coupon.name == name:
                return coupon
        found = f"no such coupon in study {self.record.name}"
        raise InputError(f"coupon {name}", found, "a coupon of the plan", "Read its label again.")

    def key_of(self, coupon: Coupon) -> str:
        """Text that names a coupon of this study and of no other, in this book or another."""
        return f"{self.record.made_at:%Y%m%d%H%M%S%f}/{coupon.name}"

    @property
    def people(self) -> tuple[str, ...]:
        """Everybody who has felt a coupon of this study."""
        return tuple(dict.fromkeys(name for c in self.coupons for name in c.hands))

    def queue(self, stage: Stage) -> tuple[Coupon, ...]:
        """Coupons that wait for a machine, in the order in which they are made there."""
        if stage == "cure" and not self.has_cure:
            return ()
        return in_order(
            (
                c
                for c in self.coupons
                if not c.void and f"{stage}_order" in c.place and not (c.is_cured if stage == "cure" else c.is_pressed)
            ),
            stage,
        )

    @property
    def to_score(self) -> tuple[Coupon, ...]:
        """Coupons that are pressed and wait for a check at the press, the one pressed first before the others."""
        # coupons that nobody planned have no queue at the machines: somebody made them, and they wait for their scores
        return in_order(
            c for c in self.coupons if (c.is_pressed or "press_order" not in c.place) and c.misses(self.checks_now)
        )

    def stroke_of(self, coupon: Coupon) -> tuple[Coupon, ...]:
        """The coupons pressed in the same stroke, the coupon itself among them, in press order."""
        stroke = coupon.place.get("stroke")
        if stroke is None:
            return (coupon,)
        mine = (c for c in self.coupons if c.place.get("stroke") == stroke and c.round == coupon.round and not c.void)
        return in_order(mine) or (coupon,)

    def status_of(self, coupon: Coupon) -> Status:
        """Where a coupon is."""
        if coupon.void:
            return "void"
        if coupon.has_failed:
            return "failed"
        if coupon.is_scored:
            if coupon.misses(self.checks_now):
                return "in_part"
            return "to_wash" if coupon.misses(self.checks_later) else "passed"
        if coupon.is_pressed or "press_order" not in coupon.place:
            return "to_score"
        return "to_press" if coupon.is_cured and self.has_cure else "not_made"

    def kind_of(self, number: int) -> str:
        """Kind of a round."""
        return next((r.kind for r in self.info.rounds if r.round == number), "")


def in_order(coupons: Iterable[Coupon], stage: Stage = "press") -> tuple[Coupon, ...]:
    """Coupons in the order in which they are made at a machine."""
    return tuple(sorted(coupons, key=lambda c: (c.round, int(c.place.get(f"{stage}_order", 0)))))


@dataclass(frozen=True)
class Wash:
    """A coupon that waits for checks after a wash, or hours after the press.

    ``check`` is the next of them, ``due`` when it may be washed or looked at for it.
    """

    coupon: Coupon
    check: Check
    due: datetime


def washes(making: Making) -> tuple[Wash, ...]:
    """Coupons that passed everything so far and wait for a wash, the ones that are due first at the top."""
    found = []
    for c in making.coupons:
        if making.status_of(c) == "to_wash":
            left = [check for check in making.checks_later if c.check(check.name) is None]
            check = min(left, key=lambda c: c.wait)
            found.append(Wash(c, check, c.pressed_at + check.wait))
    return tuple(sorted(found, key=lambda w: (w.due, w.check.after_washes, w.coupon.name)))


def making_of(book: Book, key: str | int) -> Making:
    """Where every coupon of a study is."""
    record = book.study(key)
    frame = by_code(book, record.id, book.plan_coupons(record.id))
    rows = frame.astype(object).where(frame.notna(), None).to_dict("records")
    names = record.study.factor_names
    known = ("coupon", "round", *names)
    coupons = tuple(
        Coupon(
            str(row["coupon"]),
            int(row["round"]),
            {name: row[name] for name in names},
            {str(k): v for k, v in row.items() if k not in known and v is not None},
        )
        for row in rows
    )
    return read_again(book, Making(record, book.plan_info(record.id), coupons, peel_waits(book, record.id)))


def read_again(book: Book, making: Making) -> Making:
    """The same study with what was said and noted about its coupons since; its plan stays as it is."""
    record = making.record
    said: dict[str, dict[str, HistoryEntry]] = {c.name: {} for c in making.coupons}
    marks: dict[str, dict[Step, tuple[ShopNote, ...]]] = {c.name: {} for c in making.coupons}
    for entry in book.history(record.id):
        if entry.current and entry.value not in (None, ""):
            said[entry.coupon][entry.field] = entry
    for note in book.notes(STEP, record.name):
        # a later study may carry the name of an archived one; when it was made tells them apart, in any book
        if note.data["study_made"] == record.made_at.isoformat():
            of_coupon, step = marks[note.data["coupon"]], note.data["step"]
            of_coupon[step] = (*of_coupon.get(step, ()), note)
    return replace(making, coupons=tuple(replace(c, said=said[c.name], marks=marks[c.name]) for c in making.coupons))


def mark(book: Book, making: Making, names: Sequence[str], step: Step) -> None:
    """Note that these coupons were cured or pressed; what is noted already adds nothing."""
    for name in names:
        coupon = making.coupon(name)
        if coupon.void:
            raise InputError(
                f"coupon {name}", f"void ({coupon.void})", "a coupon that is not void", "Take the void back first."
            )
        if step not in coupon.marks:
            made = making.record.made_at.isoformat()
            book.save_note(STEP, making.record.name, {"study_made": made, "coupon": name, "step": step})


def unmark(book: Book, making: Making, name: str, step: Step, why: str) -> None:
    """Take back that a coupon was cured or pressed, with the reason."""
    marks = making.coupon(name).marks.get(step, ())
    if not marks:
        raise InputError(
            f"coupon {name}", f"not noted as {step}", "a step that was noted", "Nothing needs to be taken back."
        )
    for made in marks:
        book.withdraw_note(made.id, why)


@dataclass(frozen=True)
class Difference:
    """A field that is stored with another value than the one given."""

    field: str
    stored: HistoryEntry
    given: FieldValue


def differences(coupon: Coupon, entry: ScoreEntry) -> tuple[Difference, ...]:
    """What an entry would correct. Side and, after a check that fails, grade follow; notes are added to.

    The side is asked about where nothing else it follows from is corrected.
    """
    found: list[Difference] = []
    for name, value in entry.fields():
        said = coupon.said.get(name)
        follows = name == "side" and (
            any(d.field in ("symptoms", "handled") for d in found) or not (entry.symptoms or entry.handled)
        )
        # a check that fails is the reason for grading anew
        follows |= (
            name == "grade" and False in entry.checks.values() and said is not None and said.value in PASSED_GRADES
        )
        if said is None or said.value == value or name == "note" or follows:
            continue
        found.append(Difference(name, said, value))
    return tuple(found)


def keeping(coupon: Coupon, entry: ScoreEntry, fields: Collection[str]) -> ScoreEntry:
    """The entry without these fields: there what is stored stays; with the side that its coupon then has."""

    def left(kind: str, values: Mapping[str, Any]) -> dict[str, Any]:
        return {name: value for name, value in values.items() if f"{kind}:{name}" not in fields}

    if "symptoms" in fields:
        entry = replace(entry, symptoms=(), side="")
    entry = replace(
        entry,
        checks=left("check", entry.checks),
        hand=left("hand", entry.hand),
        actual=left("actual", entry.actual),
        grade="" if "grade" in fields else entry.grade,
        handled="" if "handled" in fields else entry.handled,
        void_reason=None if "void" in fields else entry.void_reason,
    )
    said = _values(coupon)
    return replace(entry, side=str(said["side"])) if "side" in fields and "side" in said else with_side(entry, said)


def _values(coupon: Coupon) -> dict[str, FieldValue]:
    return {name: stored.value for name, stored in coupon.said.items()}


def _with_note_added(coupon: Coupon, entry: ScoreEntry) -> ScoreEntry:
    """The entry with its note below the stored one, so that two people may each write something."""
    said = coupon.said.get("note")
    if said is None or not entry.note:
        return entry
    before = str(said.value)
    if entry.note == before or entry.note in before.split("\n"):  # the same form once more
        return replace(entry, note="")
    return replace(entry, note=f"{before}\n{entry.note}")


def store_scores(book: Book, record: StudyRecord, coupon: Coupon, entry: ScoreEntry, *, why: str = "") -> None:
    """Store an entry. A correction needs a why, a longer note brings its own.

    Raises
    ------
    InputErrors
        As `Book.record`.
    """
    entry = _with_note_added(coupon, entry)
    if not list(entry.fields()):
        return
    if "note" in coupon.said and entry.note and not differences(coupon, entry):
        why = why or told("note_longer")
    book.record(record.id, [entry], why=why)


def take_back(book: Book, record: StudyRecord, coupon: Coupon, fields: Sequence[str], why: str) -> None:
    """Empty fields again, as a correction. What was said stays in the history."""
    cleared = [name for name in fields if name in coupon.said and name != "void"]
    if "symptoms" in cleared:  # what was told of them goes with them
        cleared += [name for name in ("side", "handled") if name in coupon.said and name not in cleared]
    void = "" if "void" in fields and coupon.void else None
    if cleared or void is not None:
        entry = ScoreEntry(coupon.name, cleared=tuple(cleared), void_reason=void)
        book.record(record.id, [with_side(entry, _values(coupon))], why=why)


LEAST_FOR_HINT = 8
"""Scored coupons from which on an early look is given."""
REPEATS = ("repeat centre", "centre")
"""Roles of the coupons made at the centre."""


def minutes_left(making: Making, stage: Stage) -> float:
    """Minutes that the coupons in the queue of a machine take.

    They count handling and settling between the coupons that are left, not warming up, and one person working.
    """
    waiting = making.queue(stage)
    if not waiting:
        return 0.0
    frame = pd.DataFrame([{"coupon": c.name, "round": c.round, **c.settings, **c.place} for c in waiting])
    return minutes_at_machine(making.record.study, frame, making.record.line, stage)


@dataclass(frozen=True)
class Repeats:
    """Coupons made at the same centre settings, in the order in which they were pressed.

    ``change`` is the change of the mean hand-feel from the first to the last with its 95 % interval ``(change, low,
    high)``, where three or more were felt.
    """

    scored: tuple[Coupon, ...]
    planned: int
    change: tuple[float, float, float] | None = None


def repeats_of(making: Making) -> Repeats:
    """What the centre coupons of the rounds that look for settings say about drift so far."""
    rounds = learning_rounds(making.info.rounds)
    groups: dict[tuple[object, ...], list[Coupon]] = {}  # a later round may have another centre
    for coupon in making.coupons:
        if coupon.place.get("role") in REPEATS and coupon.round in rounds and not coupon.void:
            groups.setdefault(tuple(coupon.settings.values()), []).append(coupon)
    mine = max(groups.values(), key=len, default=[])
    scored = in_order(c for c in mine if c.is_scored)
    felt = tuple((float(place), c.mean_hand) for place, c in enumerate(scored) if c.mean_hand is not None)
    return Repeats(scored, len(mine), _change(felt))


@lru_cache(maxsize=128)  # every look at a study's page asks for it
def _change(felt: tuple[tuple[float, float], ...]) -> tuple[float, float, float] | None:
    """The change from the first to the last of some scores with its interval, by their places."""
    if len(felt) < 3:
        return None
    drift = judge_drift([[1.0]] * len(felt), [hand for _, hand in felt], [place for place, _ in felt])
    if drift.estimate is None or drift.low is None or drift.high is None:
        return None
    return drift.estimate, drift.low, drift.high


def scored_of(making: Making) -> int:
    """Coupons with a result that do not count as void, of the rounds that look for settings."""
    rounds = learning_rounds(making.info.rounds)
    return sum(c.is_scored and not c.void and c.round in rounds for c in making.coupons)
