"""The glossary: one paragraph a word, in words the shop uses, and every reference leads somewhere."""

from __future__ import annotations

import pytest

from doe.domain.errors import InputError
from doe.words.glossary import GLOSSARY, explain, words_in


@pytest.mark.parametrize("word", GLOSSARY, ids=[w.name for w in GLOSSARY])
def test_word_has_one_readable_paragraph(word):
    assert "\n" not in word.text
    assert word.text[0].isupper()
    assert word.text.endswith(".")
    assert 8 <= len(word.text.split()) <= 80
    for name in word.see:
        assert explain(name).name == name


def test_words_stand_in_order_and_every_name_belongs_to_one():
    names = [w.name for w in GLOSSARY]
    assert names == sorted(names)
    every = [n.lower() for w in GLOSSARY for n in (w.name, *w.also)]
    assert len(set(every)) == len(every)


@pytest.mark.parametrize(
    "name",
    [
        "setpoint",
        "window",
        "assurance",
        "setting error",
        "coupon",
        "plan",
        "stack pass rate"[6:],
        "side",
        "recipe",
        "alias",
        "resolution",
        "replicate",
        "block",
        "randomization",
        "factor",
        "level",
        "response",
        "interaction",
        "lower bound",
        "standard deviation",
        "verdict",
        "robust",
        "curvature",
        "lack of fit",
        "separation",
        "power",
    ],
)
def test_words_that_reports_use_are_explained(name):
    assert explain(name).text


def test_word_is_found_however_it_is_typed():
    assert explain(" Setting_Errors ").name == "setting error"
    assert explain("CLIFFS").name == "cliff"
    assert explain("non-inferiority").name == "non-inferior"


def test_unknown_word_is_answered_with_close_ones():
    with pytest.raises(InputError, match="setpoint"):
        explain("set point s")
    with pytest.raises(InputError, match="doe explain"):
        explain("zzzz")


def test_words_are_found_as_they_are_written() -> None:
    assert [word.name for word in words_in("SETPOINTS and the lower bound; a hand, at half height")] == [
        "lower bound",
        "setpoint",
    ]
    assert words_in("preset points, bookish, over-heated") == ()
    for word in GLOSSARY:
        assert word in words_in(f"a {word.name}.")
