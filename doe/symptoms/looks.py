"""Checks that tell causes apart: what to look at, how long it takes, and how likely each outcome is.

Minutes and probabilities are our guesses, no source; the checks themselves are common practice, no source.
An outcome that is not the usual one comes from a fault that brings it about, or by accident (`SLIP`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from doe.domain.errors import InputError
from doe.symptoms.kinds import PRACTICE

SLIP = 0.03
"""Probability that a check comes out one way without any listed fault behind it."""


@dataclass(frozen=True)
class Outcome:
    """One way a check can come out. ``brought_by``: probability with which each fault brings it about."""

    key: str
    words: str
    brought_by: Mapping[str, float]


@dataclass(frozen=True)
class Look:
    """One check.

    Parameters
    ----------
    key, words : str
        The stored name, and what to do, a full sentence.
    minutes : float
        Of work.
    outcomes : tuple of Outcome
        What may be found beside the usual.
    usual : str
        Words for "nothing unusual".
    repeats : tuple of str
        Symptoms it would only see again, and facts (fields of `Known`) it would only find again; then it is not
        proposed.
    source : str
    """

    key: str
    words: str
    minutes: float
    outcomes: tuple[Outcome, ...]
    usual: str = "nothing unusual"
    repeats: tuple[str, ...] = ()
    source: str = PRACTICE

    def outcome_keys(self) -> tuple[str, ...]:
        """Every outcome, ``usual`` last."""
        return (*(o.key for o in self.outcomes), "usual")

    def place(self, outcome: str) -> int:
        """Number of an outcome.

        Raises
        ------
        InputError
            If it is none of this check.
        """
        keys = self.outcome_keys()
        if outcome not in keys:
            raise InputError(f"outcome of {self.key}", repr(outcome), ", ".join(keys), "Choose one of these.")
        return keys.index(outcome)


_ODD = 0.85  # a fault that a check is made for is found by it this often

LOOKS: tuple[Look, ...] = (
    Look(
        "settings",
        "Compare every setting of oven and press with the recipe.",
        1,
        (
            Outcome("press_low", "press lower or shorter than the recipe", {"press_set_low": 0.95}),
            Outcome("press_high", "press higher or longer than the recipe", {"press_set_high": 0.95}),
            Outcome("cure_low", "oven lower or shorter than the recipe", {"cure_set_low": 0.95}),
            Outcome("cure_high", "oven higher or longer than the recipe", {"cure_set_high": 0.95}),
        ),
        "all as the recipe",
        ("settings",),
    ),
    Look(
        "gauge_press",
        "Measure the middle of the platen with a gauge, once it has settled, before touching the settings.",
        6,
        (
            Outcome(
                "cooler",
                "cooler than the display by 5 °C (9 °F) or more",
                {"press_not_reached": _ODD, "press_cold_spot": 0.15},
            ),
            Outcome("hotter", "hotter than the display by 5 °C (9 °F) or more", {"press_runs_hot": _ODD}),
        ),
        "as shown",
        ("gauge_press",),
    ),
    Look(
        "map_press",
        "Measure nine places of the platen, each after it has settled.",
        15,
        (
            Outcome("cold_place", "one place 8 °C (14 °F) or more cooler than the middle", {"press_cold_spot": 0.92}),
            Outcome("all_cool", "all places cooler than the display", {"press_not_reached": _ODD}),
            Outcome("all_hot", "all places hotter than the display", {"press_runs_hot": _ODD}),
        ),
        "even, and as shown",
        ("map_press",),
    ),
    Look(
        "gauge_oven",
        "Measure the oven with a gauge where the film lies.",
        8,
        (
            Outcome("cooler", "cooler than the display by 5 °C (9 °F) or more", {"cure_not_reached": _ODD}),
            Outcome("hotter", "hotter than the display by 5 °C (9 °F) or more", {"cure_runs_hot": _ODD}),
        ),
        "as shown",
        ("gauge_oven",),
    ),
    Look(
        "back",
        "Look along the powder side of a cured film in low-angle light, and wipe it with a tissue.",
        1,
        (
            Outcome(
                "grainy",
                "separate grains",
                {"cure_set_low": 0.75, "cure_not_reached": 0.75, "powder_coarse": 0.40, "powder_spoiled": 0.25},
            ),
            Outcome("glassy", "thin, dry and glossy like glass", {"cure_set_high": 0.70, "cure_runs_hot": 0.70}),
            Outcome("wet", "liquid comes off", {"moisture": 0.40, "cure_set_low": 0.15, "cure_not_reached": 0.15}),
        ),
        "shiny with an orange-peel texture",
        ("grainy_back", "glass_back", "wet_sheen"),
    ),
    Look(
        "film_powdered",
        "Look at a film after powder, before it goes into the oven, on a dark ground.",
        2,
        (
            Outcome(
                "stray",
                "powder beside the image, or clumps",
                {"powder_uneven": 0.80, "powder_excess": 0.55, "ink": 0.15, "moisture": 0.15},
            ),
            Outcome(
                "bare", "bare places on the ink", {"powder_missing": 0.90, "powder_thin": 0.45, "powder_uneven": 0.10}
            ),
        ),
        "evenly covered, clean beside",
    ),
    Look(
        "weigh",
        "Weigh a film before and after powder, and compare with the recipe.",
        5,
        (
            Outcome("more", "clearly more powder than the recipe", {"powder_excess": 0.90}),
            Outcome("less", "clearly less powder than the recipe", {"powder_thin": 0.90, "powder_missing": 0.90}),
        ),
        "as the recipe",
    ),
    Look(
        "room",
        "Read the humidity of the room.",
        1,
        (
            Outcome("dry", "below 35 %", {"powder_uneven": 0.45}),
            Outcome("damp", "above 65 %", {"moisture": 0.50, "powder_spoiled": 0.20}),
        ),
        "35 to 65 %",
        ("humidity_pct",),
    ),
    Look(
        "powder_packet",
        "Read lot, grain size and opening date on the powder, and look into the packet.",
        2,
        (
            Outcome(
                "old", "open for more than 6 months, damp, or clumped", {"powder_spoiled": 0.80, "powder_uneven": 0.15}
            ),
            Outcome(
                "another",
                "another powder or grain size than the recipe's",
                {"powder_coarse": 0.85, "powder_low_melt": 0.75},
            ),
        ),
        "the recipe's powder, fresh and loose",
        ("powder_months",),
    ),
    Look(
        "film_packet",
        "Read the peel class on the film's packet, and check that it lies the right way up.",
        1,
        (Outcome("another", "another film or peel class than the recipe's", {"wrong_class": 0.92}),),
        "the recipe's film",
        ("recipe_film_class",),
    ),
    Look(
        "film_light",
        "Hold a printed film against the light before powder.",
        2,
        (
            Outcome("holes", "holes or stripes in the print", {"ink": 0.75, "dust": 0.40}),
            Outcome("too_wet", "ink still runs", {"ink": 0.20, "moisture": 0.10}),
        ),
        "closed and matt",
    ),
    Look(
        "wait_cold",
        "Peel one coupon only when it is cold, all else the same.",
        5,
        (Outcome("better", "it comes out better", {"peel_early": _ODD, "wrong_class": 0.50, "no_gap": 0.20}),),
        "no better",
    ),
    Look(
        "peel_slow",
        "Peel one coupon slowly, low and rolling, all else the same.",
        4,
        (Outcome("better", "it comes out better", {"peel_fast": _ODD, "peel_early": 0.15}),),
        "no better",
    ),
    Look(
        "let_lie",
        "Let one film lie 30 s between oven and press, all else the same.",
        4,
        (Outcome("better", "it comes out better", {"no_gap": _ODD, "moisture": 0.10}),),
        "no better",
        ("gap_s",),
    ),
    Look(
        "dry_cloth",
        "Pre-press the cloth of one coupon once more, all else the same.",
        4,
        (Outcome("better", "it comes out better", {"moisture": 0.75}),),
        "no better",
    ),
    Look(
        "turn_round",
        "Turn one coupon half round under the platen, and see where the fault goes.",
        4,
        (
            Outcome(
                "stays", "it stays at the same place of the platen", {"press_cold_spot": _ODD, "pressure_low": 0.30}
            ),
            Outcome("seam", "it goes with a seam or zip", {"pressure_low": 0.50}),
            Outcome(
                "print",
                "it goes with the print",
                {"powder_uneven": 0.40, "powder_missing": 0.50, "ink": 0.30, "powder_thin": 0.30, "dust": 0.20},
            ),
        ),
        "it shows nowhere in particular",
    ),
    Look(
        "pressure",
        "Read the pressure, and close the press on a strip of paper at each corner.",
        3,
        (
            Outcome("low", "lower than the recipe, or a corner slips", {"pressure_low": 0.80}),
            Outcome("high", "higher than the recipe", {"pressure_high": 0.85}),
        ),
        "as the recipe, all corners hold",
    ),
    Look(
        "bare_cloth",
        "Press bare cloth under plain paper; measure it before and after.",
        4,
        (
            Outcome(
                "colour", "colour on the paper", {"dye_moves": 0.85, "press_set_high": 0.15, "press_runs_hot": 0.15}
            ),
            Outcome(
                "brown",
                "cloth browns or draws in",
                {"press_set_high": 0.50, "press_runs_hot": 0.50, "fabric_shrinks": 0.60},
            ),
            Outcome("marked", "a shiny mark", {"pressure_high": 0.75, "no_pad": 0.65}),
        ),
        "cloth unchanged, paper clean",
    ),
    Look(
        "water_drop",
        "Put a drop of water on the bare cloth.",
        2,
        (Outcome("beads", "it stays as a bead", {"fabric_finish": 0.85}),),
        "it soaks in",
    ),
    Look(
        "steps_left_out",
        "Ask who pressed: second press done, pad in place, pressed how often?",
        1,
        (
            Outcome("no_second", "second press left out", {"no_second_press": 0.90}),
            Outcome("no_pad", "pad missing", {"no_pad": 0.90}),
            Outcome("often", "pressed more often than the recipe", {"pressed_often": 0.90}),
        ),
        "all as the recipe",
    ),
    Look(
        "wash_log",
        "Look up when it was pressed and when it was washed.",
        1,
        (Outcome("early", "less than 16 h between", {"wash_early": 0.90}),),
        "24 h or more",
        ("wash_wait_h",),
    ),
    Look(
        "fresh_powder",
        "Make one coupon with powder from a fresh packet, all else the same.",
        8,
        (
            Outcome(
                "better",
                "it comes out better",
                {"powder_spoiled": 0.85, "powder_low_melt": 0.50, "powder_coarse": 0.40, "powder_uneven": 0.20},
            ),
        ),
        "no better",
    ),
)
"""Every check, each once."""

_BY_KEY = {look.key: look for look in LOOKS}


def look(key: str) -> Look:
    """Check by its key.

    Raises
    ------
    InputError
        If there is none.
    """
    found = _BY_KEY.get(key.strip().lower().replace(" ", "_").replace("-", "_"))
    if found is None:
        raise InputError("check", repr(key), ", ".join(_BY_KEY), "Choose one of these.")
    return found
