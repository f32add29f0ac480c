"""The key of a comparison scored blind: which code is which material, for whoever makes the prints."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from doe.assure.comparison.plan import ComparisonPlan
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.words.materials import wait_words
from doe.words.press import MATERIALS
from doe.words.wording import count


@dataclass(frozen=True)
class KeyRow:
    """One ``coupon`` by its code: its ``pair``, and ``material`` in words; ``is_new`` sets it apart in print.

    ``wait`` says after which time it is peeled, where two films have their own.
    """

    coupon: str
    pair: str
    material: str
    is_new: bool
    wait: str = ""


@dataclass(frozen=True)
class KeyPage:
    """Everything on a key.

    Attributes
    ----------
    page_title, study_name, round_line : str
    new, in_use : str
        Both materials.
    rows : tuple of KeyRow
        In the order of their codes.
    """

    page_title: str
    study_name: str
    round_line: str
    new: str
    in_use: str
    rows: tuple[KeyRow, ...]


def key_rows(coupons: pd.DataFrame, waits: Mapping[str, float], shown: Shown = METRIC) -> tuple[KeyRow, ...]:
    """What each code stands for, in the order of the codes; ``coupons`` as for `key_page`, ``waits`` by material."""
    return tuple(
        KeyRow(
            str(row["coupon"]),
            str(int(row["pair"])),
            MATERIALS[row["material"]],
            row["material"] == "new",
            wait_words(waits, row["material"], shown),
        )
        for row in coupons.sort_values("coupon").to_dict("records")
    )


def key_page(study: Study, plan: ComparisonPlan, coupons: pd.DataFrame, shown: Shown = METRIC) -> KeyPage:
    """The key of a round.

    Parameters
    ----------
    study : Study
    plan : ComparisonPlan
    coupons : DataFrame
        One row a coupon of the round: coupon, round, pair, material.
    shown : Shown, optional
    """
    number = int(coupons["round"].max())
    rows = key_rows(coupons, plan.waits or {}, shown)
    return KeyPage(
        f"Key, {study.name}, round {number}",
        study.name,
        f"Round {number}, {count(len(rows), 'coupon')}.",
        plan.new,
        plan.in_use,
        rows,
    )
