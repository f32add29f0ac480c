"""A straight line when both its coordinates carry errors: what a display says against what a gauge reads."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from doe.domain.errors import InputError

FloatArray = NDArray[np.float64]

Scatter = Literal["stated", "observed", "larger"]

_ROUNDS = 500


@dataclass(frozen=True)
class LineValue:
    """A value read off a line, with its standard uncertainty ``u``."""

    value: float
    u: float


@dataclass(frozen=True)
class ErrorLine:
    """A fitted line y = intercept + slope x.

    Attributes
    ----------
    intercept, slope : float
    intercept_u, slope_u : float
        Standard uncertainties.
    correlation : float
        Of intercept and slope.
    centre : float
        The x where height and slope are uncorrelated.
    height_u : float
        Standard uncertainty of the line's height at the centre.
    sum_of_squares : float
        Weighted; about ``points - 2`` when the stated errors are right.
    scatter_sd : float
        Root of the sum of squares by its degrees of freedom: 1 when the stated errors are right.
    df : float
        Degrees of freedom of the uncertainties: infinite when they rest on stated errors.
    points : int
    low, high : float
        Lowest and highest x read; beyond them the line is a guess.
    """

    intercept: float
    slope: float
    intercept_u: float
    slope_u: float
    correlation: float
    centre: float
    height_u: float
    sum_of_squares: float
    scatter_sd: float
    df: float
    points: int
    low: float
    high: float

    def height(self, x: float) -> LineValue:
        """Value of the line at x."""
        u = math.sqrt(self.height_u**2 + (x - self.centre) ** 2 * self.slope_u**2)
        return LineValue(self.intercept + self.slope * x, u)

    def inverse(self, y: float) -> LineValue:
        """The x at which the line reaches y, its uncertainty by propagation.

        Raises
        ------
        InputError
            If the slope is not clearly different from zero: then no x can be told.
        """
        if abs(self.slope) <= 3 * self.slope_u or self.slope == 0:
            raise InputError(
                "line",
                f"slope {self.slope:.3g} with uncertainty {self.slope_u:.2g}",
                "a slope clearly above 0",
                "Read the machine at settings farther apart.",
            )
        x = (y - self.intercept) / self.slope
        return LineValue(x, self.height(x).u / abs(self.slope))


def fit_error_line(
    x: ArrayLike, y: ArrayLike, u_x: ArrayLike, u_y: ArrayLike, *, scatter: Scatter = "stated"
) -> ErrorLine:
    """Fit a straight line to points uncertain in both directions.

    Parameters
    ----------
    x, y : array, shape (points,)
        At least three, at two different x or more.
    u_x, u_y : array, shape (points,), or one number for all
        Standard uncertainties, independent from point to point; not both zero anywhere.
    scatter : {"stated", "observed", "larger"}
        ``stated``: uncertainties of the line follow from the stated ones. ``observed``: the stated ones are taken as
        relative, and their size from the scatter about the line. ``larger``: observed, but only when it is larger.

    Returns
    -------
    ErrorLine

    Notes
    -----
    An error shared by all points (a probe that reads 1 degC low everywhere) does not scatter and is not in the
    uncertainties: add it afterwards.

    References
    ----------
    D. York, N. M. Evensen, M. L. Martinez and J. De Basabe Delgado (2004), *American Journal of Physics* 72, 367-375.
    Without errors in x this is weighted least squares.

    Examples
    --------
    >>> line = fit_error_line([140, 150, 160], [137, 146, 156], 0.3, 1.0)
    >>> round(line.slope, 3), round(line.height(155).value, 1)
    (0.95, 151.1)
    """
    x, y, u_x, u_y = np.broadcast_arrays(*(np.asarray(values, dtype=float) for values in (x, y, u_x, u_y)))
    var_x, var_y = u_x**2, u_y**2

    def parts(slope: float) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Weights, x and y less their weighted means, and York's beta."""
        weight = 1 / (var_y + slope**2 * var_x)
        U, V = x - weight @ x / weight.sum(), y - weight @ y / weight.sum()
        return weight, U, V, weight * (U * var_y + slope * V * var_x)

    slope = _start(x, y, var_x, var_y)
    for _ in range(_ROUNDS):
        weight, U, V, beta = parts(slope)
        new = float((weight * beta) @ V / ((weight * beta) @ U))
        done = abs(new - slope) <= 1e-14 * max(abs(new), 1e-12)
        slope = new
        if done:
            break
    weight, _, _, beta = parts(slope)
    mean_x, mean_y = weight @ x / weight.sum(), weight @ y / weight.sum()
    adjusted = mean_x + beta
    centre = float(weight @ adjusted / weight.sum())
    intercept = float(mean_y - slope * mean_x)
    squares = float(weight @ (y - intercept - slope * x) ** 2)
    spare = len(x) - 2
    observed = math.sqrt(squares / spare)
    scale = {"stated": 1.0, "observed": observed, "larger": max(observed, 1.0)}[scatter]
    slope_u = float(1 / np.sqrt(weight @ (adjusted - centre) ** 2)) * scale
    height_u = float(1 / np.sqrt(weight.sum())) * scale
    intercept_u = math.hypot(height_u, centre * slope_u)
    return ErrorLine(
        intercept=intercept,
        slope=slope,
        intercept_u=intercept_u,
        slope_u=slope_u,
        correlation=-centre * slope_u / intercept_u if intercept_u > 0 else 0.0,
        centre=centre,
        height_u=height_u,
        sum_of_squares=squares,
        scatter_sd=observed,
        # "larger" mixes the two cases; the few degrees of freedom of the scatter are the careful choice
        df=math.inf if scatter == "stated" else float(spare),
        points=len(x),
        low=float(x.min()),
        high=float(x.max()),
    )


def _start(x: FloatArray, y: FloatArray, var_x: FloatArray, var_y: FloatArray) -> float:
    """Slope of the weighted line with the x errors turned into y errors by the plain slope."""
    plain_slope = float(np.polyfit(x, y, 1)[0])
    weight = 1 / (var_y + plain_slope**2 * var_x + 1e-300)
    U = x - weight @ x / weight.sum()
    return float((weight * U) @ y / ((weight * U) @ U))
