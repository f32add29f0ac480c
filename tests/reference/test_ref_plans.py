"""Plans against published values and closed forms."""

from __future__ import annotations

import csv
import itertools
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doe.domain.factors import Factor
from doe.domain.stack import Line
from doe.domain.study import Study
from doe.plans.classical import edges, star, two_level
from doe.plans.confusion import alias_chains, aliases, resolution, words_of
from doe.plans.judge import smallest_effect
from doe.plans.order import order_round
from doe.plans.points import FloatArray
from doe.plans.timing import random_settling
from doe.plans.variance import design_matrix, expand, precision
from tests.plans.generators import folded, generated

HERE = Path(__file__).parent


def rows(name):
    with (HERE / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def study_of(k):
    return Study("reference", tuple(Factor(f"x{i + 1}", "degC", low=99, high=101, step=0) for i in range(k)))


def coupons_of(coded: FloatArray, **columns):
    """Coded points as settings of `study_of`; also beyond the ends, as axial points of a central composite are."""
    frame = pd.DataFrame({f"x{i + 1}": 100 + coded[:, i] for i in range(coded.shape[1])})
    return frame.assign(**columns)


def spv(coded, at, model="quadratic"):
    study = study_of(coded.shape[1])
    X = design_matrix(study, coupons_of(coded), model)
    F = expand(study, np.atleast_2d(np.asarray(at, dtype=float)), np.empty((1, 0), dtype=int), model)
    return len(coded) * np.einsum("ip,pq,iq->i", F, np.linalg.inv(X.T @ X), F)


# --- aliases -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("design", ["2^(4-1)", "2^(5-2)"])
def test_alias_chains_of_published_tables(design):
    # Montgomery, Design and Analysis of Experiments, fractional factorial chapter; NIST/SEMATECH e-Handbook 5.3.3.4
    # (2^(4-1) seen on a page, 2^(5-2) arithmetic)
    table = [r for r in rows("alias_tables.csv") if r["design"] == design]
    words = generated(table[0]["generators"])
    printed = {frozenset(w) for w in table[0]["defining_relation"].split("=") if w != "I"}
    assert set(words) == printed
    for row in table:
        assert set(aliases(frozenset(row["effect"]), words)) == {frozenset(a) for a in row["aliases"].split()}
    # the table is complete: no further chain
    factors = "ABCD" if design == "2^(4-1)" else "ABCDE"
    assert len(alias_chains(list(factors), words)) == len(table)


@pytest.mark.parametrize("row", rows("resolution.csv"), ids=lambda r: f"2^({r['factors']}-{r['p']})")
def test_resolution_of_regular_fractions(row):
    # Box, Hunter and Hunter, Statistics for Experimenters, 2nd ed., Table 6.22; NIST/SEMATECH e-Handbook 5.3.3.4.7
    words = generated(row["generators"])
    assert len(words) == 2 ** int(row["p"]) - 1
    roman = {"III": 3, "IV": 4, "V": 5, "VI": 6, "VII": 7}
    assert resolution(words) == roman[row["resolution"]]


@pytest.mark.parametrize(
    ("k", "fraction", "printed"),
    [(3, "half", 3), (4, "half", 4), (5, "half", 5), (6, "half", 6), (5, "quarter", 3), (6, "quarter", 4)],
)
def test_fractions_have_the_highest_resolution_of_their_size(k, fraction, printed):
    # the same table; highest possible: from memory
    assert resolution(words_of(two_level(k, fraction), list("ABCDEF"[:k]))) == printed


def test_fold_over_of_a_quarter_has_resolution_four():
    # 2^(5-2), D = AB, E = AC: with all signs reversed only I = BCDE is left (arithmetic)
    words = folded(generated("D=AB E=AC"))
    assert set(words) == {frozenset("BCDE")}
    assert resolution(words) == 4


def test_filtration_half_gives_the_published_contrasts_to_its_chains():
    # Montgomery, Design and Analysis of Experiments, Example 8.1 (memory): I = ABCD
    table = rows("filtration_half.csv")
    names = list("ABCD")
    X = np.array([[float(r[n]) for n in names] for r in table])
    y = np.array([float(next(v for key, v in r.items() if key not in names and _is_response(key))) for r in table])
    words = words_of(X, names)
    assert set(words) == {frozenset("ABCD")}
    printed = {"A": 19.00, "B": 1.50, "C": 14.00, "D": 16.50, "AB": -1.00, "AC": -18.50, "AD": 19.00}
    for chain in alias_chains(names, words):
        effect = "".join(sorted(min(chain, key=lambda e: (len(e), sorted(e)))))
        for alias in chain:  # every member of a chain has the same contrast
            column = X[:, [names.index(c) for c in alias]].prod(axis=1)
            assert 2 * (column * y).mean() == pytest.approx(printed[effect], abs=1e-9)


def _is_response(name):
    return name in ("rate", "filtration", "filtration_rate", "y")


def test_eye_focus_fold_over_separates_main_effects_from_chains():
    # Montgomery, Example 8.7 in the 7th and 8th edition (memory); printed to two decimals, halves rounded up
    table = rows("eye_focus.csv")
    names = list("ABCDEFG")
    X = np.array([[float(r[n]) for n in names] for r in table])
    y = np.array([float(r["time"]) for r in table])
    first, second = (np.array([r["block"] for r in table]) == b for b in "12")
    words = generated("D=AB E=AC F=BC G=ABC")
    assert words_of(X[first], names) == words
    assert set(words_of(X, names)) == set(folded(words))
    assert resolution(words_of(X[first], names)) == 3
    assert resolution(words_of(X, names)) == 4
    one, two = (2 * (X[b] * y[b, None]).mean(axis=0) for b in (first, second))
    assert one == pytest.approx([20.63, 38.38, -0.28, 28.88, -0.28, -0.63, -2.43], abs=0.0051)
    assert two == pytest.approx([-17.68, 37.73, -3.33, 29.88, 0.53, 1.63, 2.68], abs=0.0051)
    assert (one + two) / 2 == pytest.approx([1.48, 38.05, -1.80, 29.38, 0.13, 0.50, 0.13], abs=0.0051)
    assert (one - two) / 2 == pytest.approx([19.15, 0.33, 1.53, -0.50, -0.40, -1.13, -2.55], abs=0.0051)
    for effect, printed in {"A": {"BD", "CE", "FG"}, "B": {"AD", "CF", "EG"}, "D": {"AB", "CG", "EF"}}.items():
        pairs = {"".join(sorted(a)) for a in aliases(frozenset(effect), words) if len(a) == 2}
        assert pairs == printed


# --- efficiency and prediction variance --------------------------------------------------------------------


@pytest.mark.parametrize("k", [2, 3, 4])
def test_two_level_factorial_is_fully_efficient_and_its_corner_variance_is_the_number_of_terms(k):
    # Kiefer and Wolfowitz 1960; arithmetic
    for model, terms in (("main", k + 1), ("interactions", 1 + k + math.comb(k, 2))):
        found = precision(study_of(k), coupons_of(two_level(k)), model)
        assert found.d_value == pytest.approx(1, rel=1e-9)
        assert found.d_efficiency == pytest.approx(1, rel=1e-3)
        assert found.scaled_max == pytest.approx(terms, rel=1e-9)
    x = np.full(k, 0.4)
    assert spv(two_level(k), x, "main")[0] == pytest.approx(1 + x @ x)


def test_half_fraction_of_resolution_five_is_fully_efficient_for_interactions():
    found = precision(study_of(5), coupons_of(two_level(5, "half")), "interactions")
    assert found.d_value == pytest.approx(1, rel=1e-9)


def test_three_by_three_factorial_against_the_published_optimum():
    # Kiefer 1961; Atkinson, Donev and Tobias, Optimum Experimental Designs (2007), ch. 11 (memory)
    table = rows("d_optimal_square.csv")
    points = np.array([[float(r["x1"]), float(r["x2"])] for r in table])
    w = np.array([float(r["weight"]) for r in table])
    F = expand(study_of(2), points, np.empty((9, 0), dtype=int), "quadratic")
    M = F.T @ (w[:, None] * F)
    variance = np.einsum("ip,pq,iq->i", F, np.linalg.inv(M), F)
    assert variance.max() == pytest.approx(6, abs=0.002)
    found = precision(study_of(2), coupons_of(points), "quadratic")
    assert found.d_efficiency == pytest.approx(0.974, abs=0.0005)
    # our own optimum reaches the published determinant; the printed weights add up to 1.0002
    M /= w.sum()
    assert found.d_value / found.d_efficiency == pytest.approx(np.linalg.det(M) ** (1 / 6), rel=1e-5)


def composite(k, alpha, centre, *, fraction=""):
    return np.vstack([two_level(k, fraction), alpha * star(k), np.zeros((centre, k))])


@pytest.mark.parametrize(
    ("points", "printed"),
    [
        (composite(2, math.sqrt(2), 5), 13 / 5),
        (composite(4, 2.0, 7), 31 / 7),
        (np.vstack([edges(3), np.zeros((3, 3))]), 15 / 3),
        (np.vstack([edges(4), np.zeros((3, 4))]), 27 / 3),
    ],
    ids=["k=2", "k=4", "Box-Behnken 3", "Box-Behnken 4"],
)
def test_points_on_one_sphere_leave_the_centre_to_the_centre_runs(points, printed):
    # SPV(0) = N / n0 (arithmetic)
    assert spv(points, np.zeros(points.shape[1]))[0] == pytest.approx(printed, rel=1e-9)


def test_rotatable_composite_of_three_factors():
    # Cochran and Cox, Experimental Designs, 2nd ed., ch. 8A (memory): variance at the centre 0.16634, 20 runs
    points = composite(3, 8**0.25, 6)
    assert spv(points, np.zeros(3))[0] == pytest.approx(3.3268, abs=0.00005 * 20)
    assert spv(points, np.zeros(3))[0] / 20 == pytest.approx(0.16634, abs=0.000005)
    rng = np.random.default_rng(3)
    directions = rng.standard_normal((50, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    for radius in (0.5, 1.0, 1.5):
        assert np.ptp(spv(points, radius * directions)) < 1e-9


@pytest.mark.parametrize(("cube", "printed"), [(4, 1.414), (8, 1.682), (16, 2.000), (32, 2.378)])
def test_rotatable_axial_distance(cube, printed):
    # NIST/SEMATECH e-Handbook 5.3.3.6.1: the fourth root of the cube points makes the variance the same all round
    assert cube**0.25 == pytest.approx(printed, abs=0.0005)
    k = int(math.log2(cube))
    points = composite(k, cube**0.25, 3)
    axis, diagonal = np.eye(k)[0], np.ones(k) / math.sqrt(k)
    assert spv(points, axis)[0] == pytest.approx(spv(points, diagonal)[0], rel=1e-9)


def test_box_behnken_of_four_factors_is_rotatable_and_of_three_is_not():
    for k, rotatable in ((4, True), (3, False)):
        points = np.vstack([edges(k), np.zeros((3, k))])
        axis, diagonal = np.eye(k)[0], np.ones(k) / math.sqrt(k)
        same = spv(points, axis)[0] == pytest.approx(spv(points, diagonal)[0], rel=1e-9)
        assert same == rotatable


@pytest.mark.parametrize(
    ("k", "fraction", "c0", "a0", "printed"),
    [
        (2, "", 3, 3, 1.414),
        (3, "", 4, 2, 1.633),
        (4, "", 4, 2, 2.000),
        (5, "half", 6, 1, 2.000),
        (5, "", 8, 4, 2.366),
    ],
)
def test_orthogonal_blocking_of_composites(k, fraction, c0, a0, printed):
    # Box and Hunter 1957: with this axial distance cube block and axial block leave the quadratic untouched
    cube = two_level(k, fraction)
    alpha = math.sqrt(k * (1 + a0 / (2 * k)) / (1 + c0 / len(cube)))
    assert alpha == pytest.approx(printed, abs=0.0005)
    blocks = [np.vstack([cube, np.zeros((c0, k))]), np.vstack([alpha * star(k), np.zeros((a0, k))])]
    rounds = np.repeat([1, 2], [len(b) for b in blocks])
    X = design_matrix(study_of(k), coupons_of(np.vstack(blocks), round=rounds), "quadratic")
    terms, block = X[:, 1:-1], X[:, -1]
    assert np.abs((terms - terms.mean(axis=0)).T @ (block - block.mean())).max() < 1e-9
    # with another axial distance it would not
    blocks[1][: 2 * k] *= 1.1
    X = design_matrix(study_of(k), coupons_of(np.vstack(blocks), round=rounds), "quadratic")
    terms, block = X[:, 1:-1], X[:, -1]
    assert np.abs((terms - terms.mean(axis=0)).T @ (block - block.mean())).max() > 0.1


# --- power -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "row", rows("power_two_level_effect.csv"), ids=lambda r: f"{r['alpha_two_sided']}-{r['n_per_level']}"
)
def test_runs_per_level_for_a_two_level_effect(row):
    # J. Cohen (1992), Psychological Bulletin 112, 155-159, Table 2 (memory); the table is approximate: the smallest
    # number is the printed one or one more
    delta, alpha, power, printed = (
        float(row[c]) for c in ("effect_over_sigma", "alpha_two_sided", "power", "n_per_level")
    )

    def reached(n):
        return smallest_effect(math.sqrt(2 / n), 2 * n - 2, alpha=alpha, power=power) <= delta

    smallest = next(n for n in itertools.count(int(printed) - 3) if reached(n))
    assert smallest in (printed, printed + 1)


@pytest.mark.parametrize(("n", "delta", "nu", "printed"), [(16, 2, 8, 0.93674), (8, 2, 4, 0.57161)])
def test_power_of_small_two_level_plans(n, delta, nu, printed):
    # computed from the noncentral F with 1 and nu degrees of freedom and noncentrality n delta^2 / 4
    found = smallest_effect(2 / math.sqrt(n), nu, alpha=0.05, power=printed)
    assert found == pytest.approx(delta, abs=5e-5)  # power rises by 0.1 to 0.4 a unit of effect here


# --- order -------------------------------------------------------------------------------------------------


def sixteen_at_two_temperatures():
    study = Study(
        "sixteen",
        (
            Factor("cure_temp", "degC", low=110, high=140, hard_to_change=True),
            *(Factor(f"e{i}", "bar", low=0, high=1, step=0) for i in range(3)),
        ),
    )
    X = two_level(4)
    frame = pd.DataFrame({"cure_temp": 125 + 15 * X[:, 0], **{f"e{i}": (X[:, i + 1] + 1) / 2 for i in range(3)}})
    return study, frame


def test_random_order_of_sixteen_runs_changes_a_two_level_factor_eight_times():
    # 15 steps, each to the other level with probability 8/15 (arithmetic)
    study, frame = sixteen_at_two_temperatures()
    frame = frame.assign(cure_order=range(1, 17), press_order=range(1, 17))
    assert random_settling(study, frame, Line("line"), "cure", ends=False).changes == pytest.approx(8.0)


def test_drawn_random_orders_change_it_eight_times_and_a_grouped_order_once():
    study, frame = sixteen_at_two_temperatures()
    rng = np.random.default_rng(2)
    changes = [
        order_round(study, frame, Line("line"), rng, ends=None, order="random")["cure_batch"].max() - 1
        for _ in range(400)
    ]
    # standard deviation of one order is below 2: four standard errors are 0.4
    assert np.mean(changes) == pytest.approx(8.0, abs=0.4)
    grouped = order_round(study, frame, Line("line"), rng, ends=None)
    assert grouped["cure_batch"].max() == 2
