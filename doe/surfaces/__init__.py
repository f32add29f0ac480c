"""Fitting response surfaces to few coupons."""

from doe.surfaces.belief import Belief
from doe.surfaces.checks import ClassicalChecks, run_checks
from doe.surfaces.earlier import Earlier, EarlierUse
from doe.surfaces.fitted import PARTICLES, Surfaces, fit

__all__ = ["PARTICLES", "Belief", "ClassicalChecks", "Earlier", "EarlierUse", "Surfaces", "fit", "run_checks"]
