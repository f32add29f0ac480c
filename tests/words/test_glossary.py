"""The glossary: one paragraph a word, in words the shop uses, and every reference leads somewhere."""

from __future__ import annotations

import pytest

from doe.domain.errors import InputError
from doe.words.glossary import GLOSSARY, explain, words_in
from tests.words.screen_words import is_known, listed, words_of


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
        meant = [name for name in word.also if " " in name] if word.everyday else [word.name]
        assert meant, f"{word.name} is never explained where it stands"
        assert all(word in words_in(f"a {name}.") for name in meant)


@pytest.mark.parametrize(
    "text",
    [
        "Second press: 7 s under a cover sheet",
        "Press temperature seems to decide most: over its tested range",
        "edge lift after wash: the rim lifts",
        "two materials side by side in the same press strokes",
        "separate grains on the powder side",
        "One step is one setting error",
        "highest temperature its data sheet allows at any step",
        "A line joins the two of a pair; thick lines on the axes",
        "stretch crack: lines open when the print is pulled",
        "with limits that each hold; 90 % limits",
        "suits 20 coupons with room for them; Room 23 °C",
        "Which two factors act together",
    ],
)
def test_an_everyday_word_opens_nothing_where_it_means_what_it_always_does(text):
    everyday = {word.name for word in GLOSSARY if word.everyday}
    assert everyday.isdisjoint(word.name for word in words_in(text))
    assert {"under", "over", "edge", "side", "step", "line", "limit", "room", "act"} <= everyday


def test_an_everyday_word_opens_in_the_names_that_can_mean_nothing_else():
    assert [w.name for w in words_in("Too little heat; the hot edge; room on the dial; one line; side unknown")] == [
        *("edge", "line", "room", "side", "under"),
    ]


STATISTICS = """assurance bayesian binomial bound classical coefficient confidence correlation covariance curvature
deviation equivalence factorial frequentist hypothesis intercept kappa lapse likelihood logistic logit median null
orthogonal percentile posterior power predictive prior probability quadratic quantile regression reml replicate residual
resolution robust sampler separation significance significant skew stratum variance"""
OURS = """batch cliff coupon corner dial drift gauge margin room score setpoint side spread stack standing stroke study
surface symptom verdict void window"""


def test_no_term_of_statistics_or_of_the_method_is_taken_for_plain_english():
    assert [w for w in f"{STATISTICS} {OURS}".split() if w in listed("plain") | listed("trade") | listed("names")] == []
    assert [word for word in OURS.split() if not explain(word).text] == []
    assert sorted(listed("plain") & {word.name.lower() for word in GLOSSARY}) == []


def test_a_word_of_a_screen_is_split_from_what_is_typed_or_named():
    assert words_of("A coupon (R1-03): doe study new --line 'back room', in a.html; the maker's x²") == {
        "coupon",
        "in",
        "the",
        "maker's",
    }
    assert is_known("coupons")
    assert is_known("maker's")
    assert not is_known("heteroscedastic")
