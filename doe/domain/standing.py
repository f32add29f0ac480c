"""What is known of a study as it stands: the one judgement that every command and page repeats."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from doe.domain.finding import Finding, Value
from doe.domain.recipe import KeptRecipe

Step = Literal[
    "limits",
    "plan",
    "make",
    "recommend",
    "washes",
    "feel",
    "score",
    "extend",
    "confirm",
    "compare",
    "report",
    "make_again",
    "confirmation_page",
    "release",
    "card",
    "measure",
    "diagnose",
    "retire",
    "history",
]
"""What may come next."""


@dataclass(frozen=True)
class NextStep:
    """A step with what it is done to.

    ``coupons`` of the round to ``extend`` by, the first ``coupon`` to ``feel``, the ``round`` to ``make`` (0: last),
    the ``name`` of a recipe or a line where it is not the study that something is done to.
    """

    step: Step
    coupons: int = 0
    coupon: str = ""
    round: int = 0
    name: str = ""


State = Literal[
    "limits",
    "unplanned",
    "known",
    "comparing",
    "making",
    "unanswered",
    "washing",
    "feeling",
    "more",
    "distrusted",
    "unreachable",
    "ready",
    "confirming",
    "refused",
    "confirmed",
    "released",
    "doubtful",
    "superseded",
    "retired",
]
"""Where a study, or a recipe that came from one, may stand; each has its frame in `doe.words.study.standing`."""


@dataclass(frozen=True)
class StudyStanding:
    """What is known of a study, or of a revision that came from one.

    Attributes
    ----------
    state : State
    said : Finding
        What its headline and its lead say; the code is the state, or names a kind of it.
    steps : tuple of NextStep
        What comes next, the most urgent first; never empty.
    """

    state: State
    said: Finding
    steps: tuple[NextStep, ...]

    @property
    def rests(self) -> bool:
        """Whether nothing is to be done: a recipe came of it, or what was compared is in one, retuned, or judged."""
        if self.state == "comparing":
            is_over = self.said.code in ("comparing added", "comparing retuned")
            return is_over or self.said.values.get("verdict") in STAGED
        return self.state in ("released", "superseded", "retired")


COMPARED = ("same recipe holds", "retune")
"""Verdicts that end a full comparison."""
STAGED = ("clearly worse", "go on carefully")
"""Those that end one in stages."""


def standing(
    state: State, *steps: Step | NextStep, kind: str = "", told: Mapping[str, Value] | None = None
) -> StudyStanding:
    """A standing with what is told of it, of a ``kind`` where its state has several."""
    taken = tuple(step if isinstance(step, NextStep) else NextStep(step) for step in steps)
    return StudyStanding(state, Finding(f"{state} {kind}".rstrip(), told or {}), taken)


def state_of_answer(verdict: str, *, washes: int, felt: bool, asked: int, limits: Collection[str]) -> State:
    """Where an answer alone leaves its study.

    Parameters
    ----------
    verdict : str
        ready, more coupons, or not reachable.
    washes : int
        Coupons that pass so far and still wait for a check. An answer that only they hold back asks for no coupon; one
        of an older version called itself ready in spite of them.
    felt : bool
        Whether hand-feel is known.
    asked : int
        Coupons it asks for.
    limits : collection of str
        Codes of what keeps it from being surer.
    """
    if verdict == "ready":
        return "washing" if washes else "ready"
    if verdict == "not reachable":
        return "unreachable"
    if "contradicted" in limits:
        return "distrusted"
    if asked or "budget_used" in limits:
        return "more"
    if not felt and "hand_unscored" in limits:
        return "feeling"
    return "washing" if washes else "feeling" if not felt else "more"


def standing_of_revision(kept: KeptRecipe) -> StudyStanding:
    """Where a revision stands by itself, before anybody asks whether something since then puts it in doubt."""
    recipe = kept.recipe
    told: dict[str, Value] = {"recipe": recipe.name, "revision": recipe.revision, "line": recipe.line.name}
    report = NextStep("history", name=recipe.name)
    if kept.retired_why:
        since = (recipe.retired_at or kept.at).isoformat()
        return standing("retired", report, told={**told, "since": since, "why": kept.retired_why})
    if kept.superseded:
        return standing("superseded", report, told=told)
    told |= {"since": recipe.approved_at.isoformat(), "review": recipe.review_on.isoformat()}
    card = NextStep("card", name=recipe.name)
    kind = "by exception" if recipe.confirmation is None else "" if recipe.is_searched else "known"
    return standing("released", card, report, kind=kind, told=told)


def confirmation_code(verdict: str, setpoint: str, corners: Iterable[str], hand: str) -> str:
    """What a confirmation came to; one that is refused is told apart by what was.

    Parameters
    ----------
    verdict : str
        Of everything asked.
    setpoint, hand : str
        Verdicts on the claim at the setpoint and on hand-feel; empty while no coupon is scored.
    corners : iterable of str
        Verdicts on the corners of the window.

    Examples
    --------
    >>> confirmation_code("not accepted", "accepted", ("held", "not held"), "good enough")
    'refused window'
    """
    if verdict != "not accepted" or setpoint != "accepted":
        return {"accepted": "confirmed", "not accepted": "refused", "open": "confirming"}.get(verdict, verdict)
    return "refused window" if "not held" in corners and hand != "not good enough" else "refused hand"


WaitKind = Literal["wash", "look", "gauge", "certificate", "review", "doubt", "coupons", "case"]


@dataclass(frozen=True)
class Waits:
    """One thing that waits.

    Attributes
    ----------
    kind : str
        A wash or a look hours after the press, a gauge, a recipe's review or doubt, coupons to make and score, or an
        open case of diagnosis, whose number is its ``check``.
    name : str
        Of the study, the line or the recipe.
    due : datetime or date or None
        From when a wash or a look may be made; by which day a machine is measured or a recipe reviewed; None where
        it can be done any time.
    study : int or None
    coupons : tuple of str
    check, machine : str
    """

    kind: WaitKind
    name: str
    due: datetime | date | None
    study: int | None = None
    coupons: tuple[str, ...] = ()
    check: str = ""
    machine: str = ""

    @property
    def day(self) -> date | None:
        """The day it is due, on the reader's clock."""
        return self.due.astimezone().date() if isinstance(self.due, datetime) else self.due


def overdue(found: Sequence[Waits], on: date) -> int:
    """How many were due before a day."""
    return sum(w.day is not None and w.day < on for w in found)
