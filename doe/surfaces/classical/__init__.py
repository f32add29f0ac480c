"""Classical fits beside the Bayesian answer: effects, least squares, logistic, ordinal, mixed models."""

from doe.surfaces.classical.canonical import Canonical, Quadratic, analyse_shape, read_quadratic
from doe.surfaces.classical.confounding import Confounding, Separable, find_confounding
from doe.surfaces.classical.curvature import Curvature, judge_curvature
from doe.surfaces.classical.drift import Drift, judge_drift
from doe.surfaces.classical.effects import Effects, Lenth, estimate_effects, half_normal_points, lenth_margins
from doe.surfaces.classical.firth import FirthFit, fit_firth
from doe.surfaces.classical.least_squares import ErrorEstimate, LeastSquaresFit, fit_least_squares
from doe.surfaces.classical.mixed import MixedFit, fit_mixed
from doe.surfaces.classical.ordinal import OrdinalFit, fit_ordinal
from doe.surfaces.classical.pure_error import LackOfFit, PureError, find_pure_error, judge_lack_of_fit
from doe.surfaces.classical.separation import Separation, find_separation
from doe.surfaces.classical.terms import ModelTerms, build_terms, name_term

__all__ = [
    "Canonical",
    "Confounding",
    "Curvature",
    "Drift",
    "Effects",
    "ErrorEstimate",
    "FirthFit",
    "LackOfFit",
    "LeastSquaresFit",
    "Lenth",
    "MixedFit",
    "ModelTerms",
    "OrdinalFit",
    "PureError",
    "Quadratic",
    "Separable",
    "Separation",
    "analyse_shape",
    "build_terms",
    "estimate_effects",
    "find_confounding",
    "find_pure_error",
    "find_separation",
    "fit_firth",
    "fit_least_squares",
    "fit_mixed",
    "fit_ordinal",
    "half_normal_points",
    "judge_curvature",
    "judge_drift",
    "judge_lack_of_fit",
    "lenth_margins",
    "name_term",
    "read_quadratic",
]
