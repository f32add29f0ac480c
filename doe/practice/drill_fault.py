"""Exercise: find the fault behind symptoms with few minutes of checks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from doe.domain.errors import InputError
from doe.domain.outcome import SIDE_WORDS
from doe.domain.units import METRIC, Shown
from doe.practice.drill import BarPicture, Drill, Question, Turn
from doe.symptoms.catalogue import CATALOGUE
from doe.symptoms.diagnosis import Evidence, diagnose, outcome_probabilities
from doe.symptoms.faults import FAULTS, fault
from doe.symptoms.looks import LOOKS, Look, look
from doe.symptoms.noisy_or import states
from doe.symptoms.odds import FAULT_KEYS, LEAK, SYMPTOMS, starting_odds

MINUTES = 60.0
WRONG_COST, TRIES = 20, 3
_REPORTED = 0.8
_LABELS = {s.key: s for s in CATALOGUE}


class FindFault(Drill):
    """Make checks, then name the cause."""

    exercise = "fault"
    title = "Find the fault"

    def __init__(self, seed: int, shown: Shown = METRIC) -> None:
        super().__init__(seed, shown)
        odds = starting_odds()
        weights = odds.there / odds.there.sum()
        while True:  # a case is a case only when something was seen
            i = int(self._rng.choice(len(FAULTS), p=weights))
            shown_p = 1 - (1 - LEAK) * (1 - odds.links[i])
            seen = (self._rng.random(len(SYMPTOMS)) < shown_p) & (self._rng.random(len(SYMPTOMS)) < _REPORTED)
            if (seen & (odds.links[i] > 0)).any():
                break
        self.cause = FAULTS[i]
        self.symptoms = tuple(str(s) for s in np.array(SYMPTOMS)[seen])
        there = states(len(FAULTS), 1)
        row = 1 + FAULT_KEYS.index(self.cause.key)
        self._comes_out = {
            made.key: made.outcome_keys()[
                int(self._rng.choice(len(made.outcomes) + 1, p=outcome_probabilities(made, there)[row]))
            ]
            for made in LOOKS
        }
        self.evidence = Evidence(self.symptoms)
        self.minutes = 0.0
        self.wrong: list[str] = []

    @property
    def brief(self) -> tuple[str, ...]:
        """See `Drill`."""
        return (
            "A recipe that worked until last week now fails. The people at the press report:",
            *(f"  {_LABELS[key].label}: {_LABELS[key].seen}" for key in self.symptoms),
            f"Find the cause. You have {MINUTES:g} minutes of checks and {TRIES} tries.",
            f"Score: 100, less one point for each minute of checks, less {WRONG_COST} for each wrong cause, less 5 for "
            "each hint; nothing when you do not find it.",
        )

    def question(self) -> Question | None:
        """See `Drill`."""
        if self.is_over:
            return None
        left = [m for m in LOOKS if m.key not in self.evidence.found and self.minutes + m.minutes <= MINUTES]
        listed = ", ".join(f"{m.key} ({m.minutes:g})" for m in left)
        return Question(
            f"{MINUTES - self.minutes:g} minutes and {TRIES - len(self.wrong)} tries left. Checks with their minutes: "
            f"{listed}.",
            "A check to make it (? before it says what it is); = and a cause to name it; = alone lists the causes",
            tuple(m.key for m in left),
        )

    def answer(self, text: str) -> Turn:
        """See `Drill`.

        Raises
        ------
        InputError
            If it cannot be used; nothing has changed then.
        """
        if self.is_over:
            raise InputError("answer", repr(text), "nothing more", "The exercise is over.")
        word = text.strip()
        if word == "=":
            return Turn(("Causes: " + ", ".join(f.key for f in FAULTS) + ".",))
        if word.startswith("="):
            return self._name(word[1:])
        if word.startswith("?"):
            made = look(word[1:])
            return Turn((made.words, *(f"  {o.key}: {o.words}" for o in made.outcomes), f"  usual: {made.usual}"))
        return self._check(look(word))

    def _check(self, made: Look) -> Turn:
        """Make a check.

        Raises
        ------
        InputError
            If it was made before, or takes more time than is left.
        """
        if made.key in self.evidence.found:
            raise InputError("check", made.key, "a check not made yet", "It came out as before.")
        if self.minutes + made.minutes > MINUTES:
            raise InputError(
                "check", f"{made.minutes:g} minutes", f"at most {MINUTES - self.minutes:g}", "Name a cause with = now."
            )
        self.minutes += made.minutes
        outcome = self._comes_out[made.key]
        self.evidence = replace(self.evidence, found={**self.evidence.found, made.key: outcome})
        words = next((o.words for o in made.outcomes if o.key == outcome), made.usual)
        return Turn((made.words, f"Found: {words}."))

    def _name(self, text: str) -> Turn:
        """Name a cause.

        Raises
        ------
        InputError
            If it was named before.
        """
        named = fault(text)
        if named.key == self.cause.key:
            return self._end(found=True)
        if named.key in self.wrong:
            raise InputError("cause", named.key, "a cause not named yet", "That was not it.")
        self.wrong.append(named.key)
        if len(self.wrong) < TRIES:
            return Turn((f"{named.label}: no, mending that changed nothing.",))
        return self._end(found=False)

    def _hints(self) -> tuple[str, ...]:
        found = diagnose(self.evidence)
        first = found.checks[0].look if found.checks else None
        side = SIDE_WORDS[self.cause.side]
        return (
            "No check left tells much: name the likeliest cause."
            if first is None
            else f"The check that tells most per minute now: {first.key}.",
            f"Which way it is: {side}.",
            f"It is one of: {', '.join(sorted({self.cause.key, *(c.fault.key for c in found.causes[:3])}))}.",
        )

    def _end(self, *, found: bool) -> Turn:
        start, now = diagnose(Evidence(self.symptoms)), diagnose(self.evidence)
        keys = [c.fault.key for c in start.causes[:7]]
        keys += [self.cause.key] if self.cause.key not in keys else []

        def chances(d: object) -> tuple[float, ...]:
            return tuple(next(c.p for c in d.causes if c.fault.key == key) for key in keys)  # type: ignore[attr-defined]

        minutes, made = self._tool()
        parts = [("found" if found else "not found", 100.0 if found else 0.0)]
        if found:
            parts += [(f"{self.minutes:g} minutes of checks", -self.minutes)]
            parts += [(f"{len(self.wrong)} wrong", -float(WRONG_COST * len(self.wrong)))] if self.wrong else []
        truth = [
            f"It was: {self.cause.label}. {self.cause.remedy}",
            f"Before any check the tool ranked it {start.rank(self.cause.key)} of {len(FAULTS)}; with your checks, "
            f"{now.rank(self.cause.key)}.",
            f"The tool's own checks would have been: {', '.join(made) or 'none'} ({minutes:g} minutes).",
        ]
        picture = BarPicture(tuple(fault(k).label for k in keys), chances(start), chances(now), self.cause.label)
        return self._finish(parts, truth, picture, minutes=self.minutes)

    def _tool(self) -> tuple[float, list[str]]:
        """Minutes and checks of the tool until it names a cause or has no check left."""
        evidence, minutes, made = Evidence(self.symptoms), 0.0, list[str]()
        while True:
            found = diagnose(evidence)
            if (found.settled and made) or not found.checks or minutes + found.checks[0].look.minutes > MINUTES:
                return minutes, made
            proposed = found.checks[0].look
            minutes += proposed.minutes
            made.append(proposed.key)
            evidence = replace(evidence, found={**evidence.found, proposed.key: self._comes_out[proposed.key]})
