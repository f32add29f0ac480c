"""Classical fits beside the Bayesian answer: effects, least squares, logistic, ordinal, mixed models."""

from doe.surfaces.classical.batch_tables import BatchTable, analyse_split_plot, analyse_strip_plot
from doe.surfaces.classical.canonical import (
    Canonical,
    Quadratic,
    SteepestPath,
    analyse_shape,
    follow_steepest,
    read_quadratic,
)
from doe.surfaces.classical.confounding import Confounding, Separable, find_confounding
from doe.surfaces.classical.curvature import Curvature, judge_curvature
from doe.surfaces.classical.drift import Drift, judge_drift
from doe.surfaces.classical.effects import (
    Effects,
    Lenth,
    estimate_effects,
    half_normal_points,
    lenth_margins,
)
from doe.surfaces.classical.firth import FirthFit, LikelihoodRatio, estimate_firth, fit_firth, judge_terms
from doe.surfaces.classical.least_squares import (
    ErrorEstimate,
    LeastSquaresFit,
    Prediction,
    fit_least_squares,
    predict_mean,
)
from doe.surfaces.classical.mixed import MixedFit, fit_mixed
from doe.surfaces.classical.mixed_inference import (
    ContrastTest,
    judge_contrasts,
    judge_sources,
    predict_mixed,
)
from doe.surfaces.classical.ordinal import OrdinalFit, fit_ordinal, predict_scores
from doe.surfaces.classical.separation import Separation, find_separation
from doe.surfaces.classical.terms import ModelTerms, all_terms_up_to, build_terms, name_term
from doe.surfaces.classical.variance_table import (
    LackOfFit,
    PureError,
    analyse_variance,
    find_pure_error,
    judge_lack_of_fit,
)

__all__ = [
    "BatchTable",
    "Canonical",
    "Confounding",
    "ContrastTest",
    "Curvature",
    "Drift",
    "Effects",
    "ErrorEstimate",
    "FirthFit",
    "LackOfFit",
    "LeastSquaresFit",
    "Lenth",
    "LikelihoodRatio",
    "MixedFit",
    "ModelTerms",
    "OrdinalFit",
    "Prediction",
    "PureError",
    "Quadratic",
    "Separable",
    "Separation",
    "SteepestPath",
    "all_terms_up_to",
    "analyse_shape",
    "analyse_split_plot",
    "analyse_strip_plot",
    "analyse_variance",
    "build_terms",
    "estimate_effects",
    "estimate_firth",
    "find_confounding",
    "find_pure_error",
    "find_separation",
    "fit_firth",
    "fit_least_squares",
    "fit_mixed",
    "fit_ordinal",
    "follow_steepest",
    "half_normal_points",
    "judge_contrasts",
    "judge_curvature",
    "judge_drift",
    "judge_lack_of_fit",
    "judge_sources",
    "judge_terms",
    "lenth_margins",
    "name_term",
    "predict_mean",
    "predict_mixed",
    "predict_scores",
    "read_quadratic",
]
