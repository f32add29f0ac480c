"""Fitting a study and recommending its setpoint; what is reported is kept in the book."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from doe.acts.answers import answer_data, answer_from
from doe.acts.base import FIT, RECOMMEND, WITHOUT_PRIOR, Key, Progress, usual_seed, version
from doe.acts.comparison.verdict import refuse_comparison
from doe.acts.study.counts import ScoreCounts, score_counts
from doe.acts.study.earlier import Prior, prior_of
from doe.acts.study.inputs import inputs_hash
from doe.acts.study.rounds import results_to_learn_from
from doe.book.records import AnalysisRecord, StudyRecord
from doe.domain.jsonable import jsonable
from doe.setpoint.answer import Answer
from doe.setpoint.recommendation import recommend
from doe.surfaces.fitted import Surfaces, fit
from doe.words.study.state import open_checks, prior_sentence

if TYPE_CHECKING:
    from doe.book.book import Book


@dataclass(frozen=True)
class Fitted:
    """A fit with what it was made from; ``prior`` holds the coupons of an earlier study, where there are any."""

    record: StudyRecord
    results: pd.DataFrame
    surfaces: Surfaces
    hash: str
    seed: int
    counts: ScoreCounts
    prior: Prior | None = None


def fit_study(book: Book, key: Key, *, seed: int | None = None, progress: Progress | None = None) -> Fitted:
    """Fit the surfaces of a study to what is scored, and keep the fit in the book."""
    fitted = fit_of(book, book.study(key), seed, progress)
    belief = fitted.surfaces.belief
    payload = {
        "coupons": fitted.surfaces.results.coupons,
        "passed": int(fitted.surfaces.results.passed.sum()),
        "score": belief.score,
        "score_no_factor": belief.score_no_factor,
        "right": belief.right,
        "fit_p_value": belief.fit_p_value,
        "learned": belief.learned,
        "facts": belief.facts,
        "warnings": fitted.surfaces.warnings,
    }
    _keep(book, fitted, FIT, payload)
    return fitted


def fit_of(book: Book, record: StudyRecord, seed: int | None, progress: Progress | None) -> Fitted:
    """Fit the surfaces of a study without keeping the fit; coupons that judge an answer never enter the fit."""
    refuse_comparison(book, record, "fit")
    results = results_to_learn_from(book, record.id)
    seed = usual_seed(record.name) if seed is None else seed
    prior = prior_of(book, record)
    earlier = prior.earlier() if prior else None
    surfaces = fit(record.study, results, seed=seed, progress=progress, earlier=earlier)
    total = inputs_hash(record.study, results, prior)
    return Fitted(record, results, surfaces, total, seed, score_counts(book, record.id), prior)


def _keep(book: Book, fitted: Fitted, kind: str, payload: Mapping[str, Any]) -> None:
    book.save_analysis(
        fitted.record.id,
        kind=kind,
        inputs_hash=fitted.hash,
        seed=fitted.seed,
        version=version(),
        payload=jsonable(payload),
    )


@dataclass(frozen=True)
class Recommended:
    """An answer with the fit behind it.

    ``kept`` is the record of the same answer when it was in the book already; ``before`` the last answer to other
    results, when there is one; ``without`` the answer without the coupons of an earlier study, where they count.
    """

    fitted: Fitted
    answer: Answer
    kept: AnalysisRecord | None
    before: AnalysisRecord | None
    without: Answer | None = None


def recommend_study(book: Book, key: Key, *, seed: int | None = None, progress: Progress | None = None) -> Recommended:
    """Recommend a setpoint from what is scored, and keep the answer in the book.

    An answer to the very same results, kept earlier, is given again as it was kept: a report made a year later says
    the same, whatever machine or version it is made with. With another seed, or after results changed, it is
    computed anew.
    """
    tell = progress or (lambda share: None)
    fitted = fit_of(book, book.study(key), seed, lambda share: tell(0.7 * share))
    kept_answers = [a for a in book.analyses(fitted.record.id) if a.kind == RECOMMEND]
    same = [a for a in kept_answers if a.inputs_hash == fitted.hash and (seed is None or a.seed == seed)]
    others = [a for a in kept_answers if a.inputs_hash != fitted.hash]
    before = others[-1] if others and not same else None
    if same:
        answer, kept = answer_from(same[-1].payload), same[-1]
    else:
        answer, kept = (
            recommend(
                fitted.record.study, fitted.surfaces, seed=fitted.seed, progress=lambda share: tell(0.7 + 0.1 * share)
            ),
            None,
        )
        _keep(book, fitted, RECOMMEND, answer_data(answer))
    without = _without_prior(book, fitted)
    tell(1.0)
    return Recommended(fitted, _told(answer, fitted, without), kept, before, without)


def _without_prior(book: Book, fitted: Fitted) -> Answer | None:
    """The answer without the coupons of an earlier study, kept beside the other; None where there are none."""
    if fitted.prior is None or not fitted.prior.is_used:
        return None
    for kept in reversed(book.analyses(fitted.record.id)):
        if kept.kind == WITHOUT_PRIOR and kept.inputs_hash == fitted.hash and kept.seed == fitted.seed:
            return answer_from(kept.payload["answer"])
    study = fitted.record.study
    answer = recommend(study, fit(study, fitted.surfaces.results, seed=fitted.seed), seed=fitted.seed)
    # inside, so that its verdict is never taken for that of the study
    _keep(book, fitted, WITHOUT_PRIOR, {"answer": answer_data(answer)})
    return answer


def _told(answer: Answer, fitted: Fitted, without: Answer | None) -> Answer:
    """The answer with what stands before it: open checks first, then what an earlier study does to it."""
    if without is not None and fitted.prior is not None:
        said = prior_sentence(fitted.prior, fitted.record.study, answer, without)
        answer = replace(answer, limits_on_certainty=(said, *answer.limits_on_certainty))
    return _with_open_checks(answer, fitted)


def _with_open_checks(answer: Answer, fitted: Fitted) -> Answer:
    """The answer, which says first what it cannot know: a coupon counts as passed before it was washed.

    This is how things stand when the answer is given, so it is not kept with the answer: a wash that is passed
    later changes no result of the fit.
    """
    if not fitted.counts.unfinished:
        return answer
    good = fitted.results[fitted.results["passed"].eq(True)]
    names = [c.name for c in fitted.record.study.spec.checks if good[f"check_{c.name}"].isna().any()]
    return replace(answer, limits_on_certainty=(open_checks(fitted.counts, names), *answer.limits_on_certainty))
