"""Faults of a shop: what may be wrong when a recipe starts failing, how often, and what each one shows.

A fault is finer than a pointer of the catalogue: "press too little" may be a platen set too low, one that does not
reach what it shows, or one cold place, and each asks for another remedy.

How often (``per_hundred``) and how likely a fault shows a symptom are our guesses, no source; they are where a
shop starts, and its own cases move them (`doe.symptoms.odds`). A link that is not named here comes from the
catalogue: the surer it is that a symptom points to a cause, the likelier that cause is taken to show it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from doe.domain.errors import InputError
from doe.symptoms.catalogue import CATALOGUE
from doe.symptoms.kinds import PRACTICE, CauseSide, Pointer, Sureness

P = Pointer

SHOWS: Mapping[Sureness, float] = {"weak": 0.12, "medium": 0.30, "fairly strong": 0.45, "strong": 0.60}
"""Probability that a fault shows a symptom, from the sureness of the catalogue (our guess, no source)."""

Call = Literal["", "maker", "licensed"]
Where = Literal["the dial", "the machine", "handling", "material"]


@dataclass(frozen=True)
class Fault:
    """One thing that may be wrong.

    Parameters
    ----------
    key, label : str
        The stored name, and the words for people.
    pointer : Pointer or None
        What the catalogue calls it; None where only this list knows it.
    per_hundred : float
        In how many of 100 failing recipes it is there (our guess, no source).
    remedy : str
        What helps, never beyond window and limits.
    at : str
        Where it sits. Only a fault of ``the dial`` is mended by moving a setting.
    settings : tuple of str
        Factors on which it acts.
    links : mapping
        Probability that it shows a symptom, by key of the catalogue, where that differs from `SHOWS`.
    call : {"", "maker", "licensed"}
        Who is to be asked when it is confirmed.
    source : str
    """

    key: str
    label: str
    pointer: Pointer | None
    per_hundred: float
    remedy: str
    at: Where = "handling"
    settings: tuple[str, ...] = ()
    links: Mapping[str, float] = field(default_factory=dict)
    call: Call = ""
    source: str = PRACTICE

    @property
    def side(self) -> CauseSide:
        """``under`` or ``over`` when it is heat, else ``other``."""
        return self.pointer.side if self.pointer is not None else "other"

    def shows(self) -> dict[str, float]:
        """Probability of every symptom it can show, by key."""
        from_catalogue = {
            s.key: SHOWS[c.sureness]
            for s in CATALOGUE
            for c in s.causes
            if self.pointer is not None and c.pointer is self.pointer
        }
        return {key: p for key, p in {**from_catalogue, **self.links}.items() if p > 0}


_COOL = {"no_transfer": 0.40, "patchy_transfer": 0.35, "edge_lift_wash": 0.45, "sheet_lift_wash": 0.35}
_HOT = {"film_lock": 0.40, "scorch": 0.25, "dye_bleed": 0.25, "press_shrink": 0.40, "strike_through": 0.30}
_CURE = ("cure_temp", "cure_time")
_PRESS = ("press_temp", "dwell")

FAULTS: tuple[Fault, ...] = (
    Fault(
        "powder_excess",
        "too much powder left on the film",
        P.POWDER_HIGH,
        4,
        "Shake off better. A longer press inside the window, or a wash, removes part of the haze; marks may stay on "
        "cloth that is not cotton.",
        links={"edge_haze": 0.50, "stiff_hand": 0.60, "strike_through": 0.30, "stretch_crack": 0.15},
    ),
    Fault(
        "powder_missing",
        "no powder on the print, or on part of it",
        P.POWDER_LOW,
        2,
        "Powder while the ink is wet, and look at the film before it goes into the oven.",
        links={"no_transfer": 0.80, "patchy_transfer": 0.40, "pinholes": 0.05, "edge_lift_wash": 0.05},
    ),
    Fault(
        "powder_thin",
        "too little powder",
        P.POWDER_LOW,
        4,
        "More white ink under thin parts holds more powder; weigh the film before and after.",
        links={"no_transfer": 0.03, "small_part_loss": 0.45, "edge_lift_wash": 0.25, "pinholes": 0.20},
    ),
    Fault(
        "powder_uneven",
        "powder uneven: static or clumps",
        P.POWDER_UNEVEN,
        5,
        "Earth the shaker, sift the powder, and bring the room back to its usual humidity. Leave the heat alone.",
        links={"edge_haze": 0.65, "small_part_loss": 0.20, "pinholes": 0.15},
    ),
    Fault(
        "powder_spoiled",
        "powder old, damp or spoiled",
        P.POWDER_OLD,
        4,
        "Repeat one coupon with powder from a fresh packet; keep opened powder airtight with desiccant and use it "
        "within 6 months.",
        "material",
        links={
            "yellowing": 0.30,
            "blisters": 0.30,
            "grainy_back": 0.25,
            "edge_lift_wash": 0.30,
            "patchy_transfer": 0.25,
            "edge_haze": 0.15,
        },
        call="maker",
    ),
    Fault(
        "powder_coarse",
        "powder coarser than the recipe's",
        P.POWDER_COARSE,
        2,
        "Compare the grain size on the packet with the recipe's lot.",
        "material",
        call="maker",
    ),
    Fault(
        "powder_low_melt",
        "powder melts lower than the recipe's",
        P.POWDER_LOW_MELT,
        1,
        "Ask the powder's maker for the melting range of this lot.",
        "material",
        links={"tacky_face": 0.50, "strike_through": 0.25},
        call="maker",
    ),
    Fault(
        "press_set_low",
        "press set too low or too short",
        P.PRESS_UNDER,
        5,
        "Set the press back to the recipe.",
        "the dial",
        _PRESS,
        _COOL,
    ),
    Fault(
        "press_not_reached",
        "press set right, but the heat is not reached",
        P.PRESS_UNDER,
        9,
        "Leave the dial alone until a gauge has read the platen; wait for it to recover between strokes. If the "
        "display is off, have the press adjusted.",
        "the machine",
        ("press_temp",),
        _COOL,
        "licensed",
    ),
    Fault(
        "press_cold_spot",
        "a cold place on the platen",
        P.PRESS_UNDER,
        5,
        "Mark the place and keep prints off it; have the heating element looked at.",
        "the machine",
        ("press_temp",),
        {
            "patchy_transfer": 0.75,
            "no_transfer": 0.04,
            "edge_lift_dry": 0.30,
            "edge_lift_wash": 0.30,
            "sheet_lift_wash": 0.04,
            "string_peel": 0.05,
            "colour_shed": 0.04,
            "stiff_hand": 0.02,
        },
        "licensed",
    ),
    Fault(
        "press_set_high",
        "press set too high or too long",
        P.PRESS_OVER,
        4,
        "Set the press back to the recipe.",
        "the dial",
        _PRESS,
        _HOT,
    ),
    Fault(
        "press_runs_hot",
        "press set right, but it runs hotter",
        P.PRESS_OVER,
        4,
        "Stop until a gauge has read the platen. If the display is off, have the press adjusted.",
        "the machine",
        ("press_temp",),
        _HOT,
        "licensed",
    ),
    Fault(
        "cure_set_low",
        "cure set too low or too short",
        P.CURE_UNDER,
        3,
        "Set the oven back to the recipe: the back must come out shiny with an orange-peel texture.",
        "the dial",
        _CURE,
    ),
    Fault(
        "cure_not_reached",
        "cure set right, but the heat is not reached",
        P.CURE_UNDER,
        6,
        "Leave the dial alone until a gauge has read the oven where the film lies; keep off its cold zone.",
        "the machine",
        ("cure_temp",),
        call="licensed",
    ),
    Fault(
        "cure_set_high",
        "cure set too high or too long",
        P.CURE_OVER,
        2,
        "Set the oven back to the recipe.",
        "the dial",
        _CURE,
        {"glass_back": 0.50, "film_lock": 0.30},
    ),
    Fault(
        "cure_runs_hot",
        "cure set right, but the oven runs hotter",
        P.CURE_OVER,
        3,
        "Stop until a gauge has read the oven where the film lies. If the display is off, have the oven adjusted.",
        "the machine",
        ("cure_temp",),
        {"glass_back": 0.50, "film_lock": 0.30},
        "licensed",
    ),
    Fault(
        "moisture",
        "moisture in cloth, film or room",
        P.MOISTURE,
        7,
        "Pre-press the cloth, give the film about 1 s of gentle heat before powder, and keep film and powder dry.",
        links={"blisters": 0.55, "edge_haze": 0.20, "wet_sheen": 0.35},
    ),
    Fault(
        "peel_fast",
        "peeled too fast, or with a jerk",
        P.PEEL,
        5,
        "Slow, low, rolling peel: a fast one tears small letters and corners.",
        links={"small_part_loss": 0.45, "string_peel": 0.40, "no_transfer": 0.05, "patchy_transfer": 0.10},
    ),
    Fault(
        "peel_early",
        "peeled too early for the film",
        P.GAP,
        5,
        "Wait as the film's data sheet says: hot film at least 3 s, cold film until it is cold.",
        links={
            "string_peel": 0.60,
            "film_lock": 0.08,
            "blisters": 0.0,
            "edge_lift_dry": 0.25,
            "no_transfer": 0.15,
            "small_part_loss": 0.25,
        },
    ),
    Fault(
        "wrong_class",
        "film of another peel class than the recipe's",
        P.GAP,
        3,
        "Read the packet. Another film is another stack: go back to the recipe's film, or tune the new one.",
        "material",
        links={"film_lock": 0.50, "string_peel": 0.45, "no_transfer": 0.25, "blisters": 0.0, "edge_lift_dry": 0.10},
        call="maker",
    ),
    Fault(
        "no_gap",
        "pressed straight after cure",
        P.GAP,
        3,
        "Let the film lie at least 5 to 10 s between oven and press.",
        links={"blisters": 0.55, "film_lock": 0.35, "string_peel": 0.25, "edge_lift_dry": 0.05},
    ),
    Fault(
        "wash_early",
        "washed too early",
        None,
        3,
        "Wait 24 h between press and wash (16 h at the least), and the same for every coupon.",
        links={"edge_lift_wash": 0.50, "sheet_lift_wash": 0.40, "colour_shed": 0.25},
    ),
    Fault(
        "pressure_low",
        "pressure too low or uneven, such as over a seam",
        P.PRESSURE_LOW,
        5,
        "Close the press as the recipe says; over seams and zips use a pad.",
        settings=("pressure",),
        links={"patchy_transfer": 0.45, "sheet_lift_wash": 0.25},
    ),
    Fault(
        "pressure_high",
        "pressure too high",
        P.PRESSURE_HIGH,
        2,
        "Back to the recipe's pressure; a pad keeps the pile from being crushed.",
        settings=("pressure",),
        links={"press_mark": 0.60, "stiff_hand": 0.20, "sunk_print": 0.35, "scorch": 0.08},
    ),
    Fault(
        "fabric_finish",
        "finish on the cloth: repellent or softener",
        P.FABRIC,
        3,
        "Cloth without the finish. Another finish is another stack: compare it before it is used.",
        "material",
        links={
            "sheet_lift_wash": 0.60,
            "edge_lift_dry": 0.30,
            "edge_lift_wash": 0.35,
            "wash_ripple": 0.0,
            "press_shrink": 0.0,
            "strike_through": 0.0,
        },
        call="maker",
    ),
    Fault(
        "fabric_shrinks",
        "cloth shrinks or is thinner than the recipe's",
        P.FABRIC,
        3,
        "Compare the blank with the one the recipe was made for.",
        "material",
        links={"sheet_lift_wash": 0.0, "wash_ripple": 0.60, "press_shrink": 0.30, "strike_through": 0.20},
    ),
    Fault(
        "dye_moves",
        "dye of the cloth moves at the recipe's heat",
        None,
        3,
        "Press cooler and longer inside the window, or use a film and ink made for dyed polyester; look again at "
        "24 h and 72 h.",
        "material",
        links={"dye_bleed": 0.80},
        call="maker",
    ),
    Fault(
        "ink",
        "ink or print: too wet, too thick, blocked nozzle",
        P.INK,
        5,
        "Print a nozzle check and hold the film against the light before powder.",
        links={"pinholes": 0.40, "edge_haze": 0.25, "colour_shed": 0.20, "film_lock": 0.08},
    ),
    Fault("dust", "dust or lint", P.DUST, 2, "Clean the film path; brush the cloth.", links={"pinholes": 0.35}),
    Fault("no_pad", "pad missing", P.PAD, 2, "Use the pad of the recipe.", links={"press_mark": 0.45}),
    Fault(
        "no_second_press",
        "second press left out",
        P.NO_SECOND_PRESS,
        3,
        "Do the second press of the recipe, with a cover sheet.",
        settings=("second_press_time",),
        links={"edge_lift_dry": 0.30, "edge_lift_wash": 0.40, "stiff_hand": 0.25},
    ),
    Fault("pressed_often", "pressed too often", P.REPEATED_PRESS, 2, "Only as many presses as the recipe has."),
)
"""Every fault, each once."""

_BY_KEY = {f.key: f for f in FAULTS}


def fault(key: str) -> Fault:
    """Fault by its key, or by the start of its label.

    Raises
    ------
    InputError
        If there is none, or several begin so.
    """
    word = key.strip().lower()
    found = _BY_KEY.get(word.replace(" ", "_").replace("-", "_"))
    if found is not None:
        return found
    close = [f for f in FAULTS if word and f.label.startswith(word)]
    if len(close) == 1:
        return close[0]
    raise InputError("cause", repr(key), ", ".join(_BY_KEY), "Choose one of these.")
