"""Fitting a study and recommending its setpoint; what is reported is kept in the book, and read back as it was."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from doe.acts.base import FIT, RECOMMEND, SHOP, WITHOUT_PRIOR, Key, Progress, usual_seed, version
from doe.acts.comparison.verdict import refuse_comparison
from doe.acts.study.earlier import Prior, prior_of
from doe.acts.study.inputs import inputs_hash, shop_sum
from doe.acts.study.kept_draws import kept_draws
from doe.acts.study.limits import refuse_known
from doe.acts.study.rounds import grades_at_odds, results_to_learn_from, score_counts
from doe.acts.study.shop import shop_of
from doe.acts.study.symptom_points import with_points
from doe.acts.verdicts import verdict_changed
from doe.book.book import Book
from doe.book.records import AnalysisRecord, StudyRecord
from doe.domain.finding import Finding, Value, finding_of
from doe.domain.jsonable import jsonable, named
from doe.domain.outcome import ScoreCounts
from doe.setpoint.answer import Answer, Cliff, SettingRoom, Window
from doe.setpoint.recommendation import recommend
from doe.setpoint.verdict import find_gaps
from doe.setpoint.why import Why, explain_answer
from doe.surfaces.contract import Sampling
from doe.surfaces.fitted import Surfaces, fit


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

    def belief_data(self) -> dict[str, Any]:
        """Whether the fit can be believed, as what JSON takes."""
        belief = self.surfaces.belief
        return named(belief, "score", "score_no_factor", "right", "fit_p_value", "learned", "facts")


def fit_study(book: Book, key: Key, *, seed: int | None = None, progress: Progress | None = None) -> Fitted:
    """Fit the surfaces of a study to what is scored, and keep the fit in the book."""
    fitted = fit_of(book, book.study(key), seed, progress)
    results = fitted.surfaces.results
    counted = {"coupons": results.coupons, "passed": int(results.passed.sum())}
    _keep(book, fitted, FIT, {**counted, **fitted.belief_data(), "warnings": fitted.surfaces.warnings})
    return fitted


def fit_of(
    book: Book, record: StudyRecord, seed: int | None, progress: Progress | None, *, sampling: Sampling = kept_draws
) -> Fitted:
    """Fit the surfaces of a study without keeping the fit; coupons that judge an answer never enter the fit."""
    refuse_known(record.study, "fit")
    refuse_comparison(book, record, "fit")
    results = results_to_learn_from(book, record.id)
    seed = usual_seed(record.first_name, seed)
    prior = prior_of(book, record)
    earlier = prior.earlier() if prior else None
    shop = shop_of(book, record)
    ready = with_points(results)
    surfaces = fit(record.study, ready, seed=seed, progress=progress, earlier=earlier, shop=shop, sampling=sampling)
    kept = {a.inputs_hash for a in book.analyses(record.id, RECOMMEND)}
    lent = shop_sum(book.latest_analysis(record.id, SHOP))
    total = inputs_hash(record.as_made, results, prior, shop=lent, kept=kept)
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
    kept_answers = book.analyses(fitted.record.id, RECOMMEND)
    same = [a for a in kept_answers if a.inputs_hash == fitted.hash and (seed is None or a.seed == seed)]
    others = [a for a in kept_answers if a.inputs_hash != fitted.hash]
    before = others[-1] if others and not same else None
    kept = same[-1] if same else None
    if kept is not None:
        answer = answer_from(kept.payload)
    else:
        study = fitted.record.study
        answer = recommend(study, fitted.surfaces, seed=fitted.seed, progress=lambda share: tell(0.7 + 0.1 * share))
        _keep(book, fitted, RECOMMEND, answer_data(answer))
    without = _without_prior(book, fitted)
    tell(1.0)
    limits = (
        *_open_checks(fitted),
        *verdict_changed(book, fitted.record.id, RECOMMEND, answer.verdict),
        *grades_at_odds(book, fitted.record.id, set(fitted.results["coupon"])),
        *_lent(fitted, answer, without),
        *answer.limits_on_certainty,
    )
    return Recommended(fitted, replace(answer, limits_on_certainty=limits), kept, before, without)


def _without_prior(book: Book, fitted: Fitted) -> Answer | None:
    """The answer without the coupons of an earlier study, kept beside the other; None where there are none."""
    if fitted.prior is None or not fitted.prior.is_used:
        return None
    for kept in reversed(book.analyses(fitted.record.id, WITHOUT_PRIOR)):
        if kept.inputs_hash == fitted.hash and kept.seed == fitted.seed:
            return answer_from(kept.payload["answer"])
    study = fitted.record.study
    shop = shop_of(book, fitted.record)
    alone = fit(study, fitted.surfaces.results, seed=fitted.seed, shop=shop, sampling=kept_draws)
    answer = recommend(study, alone, seed=fitted.seed)
    # inside, so that its verdict is never taken for that of the study
    _keep(book, fitted, WITHOUT_PRIOR, {"answer": answer_data(answer)})
    return answer


def _lent(fitted: Fitted, answer: Answer, without: Answer | None) -> tuple[Finding, ...]:
    """What the coupons of an earlier study do to an answer; nothing where none count."""
    if without is None or fitted.prior is None:
        return ()
    spec, names = fitted.record.study.spec, [f.name for f in fitted.record.study.numeric]

    def told(found: Answer) -> tuple[Value, ...]:
        settings = tuple((name, float(found.setpoint[name])) for name in names)
        return (found.verdict, found.pass_rate, found.pass_rate_low, settings)

    return (fitted.prior.lent.also(assurance=spec.assurance, answer=told(answer), without=told(without)),)


def _open_checks(fitted: Fitted) -> tuple[Finding, ...]:
    """What an answer cannot know: how the washes still to come will end.

    This is how things stand when the answer is given, so it is not kept with the answer.
    """
    counts = fitted.counts
    if not counts.unfinished:
        return ()
    good = fitted.results[fitted.results["passed"].eq(True)]
    names = tuple(c.name for c in fitted.record.study.spec.checks if good[f"check_{c.name}"].isna().any())
    return (Finding("open checks", {"unfinished": counts.unfinished, "passed": counts.passed, "checks": names}),)


def explain(found: Recommended) -> Why:
    """Reasons behind an answer, kept or new, from the fit that stands behind it."""
    return explain_answer(found.fitted.record.study, found.fitted.surfaces, found.answer)


@dataclass(frozen=True)
class EarlyHint:
    """Where the best settings seem to lie after the coupons scored so far.

    ``window`` holds low and high of every numeric factor, empty where no box holds the target yet; ``pass_rate`` and
    ``pass_rate_low`` are the expected rate at ``settings`` and its lower bound; ``look_again`` names coupons where
    the results contradict the map, so that it cannot be trusted; ``unvaried`` are the labels of settings that hardly
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
    look_again: tuple[str, ...] = ()
    unvaried: tuple[str, ...] = ()
    checks_only: bool = False


