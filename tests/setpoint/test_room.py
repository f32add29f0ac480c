"""Windows and room: width on every side or no window, and one definition of how far a setting may move."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

import doe
from doe.setpoint.answer import SettingRoom
from doe.setpoint.robust import RobustRate
from doe.surfaces.fitted import Surfaces
from doe.words.study.answer import no_room


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
