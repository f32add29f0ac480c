"""A study in sentences: how far its scoring is, what it took over from an earlier one, what did not go as planned."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from doe.domain.errors import plain, quoted
from doe.domain.factors import KNOWN_FACTORS, Factor
from doe.domain.finding import Finding
from doe.domain.outcome import ScoreCounts
from doe.domain.space import Forbidden
from doe.domain.spec import Spec
from doe.domain.study import Study
from doe.domain.units import METRIC, SYMBOLS, Shown, show, show_both
from doe.words.facts import Reader, texts_of, worded
from doe.words.wording import GRADED, HANDLED_ASKED, amount_both, count, listing, prints, prints_at_least, stated, verb

MOST_NAMED = 6
"""Coupons that one sentence names; of more it says how many."""

REASONS = texts_of("catalogues", "earlier_coupons")
"""Why earlier coupons count for so much, by code."""


def counts_sentence(counts: ScoreCounts) -> str:
    """How far the scoring is."""
    if not counts.coupons:
        return "No coupon is planned yet."
    parts = [f"{counts.scored} of {count(counts.coupons, 'coupon')} scored"]
    if counts.passed is None:
        parts.append("scored blind, so what came out is kept back until the last check is in")
    elif counts.scored:
        parts.append(f"{counts.passed} passed so far, {counts.scored - counts.passed} failed")
    if counts.unfinished and counts.passed is not None:
        parts.append(f"{counts.unfinished} still {verb(counts.unfinished, 'waits', 'wait')} for a check (wash)")
    if counts.void:
        parts.append(f"{counts.void} void")
    return "; ".join(parts) + "."


def open_checks(_: Reader, *, unfinished: int, passed: int, checks: Sequence[str]) -> str:
    """What stands before an answer while coupons that pass so far still wait for a check."""
    return (
        f"{unfinished} of {count(passed, 'passed coupon')} still {verb(unfinished, 'waits', 'wait')} for a check "
        f"({listing([name.replace('_', ' ') for name in checks])}); what these will show is reckoned with, not known."
    )


def grades_at_odds(_: Reader, *, coupons: Sequence[str]) -> str:
    """Which grades count as not given, because a check says the opposite."""
    one, more = len(coupons) == 1, len(coupons) - MOST_NAMED
    named = f"{', '.join(coupons[:MOST_NAMED])} and {more} more" if more > 0 else listing(coupons)
    return (
        f"The {'grade' if one else 'grades'} of {named} {'does' if one else 'do'} not go with the checks as "
        f"they stand and {'counts' if one else 'count'} as not given: grade again, or leave it so."
    )


def prior_sentence(reader: Reader, *, answer: Sequence[Any], without: Sequence[Any], **v: Any) -> str:
    """What the earlier coupons do to an answer, for people: the answer with and without them."""
    verdict, rate, low, settings = answer
    other, other_rate, other_low, others = without
    factors = [reader.factors[name] for name, _ in settings]
    pairs = [
        (f.label, amount_both(f, theirs, reader.shown), amount_both(f, mine, reader.shown))
        for f, (_, mine), (_, theirs) in zip(factors, settings, others, strict=True)
    ]
    moved = [f"{label} {theirs} instead of {mine}" for label, theirs, mine in pairs if theirs != mine]
    told = f"its setpoint would have {listing(moved)}" if moved else "its setpoint would be the same"
    named = "" if other == verdict else f", and its verdict would be: {other}"
    return (
        f"{_lent(v)} {verb(v['coupons'], 'counts', 'count')} here, each for {v['discount']:.2g} of a coupon. "
        f"With them {prints(rate)} are expected, at least {prints_at_least(low)} with "
        f"{stated(v['assurance'])} assurance; the answer without them expects {prints(other_rate)}, at "
        f"least {prints_at_least(other_low)}; {told}{named}."
    )


def prior_told(fact: Finding) -> str:
    """What an earlier study lent, and why so much."""
    v: Mapping[str, Any] = fact.values
    why = reason(v["why"])
    if fact.code == "left out":
        return f"The coupons of the study {v['study']} (recipe {v['recipe']}) were left out: {why}"
    return f"{_lent(v)} counted, each for {v['discount']:.2g} of a coupon: {why}"


def reason(why: str) -> str:
    """Why earlier coupons count for so much; a sentence of an older book stays as it is."""
    return REASONS.get(why, why)


def _lent(v: Mapping[str, Any]) -> str:
    recipe = f" (recipe {v['recipe']}, revision {v['revision']})" if v["recipe"] else ""
    return f"{count(v['coupons'], 'coupon')} of the study {v['study']}{recipe}"


def limits_command(study: str, absent: Iterable[str]) -> str:
    """The command that would give the limits that are missing."""
    words = " ".join(f'--limit "{name}=VALUE@SOURCE"' for name in absent)
    return f"doe study limits {quoted(study)} {words}"


# what did not go as planned

_FIELDS = texts_of("catalogues", "fields")


def deviation(fact: Finding, study: Study, shown: Shown = METRIC) -> str:
    """What did not go as planned, in a sentence."""
    v: Mapping[str, Any] = fact.values
    if fact.code == "corrected":
        before, after = (_value(study, v["field"], v[value], shown) for value in ("before", "after"))
        return f"Coupon {v['coupon']}, {_field(v['field'])}: corrected from {before} to {after}."
    if fact.code == "measured":
        return _measured(v, study.factor(v["factor"]), shown)
    return worded(fact, texts_of("said_of_deviations"), Reader(shown))


def _measured(v: Mapping[str, Any], f: Factor, shown: Shown) -> str:
    each = [
        f"{coupon} {show_both(real, f.unit, shown)} for {show_both(wanted, f.unit, shown)}"
        for coupon, real, wanted in zip(v["coupons"], v["measured"], v["wanted"], strict=True)
    ]
    more = f" and {len(each) - MOST_NAMED} more" if len(each) > MOST_NAMED else ""
    return (
        f"{f.label.capitalize()} was measured to differ from what was set: {listing(each[:MOST_NAMED])}{more}; the "
        "measured values count."
    )


def _field(name: str) -> str:
    kind, colon, what = name.partition(":")
    plain = what.replace("_", " ")
    if name == "handled":
        return HANDLED_ASKED
    if not colon:
        return name.replace("_", " ")
    return _FIELDS.get(kind, "{plain}").format(plain=plain, what=what)


def _value(study: Study, field: str, value: Any, shown: Shown) -> str:
    """A stored value as it was said, in the reader's unit."""
    if value is None or value in ("", ()):
        return "nothing"
    if isinstance(value, bool):
        return "pass" if value else "fail"
    if isinstance(value, list | tuple):
        return listing([str(v).replace("_", " ") for v in value])
    if isinstance(value, str):
        return GRADED[value] if field == "grade" else value.replace("_", " ") if field == "side" else value
    name = field.removeprefix("actual:")
    if name in study.factor_names:
        return show_both(value, study.factor(name).unit, shown)
    known = KNOWN_FACTORS.get(name)
    return show_both(value, known.unit, shown) if known and known.unit else f"{value:g}"


