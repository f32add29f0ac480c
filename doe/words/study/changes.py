"""What was changed of a study, in words."""

from __future__ import annotations

from collections.abc import Iterator

from doe.domain.factors import Factor
from doe.domain.limits import LIMIT_OPTIONS, Limits
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.words import typed
from doe.words.limits import LIMIT_LABELS
from doe.words.study.state import held_words, rule_words, setting_error_words, target_words
from doe.words.wording import range_both


def study_changes(before: Study, after: Study, shown: Shown = METRIC) -> tuple[str, ...]:
    """Everything of a study that was changed, a sentence each: what it was and what it is."""
    return tuple(_changes(before, after, shown))


def _changes(before: Study, after: Study, shown: Shown) -> Iterator[str]:
    if before.name != after.name:
        yield f"Name: {before.name}, now {after.name}."
    known = {f.name: f for f in before.factors}
    for f in after.factors:
        old = known.get(f.name)
        if old is None:
            yield f"{f.label.capitalize()}: varied from now on, {_range(f, shown)}."
            continue
        if _range(old, shown) != _range(f, shown):
            yield f"{f.label.capitalize()}: {_range(old, shown)}, now {_range(f, shown)}."
        if (old.setting_sd, old.trial_sd) != (f.setting_sd, f.trial_sd):
            errors = setting_error_words(old, shown), setting_error_words(f, shown)
            yield f"Setting error of the {f.label}: {errors[0]}, now {errors[1]}."
    ours, theirs = before.limits or Limits(), after.limits or Limits()
    for name in LIMIT_OPTIONS:
        told = [_limit(limits, name, shown) for limits in (ours, theirs)]
        if told[0] != told[1]:
            yield f"Limit, {LIMIT_LABELS[name]}: {told[0]}, now {told[1]}."
    if before.spec != after.spec:
        yield f"{target_words(before.spec)} Now: {target_words(after.spec).removeprefix('Target: ')}"
    if before.held != after.held:
        yield f"{held_words(after.held, shown)}" if after.held else "Nothing is held constant any more."
    if before.forbidden != after.forbidden:
        rules = "; ".join(rule_words(after, rule, shown) for rule in after.forbidden)
        yield f"Never made: {rules}." if rules else "No combination is ruled out any more."


def _range(f: Factor, shown: Shown) -> str:
    return " / ".join(f.levels) if f.is_categorical else range_both(f, f.low, f.high, shown)


def _limit(limits: Limits, name: str, shown: Shown) -> str:
    value, source = getattr(limits, name), limits.sources.get(name, "")
    if value is None:
        return "not given"
    return typed.limit_text(name, value, shown) + (f" ({source})" if source else "")
