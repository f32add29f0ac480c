"""Windows and room: width on every side or no window, and one definition of how far a setting may move."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import doe
from doe.setpoint.answer import SettingRoom
from doe.setpoint.box import box_points
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import allowed
from doe.surfaces.fitted import Surfaces
from doe.surfaces.scaling import Scaling
from doe.words.recipe.card import caution_sentences
from doe.words.study.answer import no_room, window_sentences
from tests.shared import known_coupons


@pytest.fixture(scope="module")
def surfaces(study: doe.Study, coupons: pd.DataFrame) -> Surfaces:
    return doe.fit(study, coupons, seed=7)


def asked(study: doe.Study, pass_rate: float) -> doe.Study:
    return replace(study, spec=doe.Spec(pass_rate=pass_rate, hand_min=None))


@pytest.mark.parametrize("pass_rate", [0.5, 0.7, 0.8, 0.85, 0.9, 0.93])
def test_a_window_has_a_machine_step_on_every_side_and_room_is_never_less(
    study: doe.Study, surfaces: Surfaces, pass_rate: float
) -> None:
    wanted = asked(study, pass_rate)
    answer = doe.recommend(wanted, surfaces, seed=7)
    if answer.pass_rate < pass_rate:
        assert (answer.window, answer.room) == (None, ())
        return
    assert [r.factor for r in answer.room] == [f.name for f in study.numeric]
    for f, room in zip(study.numeric, answer.room, strict=True):
        here = float(answer.setpoint[f.name])
        assert f.low <= room.low <= here <= room.high <= f.high
        assert room.lower == pytest.approx((here - room.low) / f.setting_sd)
        if answer.window is not None:
            low, high = answer.window.bounds.loc[f.name].astype(float)
            assert low <= here - f.step + 1e-9
            assert high >= here + f.step - 1e-9
            assert room.low <= low
            assert high <= room.high
        # at the ends of its room the target is still expected to hold, moving this setting alone
        ends = pd.DataFrame([{**answer.setpoint, f.name: end} for end in (room.low, room.high)])
        assert RobustRate(wanted, surfaces).draws(ends, nodes=64).mean(axis=0).min() > pass_rate - 0.01


def test_where_nothing_may_move_the_setting_to_hold_is_named(study: doe.Study, surfaces: Surfaces) -> None:
    answer = doe.recommend(asked(study, 0.7), surfaces, seed=7)
    here = {f.name: float(answer.setpoint[f.name]) for f in study.numeric}
    tight = tuple(
        SettingRoom(f.name, here[f.name], here[f.name], 0.0, 0.0) if f.name == "dwell" else room
        for f, room in zip(study.numeric, answer.room, strict=True)
    )
    said = no_room(study, replace(answer, window=None, room=tight))
    assert said.startswith(f"no room: hold press dwell at {here['dwell']:g} s.")
    assert "several settings at once" in no_room(study, replace(answer, window=None))


def two_settings(pass_rate: float, *rules: str) -> doe.Study:
    factors = tuple(doe.usual_factor(name) for name in ("press_temp", "dwell"))
    forbidden = tuple(doe.Forbidden.parse(rule, factors) for rule in rules)
    return doe.Study("two", factors, doe.Spec(pass_rate=pass_rate, hand_min=None), forbidden=forbidden)


@pytest.mark.parametrize("pass_rate", [0.6, 0.9])
def test_room_ends_where_a_combination_is_forbidden_and_the_setpoint_keeps_a_step_from_it(pass_rate: float) -> None:
    ruled = two_settings(pass_rate, "press_temp >= 154 and dwell >= 11")
    free = replace(ruled, forbidden=())
    surfaces = doe.fit(free, known_coupons(free, 40, 3, top=6, steep=3), seed=7, particles=300)
    answer = doe.recommend(ruled, surfaces, seed=7)
    without = doe.recommend(free, surfaces, seed=7)
    assert not allowed(ruled, pd.DataFrame([dict(without.setpoint)])).all()  # the rule is in the way
    ends = pd.DataFrame([{**answer.setpoint, r.factor: end} for r in answer.room for end in (r.low, r.high)])
    assert allowed(ruled, ends).all()
    assert answer.window is not None  # there is room elsewhere, though not beside the forbidden corner
    assert allowed(ruled, pd.DataFrame([answer.window.bounds["low"], answer.window.bounds["high"]])).all()
    here = {**answer.setpoint}
    assert float(here["press_temp"]) < 153
    # one step from the corner nothing may move: it is said why, and that the study did vary its settings
    corner = replace(answer, setpoint={**here, "press_temp": 153.0}, window=None, assured_window=None)
    held = tuple(SettingRoom(r.factor, r.low, 153.0, 1.0, 0.0) if r.factor == "press_temp" else r for r in answer.room)
    expected, assured = window_sentences(ruled, replace(corner, room=held))
    assert "hold press temperature at 153 °C" in expected
    assert "a combination is forbidden" in expected
    assert "hold press temperature at 153 °C" in assured
    said = " ".join(caution_sentences(ruled, replace(corner, room=held)))
    assert "no room to move in" in said
    assert "vary" not in expected + assured + said


def test_of_settings_as_good_one_with_a_window_is_taken() -> None:
    factors = tuple(doe.usual_factor(name) for name in ("cure_temp", "press_temp", "dwell"))
    study = doe.Study("sharp", factors, doe.Spec(pass_rate=0.75, hand_min=None))
    rng, scaling = np.random.default_rng(4), Scaling(factors)
    peak, steep = rng.uniform(-0.9, 0.9, 3), np.exp(rng.normal(1.6, 0.8, 3))
    z = rng.uniform(-1, 1, (24, 3))
    coupons = pd.DataFrame(scaling.natural(z), columns=[f.name for f in factors])
    coupons["passed"] = rng.random(24) < 1 / (1 + np.exp(-(5 - (steep * (z - peak) ** 2).sum(axis=1))))
    coupons["side"] = np.where(coupons["passed"], "", np.where((z - peak).sum(axis=1) > 0, "over", "under"))
    answer = doe.recommend(study, doe.fit(study, coupons, seed=4, particles=200), seed=4)
    assert answer.pass_rate > 0.75
    assert answer.window is not None


@pytest.mark.parametrize("pass_rate", [0.5, 0.6, 0.7])
def test_a_window_is_balanced_before_it_is_large(study: doe.Study, surfaces: Surfaces, pass_rate: float) -> None:
    wanted = asked(study, pass_rate)
    answer = doe.recommend(wanted, surfaces, seed=7)
    assert answer.window is not None
    here = pd.DataFrame([dict(answer.setpoint)])
    bounds = answer.window.bounds.loc[[f.name for f in study.numeric]].to_numpy(dtype=float)
    centre = here[[f.name for f in study.numeric]].to_numpy(dtype=float)[0]
    ends, error = (np.array([[f.low, f.high] for f in study.numeric]), np.array([f.setting_sd for f in study.numeric]))

    def even(reach: float) -> np.ndarray:
        return np.clip(centre[:, None] + reach * error[:, None] * [-1, 1], ends[:, :1], ends[:, 1:])

    def lowest(box: np.ndarray) -> float:
        points = box_points(wanted, here, box, np.empty((0, len(box))))
        return float(RobustRate(wanted, surfaces).draws(points, nodes=64).mean(axis=0).min())

    held = [reach for reach in np.arange(0.5, 4.5, 0.5) if lowest(even(reach)) >= pass_rate + 0.01]
    assert held
    steps = np.array([f.step for f in study.numeric])[:, None]
    inner = even(max(held)) + 2 * steps * [1, -1]  # rounded inward, and perhaps given up a little by the last look
    assert (bounds[:, 0] <= inner[:, 0] + 1e-9).all()
    assert (bounds[:, 1] >= inner[:, 1] - 1e-9).all()
