"""Which setting errors an answer counts, and where: the trial's own taken out, production's put in."""

from __future__ import annotations

from collections.abc import Callable

from doe.assure.gauges.summary import SuggestedError
from doe.domain.factors import Factor
from doe.domain.results import Results
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown, show_difference
from doe.words.wording import count, listing, spread_both


def errors_counted(study: Study, results: Results, shown: Shown = METRIC) -> tuple[str, str]:
    """Two sentences: what was taken out of the coupons, and what was put in for production.

    Parameters
    ----------
    study : Study
    results : Results
        Those that were fitted; where an actual value was measured there is no trial error.
    shown : Shown
    """
    trial = _sizes(study, lambda f: f.trial_error, shown)
    production = _sizes(study, lambda f: f.setting_sd, shown)
    if trial:
        first = f"Taken out of the coupons as the trial's own error, once: {trial}{_measured(study, results)}."
    elif any(f.trial_sd == 0 for f in study.numeric):
        first = "Taken out of the coupons: nothing, as the trial is stated to have had no setting error."
    else:
        first = "Taken out of the coupons: nothing, as no setting error was stated."
    if production:
        return first, f"Put in for production, in full: {production} (standard deviations)."
    return first, "Put in for production: nothing, as no setting error was stated; real machines wander."


def _sizes(study: Study, size: Callable[[Factor], float], shown: Shown) -> str:
    return listing([f"{f.label} {spread_both(f, size(f), shown)}" for f in study.numeric if size(f)])


def _measured(study: Study, results: Results) -> str:
    """Where a measured value stood in for the setting, as the end of the sentence."""
    parts = []
    for f in study.numeric:
        known = int(results.measured[f.name].sum())
        if known and f.trial_error:
            whole = "every coupon" if known == results.coupons else f"{known} of {count(results.coupons, 'coupon')}"
            parts.append(f"{f.label} of {whole}")
    return f"; none where it was measured: {listing(parts)}" if parts else ""


def basis_words(one: SuggestedError, shown: Shown = METRIC) -> str:
    """Why a setting error is taken for a machine when nobody states one, as a clause."""
    if one.is_measured:
        return "measured"
    gives = _read_words(one, shown)
    return f"usual; the readings give {gives}" if gives else "usual, no reading tells it"


def _read_words(one: SuggestedError, shown: Shown) -> str:
    """What readings give that do not suffice, and what they lack; empty where they give nothing."""
    if one.read_sd is None:
        return ""
    lacking = {"few readings": "but are too few to count on", "not in time": "without what changes from time to time"}
    return (
        f"{show_difference(one.read_sd, shown)}, {lacking.get(one.basis, 'without what changes from place to place')}"
    )


def readings_say(one: SuggestedError, shown: Shown) -> str:
    """What gauge readings tell of a setting error, as the end of a sentence."""
    if one.is_measured:
        verb = "suggests" if one.readings == 1 else "suggest"
        return f"{count(one.readings, 'gauge reading')} {verb} {show_difference(one.sd, shown)}"
    gives = _read_words(one, shown)
    return f"the gauge readings do not tell it yet{f': they give {gives}' if gives else ''}"


def error_words(one: SuggestedError, taken: Factor, is_stated: bool, shown: Shown) -> str:
    """Which setting error is taken, and what the readings say of it."""
    size = show_difference(taken.setting_sd, shown)
    if is_stated:
        said = f"{size} as stated; {readings_say(one, shown)}"
    elif one.is_measured:
        said = f"{size}, measured by {count(one.readings, 'gauge reading')}, since none was stated"
    else:
        said = f"{size}, {basis_words(one, shown)}"
    if one.trial_sd is not None and taken.trial_sd is None:
        said += (
            f". A trial that lays every coupon at one place wanders by {show_difference(one.trial_sd, shown)} only: "
            f"trial={shown.delta(one.trial_sd, 'degC'):.3g} says so"
        )
    return f"Setting error of {taken.name}: {said}."
