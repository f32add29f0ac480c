from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from doe.practice.heat import (
    LogDoseTable,
    below_face_degc,
    dose_s,
    drying_film_degc,
    lumped_degc,
)


def test_lumped_body_solves_its_balance_of_heat():
    found = solve_ivp(lambda t, T: (125 - T) / 15, (0, 60), [22.0], rtol=1e-9, atol=1e-9, dense_output=True)
    times = np.linspace(0, 60, 13)
    assert lumped_degc(22, 125, times, 15) == pytest.approx(found.sol(times)[0], abs=1e-6)


def test_bond_line_solves_the_heat_equation():
    # explicit finite differences in a bar thick enough to be half-infinite for the time asked about
    diffusivity, depth_m, seconds = 1e-7, 3e-4, 10.0
    grid = np.linspace(0, 8e-3, 401)
    step_s = 0.4 * (grid[1] - grid[0]) ** 2 / diffusivity
    temp = np.full(len(grid), 22.0)
    temp[0] = 160.0
    for _ in range(round(seconds / step_s)):
        temp[1:-1] += 0.4 * (temp[2:] - 2 * temp[1:-1] + temp[:-2])
    lag_s = depth_m**2 / (4 * diffusivity)
    assert float(below_face_degc(22, 160, seconds, lag_s)) == pytest.approx(np.interp(depth_m, grid, temp), abs=0.05)


def test_drying_film_waits_at_the_boiling_point_for_the_heat_its_water_takes():
    # Slow twin: heat flows in at (air - T) / lag; at 100 degC it goes into `water` degrees' worth of evaporation first.
    air, lag_s, water, step_s = 125.0, 15.0, 12.0, 0.001
    temp, left, found = 22.0, water, []
    for i in range(60_000):
        if i % 5000 == 0:
            found.append(temp)
        gain = (air - temp) / lag_s * step_s
        if temp + gain >= 100 and left > 0:
            temp, left = 100.0, left - gain
        else:
            temp += gain
    times = np.arange(0, 60, 5.0)
    assert drying_film_degc(22, air, times, lag_s, water) == pytest.approx(np.array(found), abs=0.05)


def test_film_in_air_below_the_boiling_point_never_dries():
    times = np.array([10.0, 100.0, 1e6])
    assert drying_film_degc(22, 95, times, 15.0, 12.0) == pytest.approx(lumped_degc(22, 95, times, 15.0))


@settings(deadline=None, max_examples=40)
@given(temp=st.floats(90, 175), time=st.floats(2, 300), hotter=st.floats(0, 30), longer=st.floats(0, 60))
def test_more_heat_never_lowers_a_dose(temp, time, hotter, longer):
    path = partial(drying_film_degc, 22.0, lag_s=15.0, water_delta_degc=10.0)
    doses = dose_s(path, [temp, temp + hotter], [time, time + longer], reference_degc=120, activation_kj=90)
    # 64-point quadrature over the kinks of a drying film is good to about 1e-3
    assert doses[1] >= doses[0] * (1 - 2e-3)


def test_powder_below_its_melting_range_does_not_flow():
    steady = dose_s(
        lambda temp, time: np.broadcast_arrays(temp, time)[0],
        80.0,
        1000.0,
        reference_degc=120,
        activation_kj=90,
        melts_degc=105,
    )
    assert float(steady) < 0.05


def test_table_of_log_doses_agrees_with_the_integral():
    dose = partial(
        dose_s, partial(below_face_degc, 22.0, lag_s=0.1), reference_degc=140, activation_kj=90, melts_degc=108
    )
    table = LogDoseTable(dose, (110, 200), (2, 80))
    rng = np.random.default_rng(3)
    temp, time = rng.uniform(125, 185, 200), rng.uniform(5, 40, 200)
    assert table(temp, time) == pytest.approx(np.log(dose(temp, time)), abs=2e-3)


def test_table_answers_outside_its_range_as_at_its_edge():
    dose = partial(dose_s, partial(lumped_degc, 22.0, lag_s=15.0), reference_degc=120, activation_kj=90)
    table = LogDoseTable(dose, (90, 160), (20, 600))
    far = table(np.array([20.0, 300.0]), np.array([0.0, 1e5]))
    assert far == pytest.approx(table(np.array([90.0, 160.0]), np.array([20.0, 600.0])))
