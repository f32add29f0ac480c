"""The invented world: what its equations must do, whatever its invented numbers are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

import doe
from doe.domain.errors import InputError
from doe.domain.factors import KNOWN_FACTORS, usual_factor
from doe.practice.coupons import OTHER_MECHANISMS
from doe.practice.drill import named_study
from doe.practice.drill_line import CENTRE_AT_MOST, line_to_tune
from doe.practice.lines import REACHABLE, SimulatedLine, make_line
from doe.practice.materials import CLOTHS, POWDERS, Cloth
from doe.practice.world import Room, bond_line_path, on_cloth, seconds_to, workshop_line

JERSEY, FLEECE = CLOTHS[0], CLOTHS[1]


@pytest.fixture(scope="module")
def line() -> SimulatedLine:
    return workshop_line(JERSEY, POWDERS[0], 3, named_study("a", "b"))


def at(line: SimulatedLine, **changes: float) -> pd.DataFrame:
    return pd.DataFrame([{**line.best().settings, **changes}])


@pytest.mark.parametrize("cloth", CLOTHS, ids=lambda c: c.name)
@pytest.mark.parametrize("powder", POWDERS, ids=lambda p: p.name)
def test_every_powder_can_be_pressed_on_every_cloth_inside_the_usual_ranges(cloth, powder):
    assert workshop_line(cloth, powder, 1, named_study("a", "b")).best().robust_pass >= REACHABLE


def test_no_heat_makes_no_bond_and_far_too_much_spoils_every_coupon(line):
    cold = at(line, cure_temp=60, cure_time=20, press_temp=60, dwell=2)
    hot = at(line, cure_temp=199, cure_time=600, press_temp=199, dwell=19)
    assert line.true_under(cold)[0] == pytest.approx(1 - line.habits.lapse, abs=1e-3)
    assert line.true_over(hot)[0] == pytest.approx(1 - line.habits.lapse, abs=1e-3)


@pytest.mark.parametrize("factor", ["cure_temp", "cure_time", "press_temp", "dwell"])
def test_more_heat_never_lowers_damage(line, factor):
    study = line.study
    rng = np.random.default_rng(4)
    places = pd.DataFrame({f.name: rng.uniform(f.low, f.high, 100) for f in study.numeric})
    hotter = places.assign(**{factor: places[factor] * 1.05})
    assert (line.true_over(hotter) >= line.true_over(places) - 1e-4).all()  # a spline is not exactly monotone


def test_ways_to_come_out_add_up(line):
    rng = np.random.default_rng(4)
    places = pd.DataFrame({f.name: rng.uniform(f.low, f.high, 200) for f in line.study.numeric})
    parts = [line.true_pass(places), line.true_under(places), line.true_over(places), line.true_other(places)]
    assert sum(parts) == pytest.approx(1.0, abs=1e-12)
    assert min(p.min() for p in parts) >= 0


def test_a_thicker_or_a_damper_cloth_gets_hot_later():
    dry, damp = 0.0, 0.02
    times = [seconds_to(c, w, 155, 130) for c in (JERSEY, FLEECE) for w in (dry, damp)]
    assert times == sorted(times)
    assert times[0] < times[1] < times[2] < times[3]
    assert seconds_to(JERSEY, dry, 120, 130) == np.inf


def test_the_bond_line_ends_at_the_temperature_of_the_platen_and_starts_at_that_of_the_room():
    path = bond_line_path(FLEECE, 0.02)
    assert path(np.array(155.0), np.array(0.0)) == pytest.approx(22.0)
    assert path(np.array(155.0), np.array(300.0)) == pytest.approx(155.0, abs=1e-6)


def test_water_follows_the_room_and_the_pre_press():
    assert Room(0.65, pre_press=False).water(JERSEY) == pytest.approx(JERSEY.water)
    assert Room(0.325, pre_press=False).water(JERSEY) == pytest.approx(JERSEY.water / 2)
    assert Room(0.65).water(JERSEY) < Room(0.65, pre_press=False).water(JERSEY)


def test_a_cloth_pressed_damp_blisters(line):
    study = line.study
    damp = workshop_line(JERSEY, POWDERS[0], 3, study, room=Room(0.5))
    settings = pd.DataFrame([damp.best().settings])
    wet = replace(damp, truth=replace(damp.truth, water=Room(0.9, pre_press=False).water(JERSEY)))
    assert damp.true_other(settings)[0] < 0.02
    assert wet.true_other(settings)[0] > 0.9


def test_powder_has_a_window_of_its_own_that_heat_does_not_move():
    factors = (*(usual_factor(n) for n in ("cure_temp", "press_temp")), usual_factor("powder_amount"))
    study = doe.Study("powder", factors, held={"cure_time": 140.0, "dwell": 14.0})
    line = workshop_line(JERSEY, POWDERS[0], 3, study)
    layer = POWDERS[0].layer_gsm
    rates = [line.true_other(at(line, powder_amount=a))[0] for a in (0.4 * layer, 1.2 * layer, 3.5 * layer)]
    assert rates[1] < 0.05
    assert min(rates[0], rates[2]) > 0.9
    thin = at(line, powder_amount=0.4 * layer)
    seen = line.run(pd.concat([thin] * 40, ignore_index=True).assign(coupon=[f"C{i}" for i in range(40)]), seed=1)
    assert (seen["side"] != "under").all()
    assert seen["symptom"].eq("small_part_loss").any()


def test_prints_lie_anywhere_on_the_platen(line):
    even = replace(line, platen_degc=())
    tilted = replace(line, platen_degc=(-9.0, 0.0, 9.0))
    place = at(line)
    assert tilted.robust_pass(place)[0] < even.robust_pass(place)[0] - 0.01
    sd = np.array([f.setting_sd for f in line.study.numeric])
    rng = np.random.default_rng(1)
    natural, levels = line.real_settings(place)
    around = natural + rng.normal(size=(30_000, 4)) * sd
    press = [f.name == "press_temp" for f in line.study.numeric]
    around[:, press] += rng.choice([-9.0, 0.0, 9.0], 30_000)[:, None]
    found = tilted.margins_at(around, np.repeat(levels, 30_000, axis=0))
    survive = norm.cdf(np.column_stack([found.under, found.over, found.other])).prod(axis=1)
    by_hand = (1 - line.habits.lapse) * survive.mean()
    assert tilted.robust_pass(place, nodes=1024)[0] == pytest.approx(by_hand, abs=0.01)


def test_coupons_come_out_as_often_as_the_truth_says(line):
    settings = {**line.best().settings, "press_temp": float(line.best().settings["press_temp"]) - 14}
    many = 1500
    frame = pd.DataFrame([settings] * many).assign(coupon=[f"C{i}" for i in range(many)])
    for f in line.study.numeric:  # every coupon its own batch and garment
        assert f.setting_sd > 0
    passed = line.run(frame, seed=2)["passed"].astype(bool).mean()
    soft = replace(line, study=replace(line.study, spec=replace(line.study.spec, hand_min=None)))
    expected = soft.robust_pass(pd.DataFrame([settings]), nodes=1024)[0]
    assert passed == pytest.approx(expected, abs=4 * np.sqrt(expected * (1 - expected) / many))


def test_the_same_shop_with_another_cloth(line):
    again = on_cloth(line, JERSEY)
    places = pd.DataFrame([line.best().settings])
    assert again.true_pass(places)[0] == line.true_pass(places)[0]
    assert on_cloth(line, FLEECE).true_under(places)[0] > line.true_under(places)[0]
    with pytest.raises(InputError, match="a line of the invented world"):
        on_cloth(make_line("easy", 1, line.study), FLEECE)


def test_same_seed_same_line_and_another_seed_another_one(line):
    rng = np.random.default_rng(4)
    places = pd.DataFrame({f.name: rng.uniform(f.low, f.high, 50) for f in line.study.numeric})
    assert np.array_equal(workshop_line(JERSEY, POWDERS[0], 3, line.study).true_pass(places), line.true_pass(places))
    assert not np.allclose(workshop_line(JERSEY, POWDERS[0], 4, line.study).true_pass(places), line.true_pass(places))


@pytest.mark.parametrize("seed", [0, 7])
def test_the_line_of_an_exercise_is_not_tuned_in_the_middle(seed):
    line = line_to_tune(seed)
    middle = pd.DataFrame([{f.name: (f.low + f.high) / 2 for f in line.study.numeric}])
    assert line.robust_pass(middle)[0] <= CENTRE_AT_MOST + 0.05  # a middle time is a geometric one
    assert line.best().robust_pass >= REACHABLE


def test_what_cannot_be_is_refused():
    study = named_study("a", "b")
    with pytest.raises(InputError, match="9 places"):
        Room(places=(0.0,))
    with pytest.raises(InputError, match="humidity: found 50"):
        Room(50)
    with pytest.raises(InputError, match="0 or more"):
        workshop_line(JERSEY, POWDERS[0], -1, study)
    hopeless = Cloth("invented shell", 1.0, 0.0, 1.0, -6.0, 0.0)
    with pytest.raises(InputError, match="no shop in 12 that can press"):
        workshop_line(hopeless, POWDERS[0], 1, study)


def test_mechanisms_have_names_in_their_order(line):
    found = line.margins(at(line))
    assert found.other.shape == (1, len(OTHER_MECHANISMS))
    assert "powder_amount" in KNOWN_FACTORS
