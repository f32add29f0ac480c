"""Published proportional-odds fits."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doe.surfaces.classical.ordinal import fit_ordinal

HERE = Path(__file__).parent


def test_cheese_tasting():
    # McCullagh and Nelder, Generalized Linear Models, 2nd ed. (1989), sec. 5.6 (from memory). Printed standard
    # errors use the expected information; the observed one gives the second row.
    d = pd.read_csv(HERE / "cheese_ordinal.csv")
    d = d.loc[d.index.repeat(d["count"])]
    X = np.column_stack([d["cheese"] == name for name in "ABC"]).astype(float)
    fit = fit_ordinal(X, d["rating"], list("ABC"))
    table = fit.coefficients
    assert table["estimate"].tolist() == pytest.approx([-1.6128, -4.9646, -3.3227], abs=1.1e-4)
    assert table["se_expected"].tolist() == pytest.approx([0.3778, 0.4741, 0.4251], abs=1.1e-4)
    assert table["se"].tolist() == pytest.approx([0.3805, 0.4767, 0.4218], abs=1.1e-4)
    cuts = [-7.0802, -6.0250, -4.9254, -3.8568, -2.5206, -1.5685, -0.0669, 1.4930]
    assert fit.cuts.tolist() == pytest.approx(cuts, abs=1.1e-4)


def test_mental_impairment():
    # Agresti, Categorical Data Analysis, 2nd ed. Table 7.5; Analysis of Ordinal Categorical Data, 2nd ed., sec. 3.3
    # (from memory). Printed with P(Y <= j) = alpha_j + x beta, so our signs are turned.
    d = pd.read_csv(HERE / "mental_impairment.csv")
    score = d["impairment"].map({"well": 1, "mild": 2, "moderate": 3, "impaired": 4})
    fit = fit_ordinal(d[["life_events", "ses"]], score, ["life events", "ses"])
    table = fit.coefficients
    assert (-table["estimate"]).tolist() == pytest.approx([-0.319, 1.111], abs=0.0005)
    assert table["se"].tolist() == pytest.approx([0.121, 0.611], abs=0.0005)
    assert fit.cuts.tolist() == pytest.approx([-0.282, 1.213, 2.209], abs=0.0005)
    # Recomputed with general numerical code:
    assert (-table["estimate"]).tolist() == pytest.approx([-0.31886, 1.11123], abs=5.1e-6)
    assert table["se"].tolist() == pytest.approx([0.12099, 0.61088], abs=5.1e-6)
