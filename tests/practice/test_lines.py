from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import doe
from doe.domain.coding import decode
from doe.practice.lines import KINDS, OUT_OF_REACH, REACHABLE, make_line


def somewhere(study: doe.Study, rows: int = 200, *, seed: int = 1, reach: float = 1.2) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    columns: dict[str, object] = {}
    for f in study.factors:
        coded = rng.uniform(-reach, reach, rows)
        columns[f.name] = rng.choice(f.levels, rows) if f.is_categorical else decode(f, coded)
    return pd.DataFrame(columns)


@pytest.mark.parametrize("kind", KINDS)
def test_a_line_can_or_cannot_reach_the_target_as_its_kind_says(kind, study):
    best = make_line(kind, 3, study).best()
    low, high = {"unreachable": (0, OUT_OF_REACH), "borderline": (OUT_OF_REACH, REACHABLE)}.get(kind, (REACHABLE, 1))
    assert low <= best.robust_pass <= high
    for f in study.factors:
        assert f.low - 1e-9 <= best.settings[f.name] <= f.high + 1e-9


@pytest.mark.parametrize("kind", ["thermal", "wiggly"])
def test_same_seed_same_line_and_another_seed_another_line(kind, study):
    places = somewhere(study)
    first = make_line(kind, 3, study)
    again, other = make_line(kind, 3, study), make_line(kind, 4, study)
    assert np.array_equal(first.robust_pass(places), again.robust_pass(places))
    assert first.best() == again.best()
    assert first.habits == again.habits
    assert np.abs(first.true_pass(places) - other.true_pass(places)).max() > 0.1


@pytest.mark.parametrize("kind", KINDS)
def test_pass_and_the_three_ways_to_fail_add_up(kind, study):
    line, places = make_line(kind, 5, study), somewhere(study)
    parts = [line.true_pass(places), line.true_under(places), line.true_over(places), line.true_other(places)]
    assert sum(parts) == pytest.approx(1.0, abs=1e-12)
    assert min(p.min() for p in parts) >= 0
    hand = line.true_hand(places)
    assert hand.min() >= 1
    assert hand.max() <= 5


@pytest.mark.parametrize("kind", ["thermal", "ridge"])
@pytest.mark.parametrize("factor", ["cure_temp", "cure_time", "press_temp", "dwell"])
def test_more_heat_never_lowers_the_share_that_fails_from_too_much(kind, factor, study):
    for seed in (1, 2, 3):
        line, places = make_line(kind, seed, study), somewhere(study)
        hotter = places.assign(**{factor: places[factor] * 1.05})
        # 1e-4: a spline is not exactly monotone
        assert (line.true_over(hotter) >= line.true_over(places) - 1e-4).all()


@pytest.mark.parametrize("kind", ["thermal", "sharp", "ridge", "easy"])
def test_no_heat_makes_no_bond_and_far_too_much_heat_spoils_every_coupon(kind, study):
    line = make_line(kind, 6, study)
    cold = pd.DataFrame({f.name: [f.low / 3 if f.scale == "log" else f.low - 60] for f in study.numeric})
    hot = pd.DataFrame({f.name: [f.high * 3 if f.scale == "log" else f.high + 60] for f in study.numeric})
    assert line.true_under(cold)[0] == pytest.approx(1 - line.habits.lapse, abs=1e-3)
    assert line.true_over(hot)[0] == pytest.approx(1 - line.habits.lapse, abs=1e-3)


@pytest.mark.parametrize("kind", ["thermal", "sharp", "wiggly"])
def test_robust_pass_agrees_with_brute_force(kind, study):
    line, places = make_line(kind, 7, study), somewhere(study, 8, reach=0.6)
    rng = np.random.default_rng(5)
    draws = 20_000
    for i in range(len(places)):
        around = pd.DataFrame(
            {f.name: places[f.name][i] + f.setting_sd * rng.normal(size=draws) for f in study.numeric}
        )
        met = line.true_pass(around) * (line.true_hand(around) >= study.spec.hand_min)
        # four standard errors of the brute force, and 0.012 for 256 nodes at a sharp wall
        assert line.robust_pass(places.iloc[[i]])[0] == pytest.approx(
            met.mean(), abs=4 * met.std() / draws**0.5 + 0.012
        )


def test_robust_pass_is_the_true_pass_when_nothing_wanders(without_hand):
    steady = replace(without_hand, factors=tuple(replace(f, setting_sd=0) for f in without_hand.factors))
    line, places = make_line("smooth", 1, steady), somewhere(steady)
    assert line.robust_pass(places) == pytest.approx(line.true_pass(places), abs=1e-12)


def test_best_is_at_least_as_good_as_a_thousand_random_places(study):
    line = make_line("ridge", 9, study)
    assert line.best().robust_pass >= line.robust_pass(somewhere(study, 1000, reach=1.0)).max() - 1e-9


def test_best_stays_out_of_forbidden_combinations(study):
    free = make_line("easy", 2, study)
    at = free.best().settings["press_temp"]
    forbidden = doe.Forbidden.parse(f"press_temp >= {at - 2:.1f}", study.factors)
    fenced = replace(free, study=replace(study, forbidden=(forbidden,)))
    assert fenced.best().settings["press_temp"] < at - 2
    assert fenced.best().robust_pass < free.best().robust_pass


def test_a_display_that_reads_low_moves_the_truth_by_its_offset(study):
    line, places = make_line("thermal", 4, study), somewhere(study)
    lying = replace(line, display_offset={"press_temp": 6.0})
    moved = places.assign(press_temp=places["press_temp"] + 6)
    assert lying.robust_pass(places) == pytest.approx(line.robust_pass(moved), abs=1e-12)


@pytest.mark.parametrize("kind", ["thermal", "smooth", "unreachable"])
@pytest.mark.parametrize(
    "names",
    [
        ("cure_temp", "cure_time"),
        ("press_temp", "dwell", "pressure"),
        ("cure_temp", "press_temp", "dwell", "film_type"),
        ("cure_temp", "cure_time", "press_temp", "dwell", "powder_amount", "peel_wait"),
        ("powder_amount", "pressure"),
    ],
)
def test_lines_exist_for_two_to_six_factors_and_for_levels(kind, names):
    study = doe.Study("other factors", tuple(doe.usual_factor(n) for n in names))
    line = make_line(kind, 1, study)
    places = somewhere(study, 50)
    assert np.isfinite(line.robust_pass(places)).all()
    assert set(line.best().settings) == set(names)
    assert len(line.run(places, 1)) == 50


def test_levels_of_a_factor_differ(study):
    both = doe.Study("two films", (*study.factors, doe.usual_factor("film_type")))
    line, places = make_line("smooth", 2, both), somewhere(both)
    hot, cold = (line.true_pass(places.assign(film_type=level)) for level in ("hot", "cold"))
    assert np.abs(hot - cold).max() > 0.02


def test_unknown_kinds_and_seeds_are_refused(study):
    with pytest.raises(doe.InputError, match="kind of line: found odd; allowed: thermal"):
        make_line("odd", 1, study)
    with pytest.raises(doe.InputError, match="allowed: 0 or more"):
        make_line("easy", -1, study)


def test_a_spec_that_no_line_can_meet_is_refused(study):
    softer_than_any = replace(study, factors=study.factors[:2], spec=doe.Spec(hand_min=5.0))
    with pytest.raises(doe.InputError, match="lower the setting errors or the hand-feel wanted"):
        make_line("easy", 1, softer_than_any)
