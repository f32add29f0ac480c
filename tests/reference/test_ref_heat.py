"""Heat-up and Arrhenius dose against textbook examples and closed forms."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from scipy.optimize import brentq

from doe.practice.heat import arrhenius_factor, below_face_degc, dose_s, lumped_degc

EV_KJ_MOL = 96.48533212  # 1 eV a particle in kJ/mol: Faraday constant, exact since 2019


def test_water_main_freezes_down_to_the_printed_depth():
    # Incropera and DeWitt, Fundamentals of Heat and Mass Transfer, 6th ed., Example 5.6 (from memory): soil at
    # 20 degC, surface at -15 degC for 60 days, diffusivity 0.138e-6 m2/s; 0 degC is reached at 0.68 m (0.6770).
    def at(depth_m: float) -> float:
        return float(below_face_degc(20, -15, 60 * 86400, depth_m**2 / (4 * 0.138e-6)))

    assert brentq(at, 0.1, 2.0) == pytest.approx(0.6770, abs=5e-5)


def test_thermocouple_reaches_199_degc_in_the_printed_time():
    # The same book, Example 5.1 (from memory): time constant rho V c / (h A) = rho d c / (6 h) of 1 s asks for
    # d = 7.06e-4 m; from 25 to 199 degC in gas at 200 degC takes 5.2 s (5.165).
    h, c, rho, diameter_m = 400, 400, 8500, 7.06e-4
    lag_s = rho * diameter_m * c / (6 * h)
    assert lag_s == pytest.approx(1.0, abs=5e-4)
    assert brentq(lambda t: float(lumped_degc(25, 200, t, 1.0)) - 199, 1, 20) == pytest.approx(5.165, abs=5e-4)


@pytest.mark.parametrize(("ev", "printed", "digits"), [(0.5, 133, 0.5), (1.0, 17_600, 50)])
def test_arrhenius_acceleration_from_25_to_125_degc(ev, printed, digits):
    # NIST/SEMATECH e-Handbook of Statistical Methods, 8.1.5.1 (from memory): 133 at 0.5 eV and about 17 600 at 1 eV
    # (the handbook rounds Boltzmann's constant, so the second is only good to three digits).
    assert float(arrhenius_factor(125, 25, ev * EV_KJ_MOL)) == pytest.approx(printed, abs=digits)


def test_arrhenius_factor_by_hand():
    # exp(80000 / 8.314462618 (1 / 423.15 - 1 / 433.15)), arithmetic
    assert float(arrhenius_factor(160, 150, 80)) == pytest.approx(1.690385, abs=5e-7)


def test_dose_at_constant_temperature_is_time_times_factor():
    def steady(temp, time):
        return np.broadcast_arrays(temp, time)[0]

    dose = dose_s(steady, [150.0, 160.0], [30.0, 30.0], reference_degc=150, activation_kj=80)
    assert dose == pytest.approx([30.0, 30 * 1.690385], rel=1e-6)


def test_dose_of_a_heat_up_agrees_with_a_fine_sum():
    path = partial(lumped_degc, 22.0, lag_s=15.0)
    moments = np.linspace(0, 120, 200_001)
    rates = arrhenius_factor(path(125.0, moments), 120, 90)
    fine = np.trapezoid(rates, moments)
    assert float(dose_s(path, 125.0, 120.0, reference_degc=120, activation_kj=90)) == pytest.approx(fine, rel=1e-6)
