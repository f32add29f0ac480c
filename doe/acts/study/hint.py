"""An early look at where good settings may lie, while coupons are still being scored. Never a verdict, never kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from doe.acts.study.fits import fit_of
from doe.acts.study.inputs import hash_now
from doe.setpoint.recommendation import recommend
from doe.setpoint.verdict import find_gaps

if TYPE_CHECKING:
    from doe.book.book import Book


@dataclass(frozen=True)
class EarlyHint:
    """Where the best settings seem to lie after the coupons scored so far.

    ``window`` holds low and high of every numeric factor, empty where no box holds the target yet; ``pass_rate`` and
    ``pass_rate_low`` are the expected rate at ``settings`` and its lower bound; ``learned`` says whether the fit
    predicts coupons better than a guess that knows no setting; ``unvaried`` are the labels of settings that hardly
    changed so far, ``checks_only`` says that hand-feel is wanted and was not scored yet.
    """

    hash: str
    coupons: int
    passed: int
    settings: Mapping[str, float | str]
    window: Mapping[str, tuple[float, float]]
    pass_rate: float
    pass_rate_low: float
    assurance: float
    learned: bool
    unvaried: tuple[str, ...] = ()
    checks_only: bool = False


def hint_hash(book: Book, study: int) -> str:
    """What the coupons scored so far are known by."""
    record = book.study(study)
    return hash_now(book, record)


def early_hint(book: Book, study: int) -> EarlyHint:
    """Fit what is scored and recommend from it, without keeping either.

    Raises
    ------
    InputError
        If nothing can be fitted to this study.
    """
    record = book.study(study)
    fitted = fit_of(book, record, None, None)
    answer = recommend(record.study, fitted.surfaces, seed=fitted.seed)
    window: dict[str, tuple[float, float]] = {}
    if answer.window is not None:
        bounds = answer.window.bounds
        window = {str(name): (float(bounds["low"][name]), float(bounds["high"][name])) for name in bounds.index}
    results = fitted.surfaces.results
    gaps = find_gaps(record.study, fitted.surfaces)
    return EarlyHint(
        fitted.hash,
        results.coupons,
        int(results.passed.sum()),
        dict(answer.setpoint),
        window,
        answer.pass_rate,
        answer.pass_rate_low,
        record.study.spec.assurance,
        bool(fitted.surfaces.belief.learned),
        tuple(f.label for f in gaps.unvaried),
        gaps.hand,
    )
