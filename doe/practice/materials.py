"""Cloths and powders of the invented world. Every name and number is invented; `doe.practice.world` uses them."""

from __future__ import annotations

from dataclasses import dataclass

_COVER, _DENSITY = 0.55, 1200.0  # share of a layer that is grain; kg/m3 of the melt (estimates)


@dataclass(frozen=True)
class Cloth:
    """A fabric of the invented world.

    ``lag_s``: time constant of the bond line under the platen; ``water``: share at 65 % humidity before a pre-press;
    ``rough``: powder it needs, against a smooth jersey; ``bears``: log of the damage it bears beyond the powder's;
    ``soft``: hand-feel of a sound print, against a jersey.
    """

    name: str
    lag_s: float
    water: float
    rough: float
    bears: float
    soft: float


@dataclass(frozen=True)
class Powder:
    """A hot-melt powder of the invented world.

    ``melts_degc``: middle of its melting range; ``activation_kj``: of its flow; ``grain_um``: mean grain size;
    ``cure_degc``, ``cure_s``, ``press_degc``, ``press_s``: where it is at its best on the smooth jersey, bone dry.
    """

    name: str
    melts_degc: float
    activation_kj: float
    grain_um: float
    cure_degc: float
    cure_s: float
    press_degc: float
    press_s: float

    @property
    def layer_gsm(self) -> float:
        """One layer of grains in g/m2.

        >>> round(Powder("invented", 103, 85, 100, 120, 140, 153, 13).layer_gsm)
        44
        """
        return _COVER * 2 / 3 * self.grain_um * 1e-6 * _DENSITY * 1000


CLOTHS = (
    Cloth("Quillow jersey", 1.3, 0.070, 0.90, 0.10, 0.10),
    Cloth("Brenth fleece", 3.6, 0.060, 1.20, 0.35, 0.15),
    Cloth("Tansor knit", 1.0, 0.010, 0.85, -0.45, 0.00),
    Cloth("Ombery pique", 3.0, 0.065, 1.10, 0.15, -0.05),
    Cloth("Haddle rib", 2.0, 0.055, 1.00, -0.10, 0.05),
)
POWDERS = (
    Powder("Sarnel fine", 103.0, 85.0, 95.0, 121.0, 140.0, 153.0, 13.0),
    Powder("Povick soft", 98.0, 75.0, 110.0, 117.0, 130.0, 149.0, 12.0),
    Powder("Lumrel medium", 108.0, 90.0, 140.0, 126.0, 150.0, 157.0, 14.0),
    Powder("Dravel fine", 105.0, 100.0, 100.0, 123.0, 145.0, 154.0, 12.0),
)
SMOOTH = Cloth("smooth jersey", 1.3, 0.0, 1.0, 0.0, 0.0)
"""What the powders' best places are stated on."""