def early_hint(book: Book, study: int, *, progress: Progress | None = None) -> EarlyHint:
    """An early look at where good settings may lie, while coupons are still being scored; nothing of it is kept.

    Raises
    ------
    InputError
        If nothing can be fitted to this study.
    """
    record = book.study(study)
    fitted = fit_of(book, record, None, progress)
    answer = recommend(record.study, fitted.surfaces, seed=fitted.seed, progress=progress)
    ends = () if answer.window is None else answer.window.bounds[["low", "high"]].astype(float).itertuples()
    results = fitted.surfaces.results
    gaps = find_gaps(record.study, fitted.surfaces)
    return EarlyHint(
        fitted.hash,
        results.coupons,
        int(results.passed.sum()),
        dict(answer.setpoint),
        {str(name): (low, high) for name, low, high in ends},
        answer.pass_rate,
        answer.pass_rate_low,
        record.study.spec.assurance,
        gaps.at_odds,
        tuple(f.label for f in gaps.unvaried),
        gaps.hand,
    )


SAYING = ("limits_on_certainty", "changes", "warnings")
"""Parts of an answer that hold facts."""


def answer_data(answer: Answer) -> dict[str, Any]:
    """An answer as what JSON takes; `answer_from` reads it back."""
    data: dict[str, Any] = jsonable(answer)
    # an empty frame keeps its columns too
    data["next_coupons"] = {"columns": list(answer.next_coupons.columns), "rows": data["next_coupons"]}
    return data


def answer_from(data: Mapping[str, Any]) -> Answer:
    """The answer that `answer_data` wrote down."""

    def window(found: Mapping[str, Any] | None) -> Window | None:
        if found is None:
            return None
        rows = pd.DataFrame(found["bounds"])
        return Window(**{**found, "bounds": rows.set_index(rows.columns[0]).rename_axis(None)})

    values = dict(data)
    following = values["next_coupons"]
    values["next_coupons"] = pd.DataFrame(following["rows"], columns=following["columns"])
    values["window"], values["assured_window"] = window(values["window"]), window(values["assured_window"])
    values["cliffs"] = tuple(Cliff(**_numbers(c, "setting_errors")) for c in values["cliffs"])
    values["room"] = tuple(SettingRoom(**_numbers(r, "lower", "higher")) for r in values.get("room", ()))
    values |= {name: tuple(map(finding_of, values[name])) for name in SAYING}
    return Answer(**values)


def _numbers(found: Mapping[str, Any], *names: str) -> dict[str, Any]:
    """Distances as they were: one that is not a number, as without a setting error, is written as null."""
    return {**found, **{name: math.nan if found[name] is None else found[name] for name in names}}
