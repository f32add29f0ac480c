"""Exercise: take in a new lot beside a recipe, in pairs and in stages, by the rule of a staged comparison."""

from __future__ import annotations

from doe.assure.comparison.staged import (
    USUAL_PAIRS,
    Stage,
    StagedVerdict,
    StageVerdict,
    judge_pairs,
    staged_chances,
    staged_rule,
)
from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.practice.drill import Drill, Question, Turn, told

RATE, ASSURANCE = 0.95, 0.90
ANSWERS: dict[str, StageVerdict] = {
    "go on": "go on carefully",
    "worse": "clearly worse",
    "more": "more pairs",
    "line": "line first",
    "open": "not settled",
}
"""What may be answered after a stage, and the verdict of the book it stands for."""
_FAILS = ((0.05, 0.05), (0.15, 0.05), (0.35, 0.05), (0.50, 0.05), (0.40, 0.35))
"""How often the new lot and the one in use fail, one of which is drawn."""


class TakeInLot(Drill):
    """Say after each stage of pairs what comes next."""

    exercise = "lot"

    def _begin(self) -> None:
        self.rule: tuple[Stage, ...] = staged_rule(USUAL_PAIRS, RATE)
        self.fails: tuple[float, float] = _FAILS[int(self._rng.integers(len(_FAILS)))]
        most = self.rule[-1].pairs
        lost = self._rng.random((most, 2)) < self.fails
        self._pairs = [("failed" if new else "passed", "failed" if old else "passed") for new, old in lost]
        self.made = self.rule[0].pairs
        self.said: list[tuple[str, StageVerdict]] = []

    @property
    def judged(self) -> StagedVerdict:
        """What the rule says of the pairs made so far; after a stage that settles nothing, more pairs."""
        return judge_pairs(self.rule, self._pairs[: self.made], ASSURANCE)

    def counts(self) -> dict[str, int]:
        """Pairs made, and those in which only the new lot, only the lot in use, or both failed."""
        mine = self._pairs[: self.made]
        return {
            "pairs": self.made,
            "only_new": mine.count(("failed", "passed")),
            "only_old": mine.count(("passed", "failed")),
            "both": mine.count(("failed", "failed")),
        }

    def _question(self) -> Question:
        """See `Drill`."""
        return Question(told("ask lot", stage=len(self.said) + 1, **self.counts()), tuple(ANSWERS))

    def _answer(self, text: str) -> Turn:
        """See `Drill`.

        Raises
        ------
        InputError
            If it is none of the answers.
        """
        word = " ".join(text.lower().split())
        if word not in ANSWERS:
            raise InputError("answer", repr(text), ", ".join(ANSWERS), "Choose one of these.")
        right = self.judged.verdict
        self.said.append((word, right))
        if right != "more pairs":
            return self._end()
        self.made += self.rule[0].pairs
        return Turn((told("stage judged", verdict=right),))

    def _hints(self) -> tuple[Finding, ...]:
        stage = self.rule[len(self.said)]
        return (
            told("lot rule", pairs=stage.pairs, go_on=stage.go_on, worse=stage.worse, in_use=stage.in_use),
            told("pairs that differ"),
        )

    def _end(self) -> Turn:
        each = 100.0 / len(self.said)
        parts = [
            (told("stage said", number=i, said=ANSWERS[word], right=right), each if ANSWERS[word] == right else 0.0)
            for i, (word, right) in enumerate(self.said, start=1)
        ]
        new, old = self.fails
        chances, judged = staged_chances(self.rule, new, old), self.judged
        truth = [
            told("lot was", new=new, old=old, verdict=judged.verdict),
            told("lot chances", worse=chances.worse, go_on=chances.go_on, line=chances.line),
        ]
        if judged.hides is not None:
            truth.append(told("lot hides", hides=judged.hides, assurance=ASSURANCE))
        return self._finish(parts, truth, None, coupons=2 * self.made)
