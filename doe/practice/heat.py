"""Heat-up of a film or bond line, and how far time at temperature has carried a change (dose).

Textbook conduction only: a lumped film in hot air, a bond line below a suddenly heated face, and first-order
kinetics after Arrhenius. Arrays broadcast against each other.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import RectBivariateSpline
from scipy.special import erf, expit

FloatArray = NDArray[np.float64]
TemperaturePath = Callable[[FloatArray, FloatArray], FloatArray]

GAS_CONSTANT = 8.314462618  # J/(mol K), exact since 2019
ZERO_DEGC_K = 273.15
WATER_BOILS_DEGC = 100.0


def lumped_degc(start_degc: ArrayLike, around_degc: ArrayLike, time_s: ArrayLike, lag_s: ArrayLike) -> FloatArray:
    """Temperature of a thin body some time after it came into surroundings of another temperature.

    ``lag_s`` is its time constant (density x volume x heat capacity / (heat transfer coefficient x area)). Holds
    while the body's own resistance is small (Biot number below about 0.1).

    References
    ----------
    F. P. Incropera and D. P. DeWitt, *Fundamentals of Heat and Mass Transfer*, lumped capacitance method.

    Examples
    --------
    >>> round(float(lumped_degc(25, 200, 5.1648, 1.0)), 1)
    199.0
    """
    start, around = np.asarray(start_degc, dtype=float), np.asarray(around_degc, dtype=float)
    return np.asarray(around + (start - around) * np.exp(-np.asarray(time_s) / np.asarray(lag_s)))


def below_face_degc(start_degc: ArrayLike, face_degc: ArrayLike, time_s: ArrayLike, lag_s: ArrayLike) -> FloatArray:
    """Temperature at a depth of a thick body whose face was suddenly brought to ``face_degc``.

    ``lag_s`` = depth^2 / (4 x thermal diffusivity); at time zero the body is still at ``start_degc``.

    References
    ----------
    F. P. Incropera and D. P. DeWitt, *Fundamentals of Heat and Mass Transfer*, semi-infinite solid with constant
    surface temperature.

    Examples
    --------
    >>> depth_m, diffusivity = 0.5, 0.138e-6  # soil at 20 degC after 60 days of frost at -15 degC
    >>> round(float(below_face_degc(20, -15, 60 * 86400, depth_m**2 / (4 * diffusivity))), 1)
    -3.7
    """
    start, face = np.asarray(start_degc, dtype=float), np.asarray(face_degc, dtype=float)
    with np.errstate(divide="ignore"):
        depth = np.sqrt(np.asarray(lag_s, dtype=float) / np.asarray(time_s, dtype=float))
    return np.asarray(face + (start - face) * erf(depth))


def drying_film_degc(
    start_degc: ArrayLike, air_degc: ArrayLike, time_s: ArrayLike, lag_s: float, water_delta_degc: float
) -> FloatArray:
    """Temperature of a wet printed film in oven air.

    It heats like a lumped body, stays at the boiling point until the ink's water is gone, then heats on.
    ``water_delta_degc`` is the water's heat of evaporation over the film's heat capacity: by how much that heat
    would have warmed the dry film. In air at or below the boiling point it only heats.
    """
    air, time, start = np.broadcast_arrays(
        np.asarray(air_degc, dtype=float), np.asarray(time_s, dtype=float), np.asarray(start_degc, dtype=float)
    )
    above = np.maximum(air - WATER_BOILS_DEGC, 1e-9)
    to_boil = lag_s * np.log(np.maximum((air - start) / above, 1.0))
    dry = to_boil + water_delta_degc * lag_s / above
    first = np.where(air > WATER_BOILS_DEGC, np.minimum(time, to_boil), time)
    heating = lumped_degc(start, air, first, lag_s)
    after = lumped_degc(WATER_BOILS_DEGC, air, np.maximum(time - dry, 0.0), lag_s)
    return np.where((air > WATER_BOILS_DEGC) & (time > dry), after, heating)


def arrhenius_factor(temp_degc: ArrayLike, reference_degc: float, activation_kj: float) -> FloatArray:
    """How many times faster a thermally activated change runs than at the reference temperature.

    Parameters
    ----------
    temp_degc, reference_degc : array or float
        Temperatures in degC.
    activation_kj : float
        Activation energy in kJ/mol.

    Examples
    --------
    >>> round(float(arrhenius_factor(160, 150, 80)), 6)
    1.690385
    """
    temp_k = np.asarray(temp_degc, dtype=float) + ZERO_DEGC_K
    inverse = 1 / temp_k - 1 / (reference_degc + ZERO_DEGC_K)
    return np.asarray(np.exp(-activation_kj * 1000 / GAS_CONSTANT * inverse))


def dose_s(
    path: TemperaturePath,
    temp_degc: ArrayLike,
    time_s: ArrayLike,
    *,
    reference_degc: float,
    activation_kj: float,
    melts_degc: float | None = None,
    melt_width_degc: float = 3.0,
    nodes: int = 64,
) -> FloatArray:
    """Seconds at the reference temperature that do as much as this heat-up.

    The integral of the Arrhenius factor along ``path(temp_degc, time_s)`` from 0 to ``time_s`` (Gauss-Legendre).

    Parameters
    ----------
    path : callable
        Temperature in degC for an oven or platen temperature and a time, such as `lumped_degc` with its start.
    temp_degc, time_s : array
        Oven or platen temperature and time; they broadcast.
    reference_degc, activation_kj : float
        As in `arrhenius_factor`.
    melts_degc : float, optional
        Below its melting range a powder does not flow: the rate is weighted by the molten share, a logistic curve
        of this middle and of ``melt_width_degc``.
    nodes : int
        Quadrature points.

    Returns
    -------
    array
        Dose in s, the broadcast shape.
    """
    temp, time = np.broadcast_arrays(np.asarray(temp_degc, dtype=float), np.asarray(time_s, dtype=float))
    at, weight = np.polynomial.legendre.leggauss(nodes)
    moment = time[..., None] * (at + 1) / 2
    along = path(temp[..., None], moment)
    rate = arrhenius_factor(along, reference_degc, activation_kj)
    if melts_degc is not None:
        rate = rate * expit((along - melts_degc) / melt_width_degc)
    return np.asarray((rate * weight).sum(axis=-1) * time / 2)


class LogDoseTable:
    """Log of a dose, tabulated once and read by a bicubic spline, so that a simulated line is quick to ask.

    Outside the tabulated ranges the nearest tabulated value is given: there the answer is "none" or "far too much".
    """

    POINTS = 49

    def __init__(
        self,
        dose: Callable[[FloatArray, FloatArray], FloatArray],
        temp_degc: tuple[float, float],
        time_s: tuple[float, float],
    ) -> None:
        self.temp_degc = temp_degc
        self.log_time = (float(np.log(time_s[0])), float(np.log(time_s[1])))
        temps = np.linspace(*temp_degc, self.POINTS)
        logs = np.linspace(*self.log_time, self.POINTS)
        with np.errstate(divide="ignore"):
            values = np.log(dose(temps[:, None], np.exp(logs)[None, :]))
        self._spline = RectBivariateSpline(temps, logs, np.maximum(values, -60.0))

    def __call__(self, temp_degc: FloatArray, time_s: FloatArray) -> FloatArray:
        """Log dose (s) at each temperature and time, same shapes."""
        temp = np.clip(temp_degc, *self.temp_degc)
        log_time = np.clip(np.log(np.maximum(time_s, 1e-9)), *self.log_time)
        return self._spline.ev(temp, log_time)