# how a study is described


def difference_plain(value: float, unit: str, shown: Shown = METRIC) -> str:
    """A stored *difference* in the reader's unit.

    >>> difference_plain(5, "degC", Shown("degF"))
    '9 °F'
    """
    return f"{plain(round(shown.delta(value, unit), 2))} {SYMBOLS[shown.unit(unit)]}"


def setting_error_words(f: Factor, shown: Shown = METRIC) -> str:
    """Setting error of production, and the trial's own where one is stated."""
    own = "" if f.trial_sd is None else f" (trial {difference_plain(f.trial_sd, f.unit, shown)})"
    return difference_plain(f.setting_sd, f.unit, shown) + own


def target_words(spec: Spec) -> str:
    """What counts as a pass, how often it is wanted, and how sure statements are meant to be.

    >>> target_words(Spec(pass_rate=0.975, hand_min=None))
    'Target: 97.5 % of prints pass release, stretch, wash_1, wash_5; statements meant to be 90 % sure.'
    """
    hand = f", mean hand-feel at least {spec.hand_min:g}" if spec.hand_min is not None else ""
    return (
        f"Target: {stated(spec.pass_rate)} of prints pass {', '.join(c.name for c in spec.checks)}{hand}; statements "
        f"meant to be {stated(spec.assurance)} sure."
    )


def held_words(held: Mapping[str, float | str], shown: Shown = METRIC) -> str:
    """Settings held constant, by the names under which they are typed."""

    def one(name: str, value: float | str) -> str:
        if isinstance(value, str):
            return f"{name} {value}"
        known = KNOWN_FACTORS.get(name)
        return f"{name} {plain(value) if known is None else show(value, known.unit, shown)}"

    return f"Held constant: {', '.join(one(name, value) for name, value in held.items())}."


def rule_words(study: Study, rule: Forbidden, shown: Shown = METRIC) -> str:
    """A forbidden combination in the reader's units, with its reason."""

    def amount_of(name: str, value: float | str) -> str:
        return value if isinstance(value, str) else show(value, study.factor(name).unit, shown)

    parts = [f"{c.factor} {c.compare} {amount_of(c.factor, c.value)}" for c in rule.clauses]
    return " and ".join(parts) + (f" ({rule.reason})" if rule.reason else "")
