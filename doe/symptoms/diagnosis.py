"""Diagnosis: which faults explain what is seen, and which check tells most per minute of work.

The model, in the open: each fault is there with a stated probability (`doe.symptoms.catalogue`, moved by the shop's own
cases); a second one at the same time is rarer than chance would have it, because the recipe worked until now; what is
known moves these odds by stated factors (`doe.symptoms.known`); a fault that is there shows each of its symptoms with
a stated probability, several faults by noisy-or (`doe.symptoms.diagnosis`); checks come out in stated ways
(`doe.symptoms.catalogue`). Up to `MOST` faults at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache, lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from doe.domain.errors import InputError
from doe.symptoms.catalogue import CATALOGUE, FAULTS, LOOKS, SLIP, Fault, Look, look, symptom
from doe.symptoms.known import Known, Shift, shifts

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

PRIOR_CASES = 30.0
"""The guess how often a fault is there counts as much as this many cases of the shop."""
LINK_CASES = 8.0
"""The guess how often a fault shows a symptom counts as much as this many cases of that fault."""
OUTCOME_CASES = 8.0
"""The guess how a check comes out counts as much as this many times it was made on that fault."""
LEAK = 0.01
"""Probability that a symptom shows without any listed fault."""
_LEAKS = np.full(len(CATALOGUE), LEAK)
REPORTED = 0.5
"""Probability that a symptom that is there is written down. So a symptom nobody named speaks only softly against
the faults that show it; one that was looked for and is not there speaks in full."""

SYMPTOMS = tuple(s.key for s in CATALOGUE)
FAULT_KEYS = tuple(f.key for f in FAULTS)
_LOOKS = {made.key: made for made in LOOKS}


@dataclass(frozen=True)
class Case:
    """One case of the shop whose cause was found.

    Attributes
    ----------
    symptoms : tuple of str
        What was reported.
    cause : str
        Key of the fault it turned out to be; ``""`` when it was none of the list.
    absent : tuple of str
        Symptoms that were looked for and not there.
    found : mapping
        Checks that were made, by key, with their outcome.
    """

    symptoms: tuple[str, ...]
    cause: str
    absent: tuple[str, ...] = ()
    found: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Odds:
    """Numbers of the model.

    Attributes
    ----------
    there : array, shape (faults,)
        Probability that a fault is there in a failing recipe.
    links : array, shape (faults, symptoms)
        Probability that a fault by itself shows a symptom.
    brought : mapping of str to array, shape (faults, outcomes beside the usual)
        By key of a check: probability that a fault by itself brings an outcome about.
    cases : int
        Cases of the shop that moved them.
    """

    there: FloatArray
    links: FloatArray
    brought: Mapping[str, FloatArray]
    cases: int = 0


@cache
def starting_odds() -> Odds:
    """Odds before the shop has any case of its own."""
    links = np.zeros((len(FAULTS), len(SYMPTOMS)))
    for i, f in enumerate(FAULTS):
        for key, p in f.shows().items():
            links[i, SYMPTOMS.index(key)] = p
    brought = {
        made.key: np.array([[o.brought_by.get(key, 0.0) for o in made.outcomes] for key in FAULT_KEYS])
        for made in LOOKS
    }
    return Odds(np.array([f.per_hundred / 100 for f in FAULTS]), links, brought)


def shop_odds(cases: Iterable[Case]) -> Odds:
    """Odds after the shop's own cases.

    A case whose cause was none of the list counts as one in which every listed fault was absent.

    Examples
    --------
    >>> before, after = starting_odds(), shop_odds([Case(("edge_haze",), "powder_uneven")] * 5)
    >>> i = FAULT_KEYS.index("powder_uneven")
    >>> bool(after.there[i] > before.there[i]), after.cases
    (True, 5)
    """
    start = starting_odds()
    there = PRIOR_CASES * start.there
    shown, total = LINK_CASES * start.links, np.full_like(start.links, LINK_CASES)
    came_out = {key: OUTCOME_CASES * brought for key, brought in start.brought.items()}
    times_made = {key: np.full(len(FAULTS), OUTCOME_CASES) for key in came_out}
    made = 0
    for case in cases:
        made += 1
        if case.cause not in FAULT_KEYS:
            continue
        i = FAULT_KEYS.index(case.cause)
        there[i] += 1
        seen = np.isin(SYMPTOMS, case.symptoms)
        looked = seen | np.isin(SYMPTOMS, case.absent)
        shown[i] += seen
        # a symptom nobody named may have been there all the same: it counts as half a look
        total[i] += np.where(looked, 1.0, REPORTED)
        for made_key, outcome in case.found.items():
            check = _LOOKS.get(made_key)
            if check is None or outcome not in check.outcome_keys():
                continue  # a check of an older list
            times_made[made_key][i] += 1
            if outcome != "usual":
                came_out[made_key][i, check.place(outcome)] += 1
    brought = {key: _below_certain(counts / times_made[key][:, None]) for key, counts in came_out.items()}
    return Odds(there / (PRIOR_CASES + made), np.minimum(shown / total, 0.98), brought, made)


def _below_certain(brought: FloatArray, most: float = 0.98) -> FloatArray:
    """Rows held to a sum that leaves room for the usual outcome."""
    return np.asarray(brought * np.minimum(1.0, most / np.maximum(brought.sum(axis=1, keepdims=True), 1e-9)))


@lru_cache(maxsize=8)
def states(causes: int, most: int) -> BoolArray:
    """Every set of at most ``most`` causes that are there at once, shape (sets, causes); the empty set first.

    More than three faults at once are left out on purpose: what they would add to a diagnosis is far below what
    the guessed odds can bear.
    """
    chosen = [c for size in range(min(most, causes) + 1) for c in combinations(range(causes), size)]
    made = np.zeros((len(chosen), causes), dtype=bool)
    for row, members in enumerate(chosen):
        made[row, list(members)] = True
    made.flags.writeable = False  # kept between calls
    return made


def log_prior(there: BoolArray, p: FloatArray) -> FloatArray:
    """Log probability of each set before anything is seen, shape (sets,); ``p``: of each cause, below 1."""
    return np.asarray(np.where(there, np.log(p), np.log1p(-p)).sum(axis=1))


def p_shown(there: BoolArray, links: FloatArray, leak: FloatArray) -> FloatArray:
    """Probability that each finding is shown, shape (sets, findings).

    Parameters
    ----------
    there : bool array, shape (sets, causes)
    links : array, shape (causes, findings)
        Probability that a cause by itself shows a finding, below 1.
    leak : array, shape (findings,)
        Probability that it is shown by something that is no listed cause.
    """
    absent = np.log1p(-leak) + there.astype(float) @ np.log1p(-links)
    return np.asarray(-np.expm1(absent))


def weights(log_joint: FloatArray) -> FloatArray:
    """Probability of each set given what was seen, shape (sets,)."""
    scaled = np.exp(log_joint - log_joint.max())
    return np.asarray(scaled / scaled.sum())


def information(posterior: FloatArray, outcomes: FloatArray) -> float:
    """Expected information of a look, in bits: how much less unsure about the causes it leaves us on average.

    Mutual information of causes and outcome. ``outcomes``: shape (sets, outcomes), probability of each outcome.
    """
    overall = posterior @ outcomes
    gained = _bits(overall) - float(posterior @ _bits_of_rows(outcomes))
    return max(0.0, gained)  # rounding may leave it a hair below


def _bits(p: FloatArray) -> float:
    return float(_bits_of_rows(p[None, :])[0])


def _bits_of_rows(p: FloatArray) -> FloatArray:
    safe = np.where(p > 0, p, 1.0)
    return np.asarray(-(p * np.log2(safe)).sum(axis=1))


MOST = 3
"""Faults at once, at most."""
TOGETHER = 0.25
"""Factor for each fault beyond the first (our guess, no source)."""
SURE, APART = 0.65, 2.0
"""A cause is named when it is at least this probable and this many times as probable as the next one."""
START_MINUTES = 1.0
"""To lay down other work and go there. With it fewer checks are needed than without, and no more minutes (measured
on invented shops)."""
WORTH = 0.03
"""A check that tells less than this, in bits, is not proposed."""
_HIGHEST = 0.97  # no fault is taken for granted before anything is seen

_STAGES = ("after cure", "at press", "at peel", "after press", "after wash", "days later")


@dataclass(frozen=True)
class Evidence:
    """What speaks for and against the causes.

    Attributes
    ----------
    symptoms, absent : tuple of str
        Keys of the catalogue: what is seen, and what was looked for and is not there.
    known : Known
    found : mapping
        Checks made, by key, with their outcome.

    Raises
    ------
    InputError
        If a symptom is both seen and not seen, or nothing is known.
    """

    symptoms: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()
    known: Known = field(default_factory=Known)
    found: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for key in (*self.symptoms, *self.absent):
            symptom(key)
        both = sorted(set(self.symptoms) & set(self.absent))
        if both:
            raise InputError("symptom", ", ".join(both), "seen or not seen", "Say one of the two.")
        if not self.symptoms and not self.found:
            raise InputError("symptoms", "none", "at least one", "Say what is seen on the print.")
        for key, outcome in self.found.items():
            look(key).place(outcome)


@dataclass(frozen=True)
class RankedCause:
    """One cause with its probability, what symptoms it would explain, and what moved its odds."""

    fault: Fault
    p: float
    explains: tuple[str, ...]
    moved_by: tuple[Shift, ...]


@dataclass(frozen=True)
class NextLook:
    """A check not made yet: expected information in bits, and per minute of work."""

    look: Look
    bits: float

    @property
    def bits_per_minute(self) -> float:
        """What the order goes by; every check costs `START_MINUTES` besides its own."""
        return self.bits / (START_MINUTES + self.look.minutes)


@dataclass(frozen=True)
class Diagnosis:
    """What the evidence says.

    Attributes
    ----------
    causes : tuple of RankedCause
        Every listed cause, the likeliest first; several may be there at once, so they need not add up to one.
    p_none : float
        Probability that none of the listed causes is there.
    checks : tuple of NextLook
        Checks worth making, the most information per minute first.
    settled : bool
        Whether the first cause stands out (`SURE`, `APART`).
    tied : tuple of str
        Keys of the causes the evidence does not tell apart, when it is not settled.
    cases : int
        Cases of the shop in the odds.
    both : bool
        Whether the first two are there at once, each explaining what the other does not.
    """

    causes: tuple[RankedCause, ...]
    p_none: float
    checks: tuple[NextLook, ...]
    settled: bool
    tied: tuple[str, ...]
    cases: int
    both: bool = False

    @property
    def first(self) -> RankedCause:
        """The likeliest cause."""
        return self.causes[0]

    def rank(self, key: str) -> int:
        """Place of a cause, 1 for the likeliest."""
        return 1 + [c.fault.key for c in self.causes].index(key)


def diagnose(evidence: Evidence, odds: Odds | None = None) -> Diagnosis:
    """Rank the causes, and the checks that would tell them apart.

    Parameters
    ----------
    evidence : Evidence
    odds : Odds, optional
        The shop's, from `doe.symptoms.diagnosis.shop_odds`; by default those every shop starts with.

    Notes
    -----
    The numbers behind it are guesses until the shop has cases of its own: trust the order of the causes and the
    proposed check, not the second digit of a probability.
    """
    odds = odds or starting_odds()
    there = states(len(FAULTS), MOST)
    moved = shifts(evidence.known)
    beyond_first = np.maximum(there.sum(axis=1) - 1, 0)
    log_joint = log_prior(there, _before(odds, moved)) + np.log(TOGETHER) * beyond_first
    log_joint = log_joint + _log_symptoms(evidence, odds)
    for key, outcome in evidence.found.items():
        made = look(key)
        log_joint = log_joint + np.log(outcome_probabilities(made, there, odds)[:, made.place(outcome)])
    posterior = weights(log_joint)
    p = posterior @ there
    order = np.argsort(-p, kind="stable")
    causes = tuple(
        RankedCause(
            FAULTS[i],
            float(p[i]),
            tuple(s for s in evidence.symptoms if odds.links[i, SYMPTOMS.index(s)] > LEAK),
            tuple(m for m in moved if m.fault == FAULTS[i].key and m.factor != 1),
        )
        for i in order
    )
    together = posterior[there[:, order[0]] & there[:, order[1]]].sum()
    both = bool(together >= SURE)
    rival = causes[2] if both else causes[1]
    settled = bool(causes[0].p >= SURE and causes[0].p >= APART * rival.p)
    tied = () if settled else tuple(c.fault.key for c in causes[:4] if c.p >= causes[0].p / APART)
    checks = _next_looks(evidence, odds, posterior, there, _told_by(evidence, odds))
    return Diagnosis(causes, float(posterior[0]), checks, settled, tied, odds.cases, both and settled)


def _before(odds: Odds, moved: tuple[Shift, ...]) -> FloatArray:
    """Probability of each fault before the symptoms, moved by what is known."""
    ratio = odds.there / (1 - odds.there)
    for shift in moved:
        ratio[FAULT_KEYS.index(shift.fault)] *= shift.factor
    return np.clip(ratio / (1 + ratio), 1e-6, _HIGHEST)


def _log_symptoms(evidence: Evidence, odds: Odds) -> FloatArray:
    shown = _shown(odds)
    reached = _stage_reached(evidence)
    total = np.zeros(len(shown))
    for j, key in enumerate(SYMPTOMS):
        if key in evidence.symptoms:
            total += np.log(shown[:, j])
        elif key in evidence.absent:
            total += np.log1p(-shown[:, j])
        elif evidence.symptoms and _STAGES.index(symptom(key).when) <= reached:
            total += np.log1p(-REPORTED * shown[:, j])
    return total


def _shown(odds: Odds) -> FloatArray:
    """Probability that each symptom shows for each set of faults, shape (sets, symptoms)."""
    return _shown_at_start() if odds is starting_odds() else p_shown(states(len(FAULTS), MOST), odds.links, _LEAKS)


@cache
def _shown_at_start() -> FloatArray:
    """The same before the shop has cases: asked again with every question, always the same."""
    found = p_shown(states(len(FAULTS), MOST), starting_odds().links, _LEAKS)
    found.flags.writeable = False
    return found


def _stage_reached(evidence: Evidence) -> int:
    """Number of the last stage the print has seen: what shows only later cannot speak yet."""
    stages = [_STAGES.index(symptom(key).when) for key in evidence.symptoms]
    when = {"at stretch": "after press"}.get(evidence.known.when, evidence.known.when)
    if when:
        stages.append(_STAGES.index(when))
    return max(stages, default=-1)


def outcome_probabilities(made: Look, there: BoolArray, odds: Odds | None = None) -> FloatArray:
    """Probability of each outcome of a check for each set of faults, shape (sets, outcomes); ``usual`` last.

    The usual outcome stays only if no fault and no slip brings another about; what is left is shared among the
    others in proportion to what brings them about.
    """
    if (odds is None or odds is starting_odds()) and there is states(len(FAULTS), MOST):
        return _outcomes_at_start(made.key)
    return _outcomes(made, there, odds or starting_odds())


@cache
def _outcomes_at_start(key: str) -> FloatArray:
    """What a check may find before the shop has cases: asked again with every question, always the same."""
    found = _outcomes(_LOOKS[key], states(len(FAULTS), MOST), starting_odds())
    found.flags.writeable = False
    return found


def _outcomes(made: Look, there: BoolArray, odds: Odds) -> FloatArray:
    brought = odds.brought[made.key]
    stays = (1 - SLIP) * np.exp(there.astype(float) @ np.log1p(-brought.sum(axis=1)))
    pull = there.astype(float) @ brought + SLIP / len(made.outcomes)
    others = (1 - stays)[:, None] * pull / pull.sum(axis=1, keepdims=True)
    return np.column_stack([others, stays])


def _told_by(evidence: Evidence, odds: Odds) -> FloatArray:
    """How much each fault accounts for what was seen, shape (faults,); it decides whom a set of faults is due to."""
    seen = [SYMPTOMS.index(key) for key in evidence.symptoms]
    due = -np.log1p(-odds.links[:, seen]).sum(axis=1)
    for key, outcome in evidence.found.items():
        if outcome != "usual":
            due += odds.brought[key][:, look(key).place(outcome)]
    return np.asarray(due)


def _next_looks(
    evidence: Evidence, odds: Odds, posterior: FloatArray, there: BoolArray, due: FloatArray
) -> tuple[NextLook, ...]:
    """Checks by what they tell about the fault behind the symptoms.

    Each set of faults is due to the one that accounts for most of what was seen. Whether something else happens to be
    there as well is left out: a quick look at a thing that cannot be the reason would otherwise seem worth its minute.
    """
    behind = np.where(there, due, -1.0).argmax(axis=1)
    behind = np.where((there * due).max(axis=1) > 0, behind, len(FAULTS))
    member = behind[None, :] == np.arange(len(FAULTS) + 1)[:, None]  # shape (faults and none, sets)
    share = member @ posterior
    kept = share > 0
    weighed = member[kept] * posterior
    known = evidence.known.facts() | set(evidence.symptoms) | set(evidence.absent)
    found = []
    for made in LOOKS:
        if made.key in evidence.found or known & set(made.repeats):
            continue
        outcomes = weighed @ outcome_probabilities(made, there, odds) / share[kept, None]
        bits = information(share[kept], outcomes)
        if bits >= WORTH:
            found.append(NextLook(made, bits))
    return tuple(sorted(found, key=lambda n: -n.bits_per_minute))
