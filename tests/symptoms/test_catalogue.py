"""The symptom catalogue: complete, readable, and on the side that practice knows."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.domain.errors import InputError
from doe.symptoms.catalogue import CATALOGUE, SURENESS, WORDS, Pointer, short_list, side_of, symptom

KEYS = [s.key for s in CATALOGUE]
some_keys = st.lists(st.sampled_from(KEYS), max_size=4)


def test_catalogue_holds_34_symptoms_each_with_its_own_key_and_label():
    assert len(CATALOGUE) == 34
    assert len({s.key for s in CATALOGUE}) == 34
    assert len({s.label for s in CATALOGUE}) == 34


@pytest.mark.parametrize("s", CATALOGUE, ids=KEYS)
def test_every_symptom_can_be_read_and_acted_on(s):
    assert s.key == s.key.lower()
    assert s.key.isidentifier()
    assert not set(s.label) & set(",;\n")  # a cell of an entry file may hold several labels
    assert s.causes
    assert len({c.pointer for c in s.causes}) == len(s.causes)
    assert len(s.label) <= 24  # fits a column of the bench sheet
    for sentence in (s.first_check, s.remedy):
        assert sentence[0].isupper()
        assert sentence[-1] in ".?"
    assert "no source" in s.source


@pytest.mark.parametrize("s", CATALOGUE, ids=KEYS)
def test_leading_cause_is_never_less_sure_than_a_later_one(s):
    ranks = [SURENESS.index(c.sureness) for c in s.causes]
    assert ranks[0] == max(ranks)


@pytest.mark.parametrize("s", CATALOGUE, ids=KEYS)
def test_remedy_that_adds_heat_stays_inside_the_limits(s):
    text = s.remedy.lower()
    if "more " in text and any(word in text for word in ("heat", "dwell", "cure")):
        assert "limits" in text


# Side of what is seen at settings known to be wrong: common practice, no source.
@pytest.mark.parametrize(
    ("seen", "side"),
    [
        (["grainy_back"], "under"),  # cure at 90 degC: grainy back,
        (["grainy_back", "sheet_lift_wash", "colour_shed"], "under"),  # ... print peels, colour layer washes off
        (["film_lock"], "over"),  # cure at 160 degC: will not release hot or warm
        (["film_lock", "blisters"], "over"),  # ... and boiling in large solids
        (["patchy_transfer"], "under"),  # press at 131 degC: parts stay on the film
        (["patchy_transfer", "sheet_lift_wash"], "under"),  # ... and wash-off
        (["film_lock", "blisters", "press_shrink"], "over"),  # press at 190 degC: ink boils, print shrinks
        (["scorch"], "over"),
        (["dye_bleed"], "over"),
        (["edge_haze"], "other"),
        (["pinholes"], "other"),  # weak, but nothing in it is heat
        (["string_peel"], "other"),
    ],
)
def test_side_agrees_with_practice(seen, side):
    assert side_of(seen) == side


@pytest.mark.parametrize("key", ["stretch_crack", "stiff_hand", "tacky_face", "blisters"])
def test_symptom_that_points_both_ways_or_weakly_is_unknown(key):
    assert symptom(key).side == "unknown"
    assert side_of([key]) == "unknown"


def test_heat_side_stands_beside_a_fault_that_is_not_heat():
    assert side_of(["edge_haze", "grainy_back"]) == "under"
    assert side_of(["stretch_crack", "grainy_back"]) == "under"
    assert side_of(["edge_haze", "stretch_crack"]) == "unknown"


def test_both_heat_sides_make_unknown():
    assert side_of(["grainy_back", "scorch"]) == "unknown"


def test_no_symptom_says_nothing():
    assert side_of([]) == ""


@given(keys=some_keys)
def test_side_does_not_depend_on_order_or_repeats(keys):
    assert side_of(keys) == side_of(reversed(keys)) == side_of(keys + keys)


def test_pointers_know_heat_from_the_rest():
    assert {p for p in Pointer if p.side == "under"} == {Pointer.CURE_UNDER, Pointer.PRESS_UNDER}
    assert {p for p in Pointer if p.side == "over"} == {Pointer.CURE_OVER, Pointer.PRESS_OVER}


def test_unknown_key_is_answered_with_close_ones():
    with pytest.raises(InputError, match="film_lock"):
        symptom("film lok")
    with pytest.raises(InputError, match="symptom list"):
        side_of(["qqqq"])


def test_the_short_list_holds_no_symptom_twice_and_shows_both_sides_early():
    assert len({s.key for s in short_list()}) == 15
    assert {"under", "over"} <= {s.side for s in short_list()[:6]}


def test_words_carry_every_label_and_the_same_side():
    assert list(WORDS.labels) == KEYS
    assert WORDS.side_of(["film_lock"]) == "over"
