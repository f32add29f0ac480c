"""What a comparison may find has its words, and limits are rounded so that nothing is promised."""

from __future__ import annotations

from typing import get_args

import pytest

from doe.assure.comparison.equivalence import HandCode
from doe.assure.comparison.plan import FirstRoundCode
from doe.assure.comparison.verdict import Code
from doe.domain.finding import Finding
from doe.words.comparison import FOUND, facts_said, said

COUNTS = {"new_passed": 18, "new_units": 20, "old_passed": 20, "old_units": 20, "assurance": 0.95}
HAND = {"difference": -0.21, "hand_low": -0.41, "hand_high": -0.01, "hand_margin": 0.5, "assurance": 0.95}


def test_every_code_has_its_words():
    hand, others = get_args(Code)
    assert hand == HandCode
    assert {*get_args(hand), *get_args(others), *get_args(FirstRoundCode)} <= FOUND.keys()


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (Finding("worse", {**COUNTS, "least_drop": 0.0199}), "with 95 % assurance, it is at least 1 point worse."),
        (
            Finding("misses_rate", {**COUNTS, "wanted": 0.975, "new_high": 0.9601}),
            "97.5 %: new 18 of 20, in use 20 of 20",
        ),
        (Finding("misses_rate", {**COUNTS, "wanted": 0.975, "new_high": 0.9601}), "its pass rate is at most 97 %."),
        (
            Finding("rate_open", {**COUNTS, "most_drop": 0.2001, "further": 1, "paired": False}),
            "up to 21 points worse); if both are alike, about 1 more coupon of each show it",
        ),
        (
            Finding("hand_open", {**HAND, "further": 3, "paired": True}),
            "-0.5 to +0.0 points); about 3 more strokes would.",
        ),
        (Finding("stiffer", {**HAND, "hand_apart": 0.76, "hand_least": 0.58}), "stiffer by 0.8 points; with 95 %"),
        (Finding("stiffer", {**HAND, "hand_apart": 0.76, "hand_least": 0.58}), "by at least 0.5, more than the 0.5"),
        (Finding("checks_waiting", {"units": 1}), "1 unit waits for a check."),
        (
            Finding("few_batches", {"grouping": "cure_batch", "spare_batches": 1}),
            "of cure batch rests on 1 spare batch only",
        ),
        # with few pairs left clearly worse may be out of reach too, so it is not promised
        (Finding("go_on_gone"), "can no longer come out, whatever the rest shows."),
        (Finding("may_retune", {"worse": None, "edges": False, "hand": False}), "cannot be shown by so few"),
    ],
)
def test_sentences_say_the_facts(found, words):
    assert words in said((found,))[0]


def test_json_has_the_facts_beside_the_sentences():
    fact = Finding("judged_early")
    assert facts_said(cautions=(fact,)) == {"cautions": said((fact,)), "facts": {"cautions": (fact,)}}
