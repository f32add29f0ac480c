"""Exercise: find the fault behind symptoms with few minutes of checks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.practice.drill import BarPicture, Drill, Question, Turn, told
from doe.symptoms.catalogue import FAULTS, LOOKS, Fault, Look, Where, fault, look
from doe.symptoms.diagnosis import (
    FAULT_KEYS,
    LEAK,
    SYMPTOMS,
    Evidence,
    diagnose,
    outcome_probabilities,
    starting_odds,
    states,
)

MINUTES = 60.0
TRIES = 3
COUPON_MINUTES = 10.0
"""One coupon back at the recipe, with its wait (our guess, no source)."""
MEND_MINUTES: Mapping[Where, float] = {"the dial": 5.0, "handling": 10.0, "material": 20.0, "the machine": 45.0}
"""What mending takes by where a fault sits (our guesses, no source); for a machine somebody licensed has to come."""
_REPORTED = 0.8


def mended_for_nothing(named: Fault) -> float:
    """Minutes that a cause costs in the shop when it is not the one: mending it, and a coupon that still fails."""
    return MEND_MINUTES[named.at] + COUPON_MINUTES


class FindFault(Drill):
    """Make checks, then name the cause."""

    exercise = "fault"

    def _begin(self) -> None:
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

    def _question(self) -> Question:
        """See `Drill`."""
        left = [m for m in LOOKS if m.key not in self.evidence.found and self.minutes + m.minutes <= MINUTES]
        keys = tuple(m.key for m in left)
        asks = told("checks left", minutes=MINUTES - self.minutes, tries=TRIES - len(self.wrong), checks=keys)
        return Question(asks, keys, tuple(key for key in FAULT_KEYS if key not in self.wrong))

    def _answer(self, text: str) -> Turn:
        """See `Drill`.

        Raises
        ------
        InputError
            If it cannot be used; nothing has changed then.
        """
        if text == "=":
            return Turn((told("causes", causes=FAULT_KEYS),))
        if text.startswith("="):
            return self._name(text[1:])
        if text.startswith("?"):
            made = look(text[1:])
            outcomes = (told("outcome", check=made.key, outcome=key) for key in made.outcome_keys())
            return Turn((told("check", check=made.key), *outcomes))
        return self._check(look(text))

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
        return Turn((told("check", check=made.key), told("check found", check=made.key, outcome=outcome)))

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
            return Turn((told("not it", cause=named.key, minutes=mended_for_nothing(named)),))
        return self._end(found=False)

    def _hints(self) -> tuple[Finding, ...]:
        found = diagnose(self.evidence)
        first = found.checks[0].look if found.checks else None
        return (
            told("no check") if first is None else told("best check", check=first.key),
            told("which side", side=self.cause.side),
            told("one of", causes=tuple(sorted({self.cause.key, *(c.fault.key for c in found.causes[:3])}))),
        )

    def _end(self, *, found: bool) -> Turn:
        start, now = diagnose(Evidence(self.symptoms)), diagnose(self.evidence)
        keys = [c.fault.key for c in start.causes[:7]]
        keys += [self.cause.key] if self.cause.key not in keys else []

        def chances(d: object) -> tuple[float, ...]:
            return tuple(next(c.p for c in d.causes if c.fault.key == key) for key in keys)  # type: ignore[attr-defined]

        minutes, made = self._tool()
        parts = [(told("cause found"), 100.0) if found else (told("cause missed"), 0.0)]
        if found:
            wrong = len(self.wrong)
            parts += [(told("check minutes", minutes=self.minutes), -self.minutes)]
            lost = sum(mended_for_nothing(fault(key)) for key in self.wrong)
            parts += [(told("wrong causes", count=wrong, minutes=lost), -lost)] if wrong else []
        truth = [
            told("it was", cause=self.cause.key),
            told("ranked", before=start.rank(self.cause.key), after=now.rank(self.cause.key), causes=len(FAULTS)),
            told("tool checks", checks=tuple(made), minutes=minutes),
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
