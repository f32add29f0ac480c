"""Confirmation coupons in order: whole strokes, machines set afresh, nothing lost."""

from __future__ import annotations

import pandas as pd
import pytest

from doe.assure.confirmation.allocation import order_confirmation
from doe.domain.errors import InputError
from doe.domain.factors import usual_factor
from doe.domain.stack import Line
from doe.domain.study import Study
from doe.plans.plan import columns

STUDY = Study("invented", tuple(usual_factor(n) for n in ("cure_temp", "cure_time", "press_temp", "dwell")))
PLACES = {
    "setpoint": {"cure_temp": 125, "cure_time": 140, "press_temp": 155, "dwell": 13},
    "corner 1": {"cure_temp": 120, "cure_time": 120, "press_temp": 150, "dwell": 11},
    "corner 2": {"cure_temp": 130, "cure_time": 160, "press_temp": 160, "dwell": 15},
}


def settings(**coupons):
    rows = [{"role": role, **PLACES[role]} for role, n in coupons.items() for _ in range(n)]
    return pd.DataFrame(rows)


def ordered(wanted, *, unit="coupon", fits=1, seed=1, **more):
    line = Line("back room", coupons_per_stroke=fits)
    return order_confirmation(STUDY, wanted, number=3, seed=seed, line=line, unit=unit, **more)


def test_every_machine_setting_is_set_more_than_once():
    for wanted in (settings(setpoint=45, **{"corner 1": 4, "corner 2": 4}), settings(setpoint=11)):
        frame = ordered(wanted)
        for stage, names in (("cure", ["cure_temp"]), ("press", ["press_temp"])):
            batches = frame.groupby(names)[f"{stage}_batch"].nunique()
            assert (batches >= 2).all()
            # one setting a batch, and batches follow each other without mixing
            assert (frame.groupby(f"{stage}_batch")[names].nunique() < 2).all().all()
            assert frame.sort_values(f"{stage}_order")[f"{stage}_batch"].is_monotonic_increasing


@pytest.mark.parametrize(("unit", "fits", "coupons"), [("coupon", 1, 19), ("coupon", 3, 19), ("stroke", 3, 41)])
def test_coupons_at_the_setpoint_share_a_stroke_only_where_strokes_are_counted(unit, fits, coupons):
    frame = ordered(settings(setpoint=11, **{"corner 1": 4, "corner 2": 4}), unit=unit, fits=fits)
    assert len(frame) == coupons
    assert list(frame.columns) == columns(STUDY)
    here = frame[frame["role"] == "setpoint"].groupby("stroke")
    assert len(here) == 11
    assert set(here.size()) == {fits if unit == "stroke" else 1}
    for column in ("press_batch", "cure_batch", "garment"):
        assert (here[column].nunique() < 2).all()
    # a stroke is pressed at one moment: its places in the queue follow each other
    assert (here["press_order"].agg(lambda s: s.max() - s.min() + 1) == here.size()).all()
    for order in ("cure_order", "press_order"):
        assert sorted(frame[order]) == list(range(1, coupons + 1))
    assert frame["coupon"].is_unique
    assert frame["coupon"].iloc[0] == "R3-01"
    assert (frame.groupby("garment").size() <= 4).all()


def test_the_same_seed_gives_the_same_order_and_another_does_not():
    wanted = settings(setpoint=20, **{"corner 1": 4})
    assert ordered(wanted).equals(ordered(wanted))
    assert not ordered(wanted).equals(ordered(wanted, seed=2))


@pytest.mark.parametrize("set_ups", [1, 3, 6, 11, 40])
@pytest.mark.parametrize("corners", [{}, {"corner 1": 4, "corner 2": 4}])
def test_the_setpoint_is_spread_over_as_many_set_ups_as_asked_for(set_ups, corners):
    frame = ordered(settings(setpoint=22, **corners), set_ups=set_ups)
    for stage in ("cure", "press"):
        here = frame[frame["role"] == "setpoint"].groupby(f"{stage}_batch").size()
        assert len(here) >= min(set_ups, 11)  # never less than two coupons a batch for its sake
        if set_ups in (6, 11):
            assert len(here) <= set_ups + 1
            assert here.max() <= 22 / set_ups + 4
        assert sorted(frame[f"{stage}_batch"].unique()) == list(range(1, frame[f"{stage}_batch"].max() + 1))


def test_no_set_up_is_not_possible():
    with pytest.raises(InputError, match="set-ups: found 0"):
        ordered(settings(setpoint=5), set_ups=0)
