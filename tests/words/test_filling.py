"""Texts of a table are filled with values as people read them, and every code has its text."""

from __future__ import annotations

from typing import get_args

import pytest

from doe.domain.jsonable import packaged_table
from doe.domain.units import Shown
from doe.practice.drill import Code
from doe.symptoms.catalogue import FAULTS
from doe.symptoms.known import _MOVES, BecauseCode
from doe.words.diagnosis import _BECAUSE
from doe.words.facts import Reader, filled
from doe.words.practice import _ASKED, _SAID


@pytest.mark.parametrize(
    ("text", "values", "told"),
    [
        ("{n:try/tries} {n:verb is/are} left", {"n": 1}, "1 try is left"),
        ("{n:coupon}", {"n": 2.6}, "3 coupons"),
        ("{p:of 100}, {p:least of 100}", {"p": 0.998}, "99 of 100, 99 of 100"),
        ("{t:both}; {t:show degC}", {"t": 150.0}, "302 °F (150 °C); 302 °F"),
        ("{d:apart} {d:size 0} {d:degrees} {d:sign down/up}", {"d": -5.0}, "-9.0 °F (-5.0 °C) 9 °F (5 °C) 9 °F down"),
        ("{x:either yes/no}{f:label}", {"x": False, "f": "dwell"}, "nopress dwell"),
        ("{names:commas} {x:.1f}", {"names": ("a", "b"), "x": 2.25}, "a, b 2.2"),
    ],
)
def test_what_stands_behind_a_colon_says_how_a_value_is_read(text, values, told):
    assert filled(text, Reader(Shown("degF")), **values) == told


def test_a_value_that_is_missing_is_our_own_mistake():
    with pytest.raises(KeyError):
        filled("{n:coupon}")


def test_every_code_of_an_exercise_and_of_a_diagnosis_has_its_words_once():
    asked = {*packaged_table("said_at_practice")["asked"], *_ASKED}
    assert asked | set(_SAID) == set(get_args(Code))
    assert not asked & set(_SAID)
    assert set(_BECAUSE) == set(get_args(BecauseCode))


def test_odds_move_for_known_reasons_and_known_faults():
    for reason, factors in _MOVES.items():
        assert any(reason.startswith(code) for code in get_args(BecauseCode))
        assert set(factors) <= {f.key for f in FAULTS}
        assert min(factors.values()) > 0
