"""What unplanned coupons can and cannot tell is said in plain sentences."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.assure.foreign import judge_foreign
from doe.domain.errors import InputError
from doe.domain.factors import usual_factor
from doe.domain.study import Study

STUDY = Study("tee", tuple(usual_factor(n) for n in ("cure_temp", "cure_time", "press_temp", "dwell")))
CENTRE = {"cure_temp": 125.0, "cure_time": 135.0, "press_temp": 155.0, "dwell": 12.0}


def frame(rows: list[dict[str, float]], **columns: object) -> pd.DataFrame:
    return pd.DataFrame([{**CENTRE, **row} for row in rows]).assign(**columns)


def factorial() -> pd.DataFrame:
    """All 16 corners and three centre coupons, in two batches each: as good as it gets."""
    ends = [(f.low, f.high) for f in STUDY.factors]
    rows = [dict(zip(STUDY.factor_names, corner, strict=True)) for corner in itertools.product(*ends)] + [{}] * 3
    passed = [i % 3 > 0 for i in range(19)]
    side = ["" if p else ("under", "over")[i % 2] for i, p in enumerate(passed)]
    return frame(
        rows,
        passed=passed,
        side=side,
        cure_batch=[i % 4 for i in range(19)],
        press_batch=[(i // 2 + i) % 4 for i in range(19)],
    )


ONE_AT_A_TIME = [
    {},
    {"cure_temp": 110.0},
    {"cure_temp": 140.0},
    {"cure_time": 90.0},
    {"cure_time": 210.0},
    {"press_temp": 140.0},
    {"press_temp": 170.0},
    {"dwell": 8.0},
    {"dwell": 20.0},
]


def says(sentences: tuple[str, ...], *words: str) -> bool:
    return any(all(word in sentence for word in words) for sentence in sentences)


def test_planned_set_is_praised_and_nothing_is_held_against_it():
    found = judge_foreign(STUDY, factorial())
    assert found == (
        "19 coupons at 17 different settings; 12 passed, 7 failed.",
        "It can show whether more or less of cure temperature, cure time, press temperature or press dwell goes with "
        "passing.",
    )


def test_one_factor_at_a_time_hides_how_factors_act_together():
    found = judge_foreign(STUDY, frame(ONE_AT_A_TIME))
    assert says(found, "Only one factor was changed at a time", "no corner of a window was tried")
    assert says(found, "It can show", "cure temperature")  # straight-line effects are still there
    assert not says(found, "cannot be told apart")


def test_one_factor_at_a_time_is_seen_in_any_order_and_with_repeats():
    shuffled = frame(ONE_AT_A_TIME * 2).sample(frac=1, random_state=3)
    assert says(judge_foreign(STUDY, shuffled), "Only one factor was changed at a time")


def test_walk_that_changes_one_factor_a_step_hides_the_pairs_it_never_crossed():
    # 125/12 -> 135/12 -> 135/16 -> (dwell kept) press 165: each step keeps the best so far
    walk = [
        {},
        {"cure_temp": 135.0},
        {"cure_temp": 135.0, "dwell": 16.0},
        {"cure_temp": 135.0, "dwell": 16.0, "press_temp": 165.0},
    ]
    found = judge_foreign(STUDY, frame(walk))
    assert says(found, "Whether these act together cannot be told", "cure temperature with press temperature")


def test_settings_changed_together_cannot_be_separated():
    rows = [{"press_temp": t, "dwell": d} for t, d in ((140, 8), (150, 11), (155, 13), (160, 15), (170, 20))]
    found = judge_foreign(STUDY, frame(rows))
    assert says(found, "Press temperature and press dwell were changed together", "cannot be told")
    assert not says(found, "It can show")


def test_settings_mostly_changed_together_are_hard_to_separate():
    rows = [{"press_temp": t, "dwell": d} for t, d in ((140, 8), (140, 11), (155, 10), (155, 14), (170, 12), (170, 20))]
    assert says(judge_foreign(STUDY, frame(rows)), "mostly changed together", "hard to tell apart")


def test_factor_that_follows_from_two_others_is_found_although_no_pair_shows_it():
    # coded press temperature is the mean of coded cure temperature and coded dwell; each pair correlates 0.71 at most
    ends = {-1: (110.0, 8.0), 1: (140.0, 20.0)}
    rows = [
        {"cure_temp": ends[a][0], "dwell": ends[b][1], "press_temp": 155 + 15 * (a + b) / 2}
        for a, b in itertools.product((-1, 1), repeat=2)
    ] * 2
    found = judge_foreign(STUDY, frame(rows))
    assert says(found, "follows from", "taken together")


def test_factor_that_never_moved_is_named():
    found = judge_foreign(STUDY, frame([{"dwell": d, "press_temp": t} for d in (8.0, 13.0, 20.0) for t in (140, 170)]))
    assert says(found, "Cure temperature and cure time were the same on every coupon", "nothing about them")


def test_two_settings_show_no_bend_and_three_do():
    two = judge_foreign(STUDY, frame([{"dwell": d, "press_temp": t} for d in (8.0, 20.0) for t in (140, 170)]))
    assert says(two, "Only two settings of press temperature and press dwell", "cannot be seen")
    three = judge_foreign(STUDY, frame([{"dwell": d, "press_temp": t} for d in (8, 13, 20) for t in (140, 155, 170)]))
    assert not says(three, "Only two settings")


def test_coupons_outside_the_region_are_counted():
    rows = [{"press_temp": t, "dwell": d} for t in (120.0, 150.0, 180.0) for d in (8.0, 20.0)]
    assert says(judge_foreign(STUDY, frame(rows)), "4 coupons outside the ranges")
    far = [{"press_temp": t, "dwell": d} for t in (120.0, 130.0) for d in (8.0, 20.0)]
    found = judge_foreign(STUDY, frame(far))
    assert says(found, "No coupon lies inside the ranges")
    assert says(found, "Less than half of the range", "press temperature (0%)")


def test_share_of_the_range_is_counted_on_the_scale_of_the_factor():
    # log scale: 8 to 12.6 s is half of 8 to 20 s; on a straight scale it would be 38 %
    rows = [{"dwell": d, "press_temp": t} for d in (8.0, 12.7) for t in (140.0, 170.0)]
    assert not says(judge_foreign(STUDY, frame(rows)), "Less than half")


@pytest.mark.parametrize(
    ("passed", "words"),
    [
        ([True] * 9, "Nothing failed"),
        ([False] * 9, "Nothing passed"),
        ([False] + [True] * 8, "Only 1 coupon failed"),
        ([True, True] + [False] * 7, "Only 2 coupons passed"),
        ([None] * 9, "No pass or fail is given"),
    ],
)
def test_too_few_fails_or_passes_are_said(passed, words):
    assert says(judge_foreign(STUDY, frame(ONE_AT_A_TIME, passed=passed)), words)


def test_waiting_coupons_are_counted_apart():
    found = judge_foreign(STUDY, frame(ONE_AT_A_TIME, passed=[True] * 4 + [False] * 3 + [None] * 2))
    assert "4 passed, 3 failed, 2 without a result" in found[0]


def test_failures_of_one_side_leave_the_other_unknown():
    passed = [False] * 5 + [True] * 4
    found = judge_foreign(STUDY, frame(ONE_AT_A_TIME, passed=passed, side=["under"] * 4 + ["other"] + [""] * 4))
    assert says(found, "too little heat", "how far it is to too much heat is unknown")
    nowhere = judge_foreign(STUDY, frame(ONE_AT_A_TIME, passed=passed, side=["unknown"] * 5 + [""] * 4))
    assert says(nowhere, "No failure says which way")


def test_missing_repeats_and_repeats_inside_one_batch_are_said():
    assert says(judge_foreign(STUDY, frame(ONE_AT_A_TIME)), "No setting was made twice")
    twice = ONE_AT_A_TIME + ONE_AT_A_TIME[:1]
    inside = judge_foreign(STUDY, frame(twice, press_batch=[1] * 10))
    assert says(inside, "repeated only inside one press batch")
    across = judge_foreign(STUDY, frame(twice, press_batch=[1] * 9 + [2]))
    assert not says(across, "made twice")
    assert not says(across, "inside one press batch")


def test_unknown_batches_and_batches_tied_to_a_temperature_are_said():
    rows = [{"press_temp": t, "dwell": d} for t in (140.0, 155.0, 170.0) for d in (8.0, 20.0)]
    assert says(judge_foreign(STUDY, frame(rows)), "is not known", "surer than they are")
    assert says(judge_foreign(STUDY, frame(rows, press_batch=pd.array([pd.NA] * 6, dtype="Int64"))), "is not known")
    tied = judge_foreign(STUDY, frame(rows, press_batch=[1, 1, 2, 2, 3, 3]))
    assert says(tied, "Each press temperature was made in one press batch only")
    spread = judge_foreign(STUDY, frame(rows, press_batch=[1, 4, 2, 5, 3, 6]))
    assert not says(spread, "in one press batch only")


def test_categorical_factor_is_judged_like_the_others():
    study = Study("film", (usual_factor("press_temp"), usual_factor("dwell"), usual_factor("film_type")))
    tied = pd.DataFrame(
        {"press_temp": [140, 140, 170, 170.0], "dwell": [8, 20, 8, 20.0], "film_type": ["hot", "hot", "cold", "cold"]}
    )
    assert says(judge_foreign(study, tied), "Press temperature and film type were changed together")
    free = tied.assign(film_type=["hot", "cold", "cold", "hot"])
    assert not says(judge_foreign(study, free), "changed together (")


@pytest.mark.parametrize(
    "bad",
    [
        pd.DataFrame({"cure_temp": [1.0]}),
        frame([{}]).iloc[:0],
        frame([{"dwell": 0.0}]),
        frame([{"dwell": float("nan")}]),
    ],
)
def test_frames_that_cannot_be_judged_are_refused(bad):
    with pytest.raises(InputError):
        judge_foreign(STUDY, bad)


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 10_000), n=st.integers(1, 25), k=st.integers(1, 4))
def test_verdict_does_not_depend_on_row_order_and_always_reads_as_sentences(seed, n, k):
    rng = np.random.default_rng(seed)
    coupons = pd.DataFrame(
        {f.name: rng.choice(np.linspace(f.low * 0.9, f.high * 1.1, k).round(0), n) for f in STUDY.factors}
    ).assign(passed=rng.random(n) < 0.6)
    found = judge_foreign(STUDY, coupons)
    assert found == judge_foreign(STUDY, coupons.iloc[::-1])
    assert all(s[0].isupper() or s[0].isdigit() for s in found)
    assert all(s.endswith(".") for s in found)
