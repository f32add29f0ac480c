"""What an infrared gauge shows, solved from the radiation balance: the way back from what `correct_infrared` does."""

from __future__ import annotations

from scipy.optimize import brentq

from doe.assure.gauges.radiation import Detector, radiance


def shown_by_infrared(
    true_degc: float,
    *,
    emissivity_set: float,
    surface_emissivity: float,
    surroundings_degc: float = 25.0,
    assumed_surroundings_degc: float | None = None,
    detector: Detector = "8-14 um",
) -> float:
    """``e_set L(shown) + (1 - e_set) L(assumed) = e L(true) + (1 - e) L(surroundings)``, in degC."""
    assumed = surroundings_degc if assumed_surroundings_degc is None else assumed_surroundings_degc
    seen = surface_emissivity * radiance(true_degc, detector)
    seen += (1 - surface_emissivity) * radiance(surroundings_degc, detector)
    own = (seen - (1 - emissivity_set) * radiance(assumed, detector)) / emissivity_set
    return float(brentq(lambda degc: radiance(degc, detector) - own, -99, 499, xtol=1e-9))
