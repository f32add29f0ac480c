"""Setting errors of a study: what was stated, what gauge readings tell, and which is taken."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from doe.assure.gauges.summary import SuggestedError
from doe.cli.study_questions import states_error
from doe.domain.factors import DEFAULT_FACTORS
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.words.gauges.setting_errors import error_words


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
            said.append(error_words(one, taken, is_stated, shown))
    return replace(study, factors=tuple(factors)), said
