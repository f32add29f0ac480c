"""Fitting response surfaces to few coupons."""

from doe.surfaces.belief import Belief
from doe.surfaces.fitted import PARTICLES, Surfaces, fit

__all__ = ["PARTICLES", "Belief", "Surfaces", "fit"]
