"""Published effects, curvature, Lenth margins and sums of squares of two-level plans."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe.surfaces.classical.batch_errors import judge_curvature
from doe.surfaces.classical.effects import estimate_effects, lenth_margins
from doe.surfaces.classical.least_squares import find_pure_error, fit_least_squares
from doe.surfaces.classical.terms import ModelTerms, build_terms

HERE = Path(__file__).parent


def read(name: str) -> pd.DataFrame:
    return pd.read_csv(HERE / f"{name}.csv")


def keep(terms: ModelTerms, names: list[str]) -> ModelTerms:
    kept = [row for row, name in zip(terms.exponents, terms.names, strict=True) if name in names]
    return ModelTerms(terms.factors, tuple(kept))


def total_ss(y: pd.Series | np.ndarray) -> float:
    return float(np.sum((np.asarray(y) - np.mean(y)) ** 2))


def effects_of(frame: pd.DataFrame, factors: list[str], response: str) -> dict[str, float]:
    found = estimate_effects(frame[factors], frame[response], factors).table
    return {t.replace(" × ", ""): e for t, e in zip(found["term"], found["effect"], strict=True)}


def test_effects_of_the_pilot_plant():
    # Box, Hunter and Hunter, Statistics for Experimenters, 1st ed. ch. 10 / 2nd ed. ch. 5 (from memory).
    frame = read("pilot_plant")
    printed = {"T": 23, "C": -5, "K": 1.5, "TC": 1.5, "TK": 10, "CK": 0, "TCK": 0.5}
    assert effects_of(frame, ["T", "C", "K"], "yield") == pytest.approx(printed, abs=1e-9)
    fit = estimate_effects(frame[["T", "C", "K"]], frame["yield"], ["T", "C", "K"]).fit
    assert fit.estimates[0] == pytest.approx(64.25)


def test_effects_and_error_of_the_replicated_pilot_plant():
    # Same book; single runs from memory, cell means as in a public NIST data file.
    frame = read("pilot_plant_replicates")
    factors = ["x_temp", "x_conc", "x_catalyst"]
    found = estimate_effects(frame[factors], frame["yield"], factors)
    assert found.table["effect"].tolist() == pytest.approx([23, -5, 1.5, 1.5, 10, 0, 0.5], abs=1e-9)
    assert found.error is not None
    assert (found.error.is_repeated, found.error.df) == (True, 8)
    assert found.error.variance == pytest.approx(8.0, abs=1e-9)
    assert found.table["se"].tolist() == pytest.approx([1.4] * 7, abs=0.05)


FILTRATION = {
    "A": 21.625,
    "B": 3.125,
    "C": 9.875,
    "D": 14.625,
    "AB": 0.125,
    "AC": -18.125,
    "AD": 16.625,
    "BC": 2.375,
    "BD": -0.375,
    "CD": -1.125,
    "ABC": 1.875,
    "ABD": 4.125,
    "ACD": -1.625,
    "BCD": -2.625,
    "ABCD": 1.375,
}


def test_effects_of_the_filtration_rate():
    # Montgomery, Design and Analysis of Experiments, unreplicated 2^4 (Example 6.2, 5th to 9th ed.; from memory).
    frame = read("filtration")
    assert effects_of(frame, list("ABCD"), "rate") == pytest.approx(FILTRATION, abs=1e-9)


def test_sums_of_squares_of_the_filtration_rate():
    # Same example: 4 x effect^2, total 5730.94.
    frame = read("filtration")
    found = estimate_effects(frame[list("ABCD")], frame["rate"], list("ABCD"))
    ss = dict(zip(found.table["term"].str.replace(" × ", ""), found.table["ss"], strict=True))
    printed = {"A": 1870.56, "C": 390.062, "D": 855.563, "AC": 1314.06, "AD": 1105.56}
    assert {name: ss[name] for name in printed} == pytest.approx(printed, abs=0.005)
    assert found.table["ss"].sum() == pytest.approx(5730.94, abs=0.005)


def test_reduced_model_and_projection_of_the_filtration_rate():
    # Same example: residual mean square 19.51 on 10 df, R2 0.966; as a 2^3 run twice 22.44 on 8 df.
    frame = read("filtration")
    terms = keep(build_terms(list("ABCD"), "interactions"), ["constant", "A", "C", "D", "A × C", "A × D"])
    fit = fit_least_squares(terms.matrix(frame[list("ABCD")]), frame["rate"], terms.names)
    assert fit.residual_df == 10
    assert fit.residual_ss / 10 == pytest.approx(19.51, abs=0.005)
    assert 1 - fit.residual_ss / total_ss(frame["rate"]) == pytest.approx(0.966, abs=0.0005)
    projected = estimate_effects(frame[list("ACD")], frame["rate"], list("ACD"))
    assert projected.error is not None
    assert projected.error.df == 8
    assert projected.error.variance == pytest.approx(22.44, abs=0.005)


def test_lenth_margins_of_the_filtration_rate():
    # R. V. Lenth (1989), Technometrics 31, 469-473, as applied in Montgomery to this example.
    margins = lenth_margins(list(FILTRATION.values()))
    assert margins.pse == pytest.approx(2.625, abs=0.0005)
    assert margins.margin == pytest.approx(6.748, abs=0.0005)
    assert margins.simultaneous_margin == pytest.approx(13.699, abs=0.0005)
    assert margins.df == 5
    beyond = {name for name, value in FILTRATION.items() if abs(value) > margins.margin}
    assert beyond == {"A", "C", "D", "AC", "AD"}
    assert {name for name in beyond if abs(FILTRATION[name]) > margins.simultaneous_margin} == {
        "A",
        "D",
        "AC",
        "AD",
    }


def test_half_fraction_names_what_each_effect_stands_for():
    # Montgomery, first one-half fraction example (Example 8.1; from memory): I = ABCD.
    frame = read("filtration_half")
    table = estimate_effects(frame[list("ABCD")], frame["rate"], list("ABCD")).table
    chains = {
        frozenset(part.strip().replace(" × ", "") for part in chain.split(" + ")): effect
        for chain, effect in zip(table["chain"], table["effect"], strict=True)
    }
    printed = {
        "A BCD": 19.0,
        "B ACD": 1.5,
        "C ABD": 14.0,
        "D ABC": 16.5,
        "AB CD": -1.0,
        "AC BD": -18.5,
        "AD BC": 19.0,
    }
    assert chains == {frozenset(names.split()): pytest.approx(value, abs=1e-9) for names, value in printed.items()}


@pytest.mark.parametrize(
    ("block", "printed"),
    [
        (1, [20.63, 38.38, -0.28, 28.88, -0.28, -0.63, -2.43]),
        (2, [-17.68, 37.73, -3.33, 29.88, 0.53, 1.63, 2.68]),
    ],
)
def test_effects_of_eye_focus_time_in_each_block(block, printed):
    # Montgomery, fold-over example (Example 8.7, 7th and 8th ed.; from memory). Halves are rounded up there.
    frame = read("eye_focus").query("block == @block")
    found = estimate_effects(frame[list("ABCDEFG")], frame["time"], list("ABCDEFG"))
    assert found.table["effect"].tolist() == pytest.approx(printed, abs=0.0051)


def test_full_fold_over_of_eye_focus_time_clears_the_main_effects():
    # Same example: half sums of the two blocks, and half differences as block x main effect.
    frame = read("eye_focus")
    frame["block"] = 3 - 2 * frame["block"]  # first block +1, second -1
    rows = build_terms([*"ABCDEFG", "block"], "interactions")
    names = ["constant", *"ABCDEFG", "block", *(f"{f} × block" for f in "ABCDEFG")]
    terms = keep(rows, names)
    fit = fit_least_squares(terms.matrix(frame[[*"ABCDEFG", "block"]]), frame["time"], terms.names)
    effect = 2 * fit.coefficients.set_index("term")["estimate"]
    main = [1.48, 38.05, -1.80, 29.38, 0.13, 0.50, 0.13]
    chains = [19.15, 0.33, 1.53, -0.50, -0.40, -1.13, -2.55]
    assert effect[list("ABCDEFG")].tolist() == pytest.approx(main, abs=0.0051)
    assert effect[[f"{f} × block" for f in "ABCDEFG"]].tolist() == pytest.approx(chains, abs=0.0051)


def test_effects_of_the_eddy_current_probe():
    # NIST/SEMATECH e-Handbook 5.5.9, data set EDDY (from memory).
    frame = read("eddy")
    found = effects_of(frame, ["X1", "X2", "X3"], "sensitivity")
    printed = [3.1025, -0.8675, 0.2125, 0.1275, 0.2475, 0.2975, 0.1425]
    assert list(found.values()) == pytest.approx(printed, abs=1e-9)
    assert frame["sensitivity"].mean() == pytest.approx(2.65875)


def test_curvature_of_the_filtration_rate_with_centre_coupons():
    # Montgomery, centre-point example of the 2^k chapter (from memory).
    corners, centre = read("filtration"), read("filtration_centre")
    both = pd.concat([corners, centre])
    found = judge_curvature(both[list("ABCD")], both["rate"])
    assert centre["rate"].mean() == pytest.approx(70.75)
    assert found.estimate is not None
    assert found.estimate**2 * 16 * 4 / 20 == pytest.approx(1.51, abs=0.005)
    error = find_pure_error(both[list("ABCD")], both["rate"])
    assert error is not None
    assert error.variance == pytest.approx(16.25, abs=0.005)
    assert error.df == 3
    assert found.p is not None
    assert stats.f.isf(found.p, 1, 3) == pytest.approx(0.093, abs=0.0005)


def test_variance_table_of_surface_roughness():
    # Montgomery and Runger, Applied Statistics and Probability for Engineers, Example 14-2, Table 14-11.
    frame = read("surface_roughness_2x3")
    factors = ["feed", "depth", "angle"]
    found = estimate_effects(frame[factors], frame["roughness_coded"], factors)
    ss = {"A": 45.563, "B": 10.563, "C": 3.063, "AB": 7.563, "AC": 0.062, "BC": 1.563, "ABC": 5.062}
    f = [18.69, 4.33, 1.26, 3.10, 0.03, 0.64, 2.08]
    assert found.table["ss"].tolist() == pytest.approx(list(ss.values()), abs=0.0006)
    assert (found.table["t"] ** 2).tolist() == pytest.approx(f, abs=0.005)
    assert found.fit.residual_ss == pytest.approx(19.5, abs=0.0006)
    assert found.table["ss"].sum() + found.fit.residual_ss == pytest.approx(92.938, abs=0.0006)


CATAPULT = {
    "constant": 57.5375,
    "h": 13.4844,
    "s": -11.0781,
    "b": 19.4125,
    "l": 20.1406,
    "e": 12.0469,
    "h × s": -2.7656,
    "h × b": 4.6406,
    "h × l": 4.7031,
    "h × e": 0.1094,
    "s × b": -3.1719,
    "s × l": -1.1094,
    "s × e": 2.6719,
    "b × l": 7.6094,
    "b × e": 2.8281,
    "l × e": 3.1406,
}


def catapult() -> tuple[ModelTerms, np.ndarray, np.ndarray]:
    frame = read("catapult")
    coded = np.column_stack(
        [
            (frame["band_height"] - 4) / 0.75,
            (frame["start_angle"] - 10) / 10,
            (frame["bands"] - 1.5) / 0.5,
            (frame["arm_length"] - 2) / 2,
            np.where(frame["stop_angle"] == 62, 0.0, (frame["stop_angle"] - 62.5) / 17.5),
        ]
    )
    return build_terms(list("hsble"), "interactions"), coded, frame["distance"].to_numpy()


def test_regression_of_the_catapult():
    # NIST/SEMATECH e-Handbook 5.4.7.2 (first rows seen, the rest from memory), 2^(5-1) with centre runs.
    terms, coded, distance = catapult()
    fit = fit_least_squares(terms.matrix(coded), distance, terms.names)
    table = fit.coefficients.set_index("term")
    assert table["estimate"].to_dict() == pytest.approx(CATAPULT, abs=6e-5)
    se = {name: 2.9691 if name in {"constant", "b"} else 3.3196 for name in CATAPULT}
    assert table["se"].to_dict() == pytest.approx(se, abs=6e-5)
    assert fit.residual_df == 4
    assert (fit.residual_ss / fit.residual_df) ** 0.5 == pytest.approx(13.28, abs=0.005)
    assert 1 - fit.residual_ss / total_ss(distance) == pytest.approx(0.971, abs=0.0005)
