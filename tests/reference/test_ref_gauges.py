"""Published uncertainty budgets and lines with errors in both coordinates; radiation balance of an infrared gauge."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doe.assure.gauges.display import fit_error_line
from doe.assure.gauges.readings import correct_infrared
from doe.assure.gauges.setting_error import Component, combine_uncertainty
from tests.assure.gauges.infrared import shown_by_infrared

HERE = Path(__file__).parent


def test_gauge_block_budget():
    # JCGM 100:2008, annex H.1: 32 nm, 16 degrees of freedom, t99 2.92, expanded 93 nm. From memory.
    rows = pd.read_csv(HERE / "gum_h1_budget.csv")
    budget = combine_uncertainty(
        [Component(r.source, r.u_nm, df=r.degrees_of_freedom) for r in rows.itertuples()], coverage=0.99
    )
    assert budget.u == pytest.approx(31.7, abs=0.05)
    assert int(budget.df) == 16
    assert budget.k == pytest.approx(2.92, abs=0.005)
    assert budget.expanded == pytest.approx(93, abs=0.51)


def test_effective_degrees_of_freedom_of_one_gauge_block_component():
    # The same annex: 5.8, 3.9 and 6.7 nm on 24, 5 and 8 degrees of freedom give 9.7 nm on 25.6. From memory.
    budget = combine_uncertainty([Component("a", 5.8, df=24), Component("b", 3.9, df=5), Component("c", 6.7, df=8)])
    assert budget.u == pytest.approx(9.7, abs=0.05)
    assert budget.df == pytest.approx(25.6, abs=0.3)


def test_thermometer_calibration_line():
    # JCGM 100:2008, annex H.3: least squares of the correction on reading - 20 degC. From memory.
    rows = pd.read_csv(HERE / "gum_h3_thermometer.csv")
    line = fit_error_line(rows["t_C"] - 20, rows["correction_C"], 0, 1, scatter="observed")
    assert line.intercept == pytest.approx(-0.1712, abs=5.1e-5)
    assert line.slope == pytest.approx(0.00218, abs=5.1e-6)
    assert line.intercept_u == pytest.approx(0.0029, abs=5.1e-5)
    assert line.slope_u == pytest.approx(0.00067, abs=5.1e-6)
    assert line.correlation == pytest.approx(-0.930, abs=5.1e-4)
    assert line.scatter_sd == pytest.approx(0.0035, abs=5.1e-5)
    at_30 = line.height(10)
    assert (at_30.value, at_30.u) == (pytest.approx(-0.1494, abs=5.1e-5), pytest.approx(0.0041, abs=5.1e-5))


def test_line_with_errors_in_both_coordinates():
    # Pearson's points with York's weights. Slope and intercept: Williamson (1968), Reed (1989). Uncertainties and sum
    # of squares: York et al. (2004), American Journal of Physics 72, 367-375, from memory.
    rows = pd.read_csv(HERE / "pearson_york.csv")
    line = fit_error_line(rows["x"], rows["y"], rows["weight_x"] ** -0.5, rows["weight_y"] ** -0.5)
    assert line.slope == pytest.approx(-0.48053341, abs=1e-7)
    assert line.intercept == pytest.approx(5.47991022, abs=1e-7)
    assert line.slope_u == pytest.approx(0.057985, abs=5e-7)
    assert line.intercept_u == pytest.approx(0.294971, abs=5e-7)
    assert line.sum_of_squares == pytest.approx(11.866353, abs=5e-7)


def test_the_same_points_without_any_error():
    # Ordinary least squares: -0.539577, 5.761185.
    rows = pd.read_csv(HERE / "pearson_york.csv")
    line = fit_error_line(rows["x"], rows["y"], 0, 1)
    assert (line.slope, line.intercept) == (pytest.approx(-0.539577, abs=5.1e-7), pytest.approx(5.761185, abs=5.1e-7))


@pytest.mark.parametrize(
    ("emissivity", "band"), [(0.95, 160.0), (0.90, 154.7), (0.85, 149.4), (0.30, 80.0), (0.05, 36.0)]
)
def test_infrared_gauge_set_to_095_on_a_surface_at_160(emissivity, band):
    # Arithmetic of the radiation balance at 160 degC, surroundings 25 degC: Planck's law integrated over 8 to 14
    # micrometres.
    shown = shown_by_infrared(160, emissivity_set=0.95, surface_emissivity=emissivity)
    assert shown == pytest.approx(band, abs=0.051)


def test_bare_metal_facing_hot_surroundings_reads_higher_than_in_a_cool_room():
    # Arithmetic: emissivity 0.3 facing 60 degC reads 97.4 when the gauge was told, 98.7 when it assumes 25 degC.
    told = shown_by_infrared(
        160, emissivity_set=0.95, surface_emissivity=0.3, surroundings_degc=60, assumed_surroundings_degc=60
    )
    assumed = shown_by_infrared(160, emissivity_set=0.95, surface_emissivity=0.3, surroundings_degc=60)
    assert (told, assumed) == (pytest.approx(97.4, abs=0.051), pytest.approx(98.7, abs=0.051))


def test_two_hundredths_of_emissivity_move_a_reading_by_two_degrees():
    # Arithmetic: 2.1 degC at 160 degC.
    found = correct_infrared(160, emissivity_set=0.95, surface_emissivity=0.95)
    assert found.u_delta_degc * np.sqrt(3) == pytest.approx(2.1, abs=0.051)


def test_budget_of_a_platen():
    # Arithmetic by JCGM 100:2008: 1.10, 0.289, 2.309, 0.537, 1.155 give u = 2.87, U = 5.7 degC.
    parts = [
        Component("probe", 2.2, "expanded"),
        Component("resolution", 0.5, "rectangular"),
        Component("map", 4, "rectangular"),
        Component("repeats", 1.2 / np.sqrt(5), df=4),
        Component("recovery", 2, "rectangular"),
    ]
    assert [p.u for p in parts] == pytest.approx([1.10, 0.289, 2.309, 0.537, 1.155], abs=5.1e-4)
    budget = combine_uncertainty(parts)
    assert budget.u == pytest.approx(2.87, abs=0.005)
    assert budget.expanded == pytest.approx(5.7, abs=0.05)
    assert budget.largest == "map"
