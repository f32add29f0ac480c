"""The coupons of a confirmation in an order a person can run, strokes kept whole."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import pandas as pd

from doe.assure.allocation import SETPOINT
from doe.domain.seeds import check_seed
from doe.domain.stack import Line
from doe.domain.study import Study
from doe.plans.build import round_frame
from doe.plans.order import LEAST_IN_BATCH

Unit = Literal["coupon", "stroke"]


def order_confirmation(
    study: Study,
    settings: pd.DataFrame,
    *,
    number: int,
    seed: int,
    line: Line,
    unit: Unit = "coupon",
    coupons_per_garment: int = 4,
) -> pd.DataFrame:
    """One ordered round: every machine setting in two batches, so that the machines are set afresh in between.

    A confirmation made at one turn of the dials would only confirm that turn. Batches, strokes and garments are
    numbered from 1.

    Parameters
    ----------
    study : Study
    settings : DataFrame
        One row a unit at the setpoint and one row a coupon at a corner: role and the factors
        (`confirmation_settings` with the units of the claim).
    number : int
        Of the round.
    seed : int
    line : Line
        ``coupons_per_stroke`` coupons make a unit where strokes are counted.
    unit : {"coupon", "stroke"}
        ``coupon``: each coupon at the setpoint has a stroke of its own. ``stroke``: a full platen is pressed each time.
    coupons_per_garment : int

    Returns
    -------
    DataFrame
        Columns of `doe.plans.Plan.coupons`.
    """
    check_seed(seed)
    each = line.coupons_per_stroke if unit == "stroke" else 1
    # one coupon a stroke first: coupons that judge a setpoint must not lean on their neighbours under the platen
    frame = round_frame(
        study, settings[list(study.factor_names)].reset_index(drop=True), settings["role"].to_numpy(dtype=object),
        np.random.default_rng([seed, number, 2]), number=number, line=replace(line, coupons_per_stroke=1), ends=None,
        order="repeated", coupons_per_garment=max(1, coupons_per_garment // each),
    )  # fmt: skip
    for stage in ("cure", "press"):
        if frame[f"{stage}_batch"].max() == 1 and len(frame) >= 2 * LEAST_IN_BATCH:
            # a single setting all day is no reason to leave the dials alone
            frame[f"{stage}_batch"] = 1 + (frame[f"{stage}_order"] > len(frame) / 2).astype(int)
    if each == 1:
        return frame
    times = np.where(frame["role"] == SETPOINT, each, 1)
    whole = frame.loc[frame.index.repeat(times)].reset_index(drop=True)
    for order in ("cure_order", "press_order"):
        whole[order] = whole[order].rank(method="first").astype(int)
    width = max(2, len(str(len(whole))))
    whole["coupon"] = [f"R{number}-{i:0{width}d}" for i in whole["cure_order"]]
    return whole.sort_values("cure_order", ignore_index=True)
