"""Setting errors of a study: what was stated, what gauge readings tell, and which is taken."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from doe.acts.gauges.line import SuggestedError
from doe.cli.study_questions import states_error
from doe.domain.factors import DEFAULT_FACTORS, Factor
from doe.domain.study import Study
from doe.domain.units import Shown, show_difference
from doe.words.setting_errors import basis_words, read_words
from doe.words.wording import count


def with_measured_errors(
    study: Study, stated_factors: Sequence[str], found: Mapping[str, SuggestedError], shown: Shown
) -> tuple[Study, list[str]]:
    """The study with the setting errors that gauge readings tell where none was stated, and a sentence for each."""
    factors, said = [], []
    stated = [states_error(text) for text in stated_factors or DEFAULT_FACTORS]
    for f, is_stated in zip(study.factors, stated, strict=True):
        one = found.get(f.name)
        taken = replace(f, setting_sd=one.sd) if one is not None and one.is_measured and not is_stated else f
        factors.append(taken)
        if one is not None:
            said.append(_error_words(one, taken, is_stated, shown))
    return replace(study, factors=tuple(factors)), said


def readings_say(one: SuggestedError, shown: Shown) -> str:
    """What gauge readings tell of a setting error, as the end of a sentence."""
    if one.is_measured:
        verb = "suggests" if one.readings == 1 else "suggest"
        return f"{count(one.readings, 'gauge reading')} {verb} {show_difference(one.sd, shown)}"
    gives = "" if one.read_sd is None else f": they give {read_words(one.basis, one.read_sd, shown)}"
    return f"the gauge readings do not tell it yet{gives}"


def _error_words(one: SuggestedError, taken: Factor, is_stated: bool, shown: Shown) -> str:
    """Which setting error is taken, and what the readings say of it."""
    size = show_difference(taken.setting_sd, shown)
    if is_stated:
        said = f"{size} as stated; {readings_say(one, shown)}"
    elif one.is_measured:
        said = f"{size}, measured by {count(one.readings, 'gauge reading')}, since none was stated"
    else:
        said = f"{size}, {basis_words(one.basis, one.read_sd, shown)}"
    if one.trial_sd is not None and taken.trial_sd is None:
        said += (
            f". A trial that lays every coupon at one place wanders by {show_difference(one.trial_sd, shown)} only: "
            f"trial={shown.delta(one.trial_sd, 'degC'):.3g} says so"
        )
    return f"Setting error of {taken.name}: {said}."
