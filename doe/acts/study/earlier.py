"""Coupons of an earlier study that count for a part of one each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from doe.acts.base import PRIOR, digest, version
from doe.book.book import Book
from doe.book.records import NewAnalysis, StudyRecord
from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.domain.jsonable import jsonable, named
from doe.domain.outcome import ACTUAL_PREFIX, BATCH_COLUMNS, HAND_PREFIX
from doe.domain.study import Study
from doe.surfaces.earlier import Earlier

USUAL_DISCOUNT = 0.3
"""What one coupon of the earlier study counts for. See `tests/benchmarks/prior_knowledge.py` and DEVELOPERS.md."""

Reason = Literal["same fabric", "other fabric", "as typed"]
"""Why earlier coupons count for so much; `doe.words.study.state.reason` says it. Older books hold sentences."""


@dataclass(frozen=True)
class Prior:
    """Coupons of an earlier study as they were when the retune began; a later correction of them changes nothing here.

    ``discount`` is what each counts for; 0 when they are left out, and then ``results`` is empty. ``why`` is the
    `Reason`, or a sentence of an older book.
    """

    study: str
    recipe: str
    revision: int
    discount: float
    why: str
    results: pd.DataFrame
    hash: str

    @property
    def coupons(self) -> int:
        """Scored coupons."""
        return len(self.results)

    @property
    def is_used(self) -> bool:
        """Whether any of it enters the fit."""
        return self.discount > 0 and self.coupons > 0

    def earlier(self) -> Earlier | None:
        """For `doe.fit`; None when nothing is used."""
        return Earlier(self.results, self.discount) if self.is_used else None

    @property
    def lent(self) -> Finding:
        """What was lent, as `doe.words.study.state` says it."""
        told = named(self, "study", "recipe", "revision", "coupons", "discount", "why")
        return Finding("lent" if self.is_used else "left out", told)


def check_discount(discount: float) -> float:
    """A discount from 0 (left out) to 1 (like coupons of the new stack).

    Raises
    ------
    InputError
        If it is outside.
    """
    if not 0 <= discount <= 1:
        raise InputError("--discount", discount, "0 to 1", "0 leaves the earlier coupons out, 1 counts them fully.")
    return discount


def usual_discount(differs: Mapping[str, str]) -> tuple[float, Reason]:
    """What the earlier coupons usually count for, and why: nothing when the fabric is another in kind."""
    if differs.get("fabric") == "material":
        return 0.0, "other fabric"
    return USUAL_DISCOUNT, "same fabric"


def coupons_for_prior(results: pd.DataFrame, study: Study, levels: Mapping[str, str]) -> pd.DataFrame:
    """Scored coupons of an earlier study with the columns a fit of the new one reads.

    Parameters
    ----------
    results : DataFrame
        As the book gives them.
    study : Study
        The new study; its factors are among those of the earlier one.
    levels : mapping
        Levels at which categorical factors of the earlier study are held now: coupons at another level are left out.
    """
    keep = results["passed"].notna()
    for name, level in levels.items():
        keep &= results[name].astype(str) == level
    names = ("coupon", *study.factor_names, "passed", "side", *BATCH_COLUMNS)
    actual = [ACTUAL_PREFIX + n for n in study.factor_names]
    columns = [c for c in results.columns if c in names or c in actual or str(c).startswith(HAND_PREFIX)]
    if (results["grade"] != "").any():
        columns.append("grade")
    found: pd.DataFrame = results.loc[keep, columns].reset_index(drop=True)
    return found


def prior_analysis(
    *, study: str, recipe: str, revision: int, discount: float, why: str, results: pd.DataFrame
) -> NewAnalysis:
    """Prior knowledge as the book keeps it."""
    used = results if discount > 0 else results.iloc[:0]
    rows = {"columns": list(used.columns), "rows": jsonable(used.to_dict("records"))}
    total = digest(rows)
    said = {"study": study, "recipe": recipe, "revision": revision, "discount": discount, "why": why}
    return NewAnalysis(PRIOR, total, 0, version(), {**said, "results": rows, "hash": total})


def prior_of(book: Book, record: StudyRecord) -> Prior | None:
    """Prior knowledge of a study; None when it has none on record."""
    kept = book.latest_analysis(record.id, PRIOR)
    if kept is None:
        return None
    rows = kept.payload["results"]
    return Prior(**{**kept.payload, "results": pd.DataFrame(rows["rows"], columns=rows["columns"])})
