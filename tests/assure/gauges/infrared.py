"""What an infrared gauge shows, solved from the radiation balance: the way back from what `correct_infrared` does."""

from __future__ import annotations

from scipy.optimize import brentq

from doe.assure.gauges.readings import USUAL_SURROUNDINGS_DEGC, radiance


def shown_by_infrared(
    true_degc: float,
    *,
    emissivity_set: float,
    surface_emissivity: float,
    surroundings_degc: float = USUAL_SURROUNDINGS_DEGC,
    assumed_surroundings_degc: float = USUAL_SURROUNDINGS_DEGC,
) -> float:
    """``e_set L(shown) + (1 - e_set) L(assumed) = e L(true) + (1 - e) L(surroundings)``, in degC."""
    seen = surface_emissivity * radiance(true_degc)
    seen += (1 - surface_emissivity) * radiance(surroundings_degc)
    own = (seen - (1 - emissivity_set) * radiance(assumed_surroundings_degc)) / emissivity_set
    return float(brentq(lambda degc: radiance(degc) - own, -99, 499, xtol=1e-9))
