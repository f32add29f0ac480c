"""Classical checks beside the answer: what a textbook would fit to the same coupons. Never the source of the answer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.domain.coding import code_frame
from doe.domain.results import Results
from doe.domain.study import Study
from doe.surfaces.classical.batch_errors import Judged, judge_curvature, judge_drift
from doe.surfaces.classical.canonical import Canonical, analyse_shape
from doe.surfaces.classical.confounding import Floats, find_confounding
from doe.surfaces.classical.effects import Effects, estimate_effects
from doe.surfaces.classical.firth import FirthFit, fit_firth
from doe.surfaces.classical.least_squares import LackOfFit, fit_least_squares, judge_lack_of_fit
from doe.surfaces.classical.mixed import MixedFit, fit_mixed
from doe.surfaces.classical.ordinal import OrdinalFit, fit_ordinal
from doe.surfaces.classical.terms import ModelTerms, TermsKind, build_terms
from doe.surfaces.hand_scores import mean_hand

NEAR_LEVEL = 0.12
"""How far, coded, a setting may be rounded away from -1, 0 or +1 and still count as that level."""

BATCHES = ("cure_batch", "press_batch")

_KINDS: tuple[TermsKind, ...] = ("quadratic", "interactions", "main")


@dataclass(frozen=True)
class ClassicalChecks:
    """Each part is None where the coupons cannot carry it; ``notes`` says why, in full sentences.

    Attributes
    ----------
    hand_model : MixedFit or None
        Hand-feel of the coupons that transferred: quadratic (or the largest smaller model), people as fixed effects,
        cure batch, press batch and coupon as random ones (REML).
    hand_kind : str
        Which model that is: quadratic, interactions, main, or "".
    lack_of_fit : LackOfFit or None
        Of the same terms on each coupon's mean score, against repeated settings.
    shape : Canonical or None
        Canonical form of the hand-feel quadratic.
    effects, curvature : Effects, Judged or None
        On hand-feel, from the coupons at the ends and centre of the ranges.
    pass_effects : Effects or None
        On the share that passes, from the same coupons, failed ones included.
    drift : Judged or None
        Of hand-feel over the order of pressing, beside the factors. Drift, curvature and effects on hand-feel are
        judged beside the errors that recorded batches share.
    firth : FirthFit or None
        Penalised logistic quadratic of pass/fail with profile limits.
    ordinal : OrdinalFit or None
        Proportional odds of the hand-feel, main effects: each coupon once, its people's scores averaged and rounded to
        quarter steps. Batch errors are not in it.
    notes : tuple of str
    """

    hand_model: MixedFit | None
    hand_kind: str
    lack_of_fit: LackOfFit | None
    shape: Canonical | None
    effects: Effects | None
    curvature: Judged | None
    pass_effects: Effects | None
    drift: Judged | None
    firth: FirthFit | None
    ordinal: OrdinalFit | None
    notes: tuple[str, ...]


def run_checks(study: Study, results: Results) -> ClassicalChecks:
    """Classical fits of one study's results.

    Notes
    -----
    Hand-feel is missing exactly where a print did not transfer, so these hand-feel fits speak of coupons that
    transferred, and of nothing else.
    """
    notes: list[str] = []
    coded = code_frame(study.factors, results.settings)
    names = [f.name for f in study.numeric]
    levels, level_names = _level_columns(study, results)
    assurance = study.spec.assurance
    hand, order = _Hand(results), results.order
    felt = hand.rows
    # every person is a term more; only scores beyond one a coupon pay for it
    unpaid = hand.person_columns()[0].shape[1] - (len(hand.score) - len(felt))
    kind, terms = _largest(coded[felt], levels[felt], names, spare=3 + max(0, unpaid))
    hand_model = lack = shape = drift = ordinal = None
    if terms is None:
        notes.append(
            f"Hand-feel was scored on {len(felt)} coupons ({len(hand.score)} scores), too few for a model of it "
            "beside the joint surface."
        )
    else:
        batches = _batches(results, felt)
        if absent := [c.replace("_", " ") for c in BATCHES if c not in batches]:
            notes.append(
                f"Not every scored coupon has its {' and '.join(absent)} on record, so errors that such batches share "
                "are not counted in the checks of hand-feel."
            )
        if kind != "quadratic":
            notes.append(
                f"Hand-feel: too few scored coupons for a full quadratic; the {kind} model was fitted instead."
            )
        X = np.column_stack([terms.matrix(coded), levels])
        columns = [*terms.names, *level_names]
        hand_model = _fit_people(hand, X, columns, results, assurance)
        means = fit_least_squares(X[felt], hand.mean, columns, assurance=assurance)
        main = np.column_stack([coded, levels])[felt]
        lack = judge_lack_of_fit(means, main, hand.mean)
        estimates = hand_model.estimates[: len(terms)]
        if kind == "quadratic" and not level_names and np.isfinite(estimates).all():
            shape = analyse_shape(terms, estimates)
        if order is not None and np.ptp(order[felt]) > 0 and len(felt) > len(columns) + 3:
            drift = judge_drift(X[felt], hand.mean, order[felt], columns, batches=batches, assurance=assurance)
        # two people who feel one coupon are one coupon: its error is in both scores
        scores = np.round(4 * hand.mean) / 4
        ordinal = fit_ordinal(main, scores, [*names, *level_names], assurance=assurance)
    at_levels, snapped = _two_level(coded)
    plain = at_levels & (levels == 0).all(axis=1)
    effects = curvature = pass_effects = None
    rows = felt[plain[felt]]
    if _has_corners(snapped[rows]):
        settings, mean, batches = snapped[rows], hand.mean[plain[felt]], _batches(results, rows)
        effects = estimate_effects(settings, mean, names, batches=batches, assurance=assurance)
        if (settings == 0).all(axis=1).any():
            curvature = judge_curvature(settings, mean, batches=batches, assurance=assurance)
    else:
        notes.append(
            "Effects on hand-feel need scored coupons at both ends of every range; too few of them transferred."
        )
    if _has_corners(snapped[plain]):
        share = results.passed[plain].astype(float)
        if 0 < share.mean() < 1:
            pass_effects = estimate_effects(snapped[plain], share, names, assurance=assurance)
    firth, told = _fit_passes(study, results, coded, names)
    notes += told
    return ClassicalChecks(
        hand_model, kind, lack, shape, effects, curvature, pass_effects, drift, firth, ordinal, tuple(notes)
    )


class _Hand:
    """Hand-feel in both forms: one row a score, and one mean a coupon (people's offsets taken out)."""

    def __init__(self, results: Results) -> None:
        scored = np.isfinite(results.hand)
        self.coupon, self.person = np.nonzero(scored)
        self.score = results.hand[scored]
        self.people = results.people
        self.rows = np.flatnonzero(scored.any(axis=1))
        self.mean = mean_hand(results).score

    def person_columns(self) -> tuple[Floats, list[str]]:
        """Deviations of people from their average (they add up to zero), and the names of the columns."""
        present = [p for p in range(len(self.people)) if (self.person == p).any()]
        if len(present) < 2:
            return np.empty((len(self.score), 0)), []
        last = self.person == present[-1]
        columns = [np.where(last, -1.0, (self.person == p).astype(float)) for p in present[:-1]]
        return np.column_stack(columns), [f"person {self.people[p]}" for p in present[:-1]]


def _level_columns(study: Study, results: Results) -> tuple[Floats, list[str]]:
    columns, names = [], []
    for f in study.categorical:
        values = results.settings[f.name].to_numpy(dtype=str)
        for level in f.levels[1:]:
            if (values == level).any():
                columns.append((values == level).astype(float))
                names.append(f"{f.name} {level}")
    return (np.column_stack(columns) if columns else np.empty((results.coupons, 0))), names


def _largest(coded: Floats, levels: Floats, names: list[str], *, spare: int) -> tuple[str, ModelTerms | None]:
    """Largest model of the usual kinds that these rows can tell apart with some degrees of freedom to spare."""
    for kind in _KINDS:
        terms = build_terms(names, kind)
        X = np.column_stack([terms.matrix(coded), levels])
        if len(coded) < X.shape[1] + spare:
            continue
        if not find_confounding(X).confoundings:
            return kind, terms
    return "", None


def _fit_people(hand: _Hand, X: Floats, columns: list[str], results: Results, assurance: float) -> MixedFit:
    people, people_names = hand.person_columns()
    rows = np.column_stack([X[hand.coupon], people])
    groups = {c: labels for c, labels in _batches(results, hand.coupon).items() if len(np.unique(labels)) > 1}
    if len(hand.score) > len(hand.rows):
        groups["coupon to coupon"] = results.coupon[hand.coupon]
    return fit_mixed(rows, hand.score, groups, [*columns, *people_names], assurance=assurance)


def _batches(results: Results, rows: NDArray[np.intp]) -> dict[str, NDArray[np.str_]]:
    """Labels of the batches that are recorded for all of these coupons."""
    labels = {c: results.batches[c].to_numpy(dtype=str)[rows] for c in BATCHES}
    return {column: found for column, found in labels.items() if (found != "").all()}


def _two_level(coded: Floats) -> tuple[NDArray[np.bool_], Floats]:
    """Rows at a corner or at the centre once rounding of the machine settings is forgiven, and all rows snapped."""
    snapped = np.round(coded)
    close = (np.abs(coded - snapped) <= NEAR_LEVEL).all(axis=1)
    size = np.abs(snapped)
    return close & ((size == 1).all(axis=1) | (size == 0).all(axis=1)), snapped


def _has_corners(snapped: Floats) -> bool:
    corners = snapped[(np.abs(snapped) == 1).all(axis=1)]
    return len(corners) >= snapped.shape[1] + 2 and bool((np.ptp(corners, axis=0) == 2).all())


def _fit_passes(
    study: Study, results: Results, coded: Floats, names: list[str]
) -> tuple[FirthFit | None, tuple[str, ...]]:
    """The penalised logistic model of pass/fail, and what is to be said of it."""
    if results.passed.all() or not results.passed.any():
        return None, ("Pass/fail: all coupons ended alike, so the penalised logistic quadratic was not fitted.",)
    levels, level_names = _level_columns(study, results)
    kind, terms = _largest(coded, levels, names, spare=1)
    if terms is None:
        return None, ("Pass/fail: too few coupons for the penalised logistic fit.",)
    X = np.column_stack([terms.matrix(coded), levels])
    fit = fit_firth(X, results.passed, [*terms.names, *level_names], assurance=study.spec.assurance)
    smaller = f"Pass/fail: too few different coupons for a quadratic; the {kind} model was fitted instead."
    return fit, () if kind == "quadratic" else (smaller,)
