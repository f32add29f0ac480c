"""What makes a fit doubtful, and whether it can be believed, in sentences."""

from __future__ import annotations

from collections.abc import Callable

from doe.domain.study import Study
from doe.domain.units import Shown
from doe.surfaces.facts import Code, Fact
from doe.words.wording import count, listing, sentence

Say = Callable[[Study, Fact, Shown], str]
"""How one kind of fact is said."""


def always(text: str) -> Say:
    """A sentence that needs nothing filled in."""
    return lambda study, fact, shown: text


def labels(study: Study, fact: Fact, last: str = "and") -> str:
    """The factors of a fact, as in a sentence."""
    return listing([study.factor(name).label for name in fact.factors], last)


def _people(fact: Fact) -> list[str]:
    return [name or "one person" for name in fact.names]


def _earlier_counted(study: Study, fact: Fact, shown: Shown) -> str:
    one = fact.coupons == 1
    return (
        f"{count(fact.coupons, 'coupon')} of an earlier study count{'s' if one else ''} here too, "
        f"{'' if one else 'each '}for {fact.value:.2g} of a coupon."
    )


def _few_coupons(study: Study, fact: Fact, shown: Shown) -> str:
    return (
        f"Only {count(fact.coupons, 'coupon')} scored: the answer rests mostly on what such windows usually look like, "
        "not on this stack."
    )


def _far_outside(study: Study, fact: Fact, shown: Shown) -> str:
    return (
        f"{fact.coupons} of {fact.of} coupons were made or measured more than half a range outside the tested ranges: "
        "check gauge and unit. They say little about settings inside."
    )


def _unvaried(study: Study, fact: Fact, shown: Shown) -> str:
    one = len(fact.factors) == 1
    return (
        f"{sentence(labels(study, fact)).rstrip('.')} {'was' if one else 'were'} not varied, or hardly: what "
        f"{'it does' if one else 'they do'}, and how far a window would reach, is assumed. Until coupons vary "
        f"{'it' if one else 'them'}, no setpoint counts as ready, and no window is given."
    )


def _untried(study: Study, fact: Fact, shown: Shown) -> str:
    listed = listing(
        [f"{study.factor(name).label} {level}" for name, level in zip(fact.factors, fact.levels, strict=True)], "or"
    )
    return (
        f"No coupon was made with {listed}: how far that differs is assumed. Until one is, it is not said that no "
        "setting reaches the target."
    )


def _hand_unscored(study: Study, fact: Fact, shown: Shown) -> str:
    said = "Hand-feel is in the spec but was not scored: the pass rate below counts the checks only."
    if fact.coupons:
        said += " Score hand-feel of the coupons that transferred: they are there, no new one is needed for it."
    return said


def _one_scorer(study: Study, fact: Fact, shown: Shown) -> str:
    return f"Hand-feel rests on {_people(fact)[0]} alone: whether that is a harsh or a mild judge is not known."


def _never_compared(study: Study, fact: Fact, shown: Shown) -> str:
    return (
        f"No two of the {fact.of} people who scored hand-feel felt {fact.coupons} coupons in common: whether one is a "
        "harsher judge than another is not known."
    )


def _scorers_apart(study: Study, fact: Fact, shown: Shown) -> str:
    low, high = _people(fact)
    return (
        f"{low} scores hand-feel {fact.value:.1f} points below {high} on the {fact.coupons} coupons that both felt: "
        "settle that first (`doe people`), since their mean is what counts here."
    )


def scorers_remedy(fact: Fact) -> str:
    """What settles a doubt about the people who scored, as the end of a sentence."""
    people = _people(fact)
    if "one_scorer" in (fact.code, fact.about):
        return (
            "let a second person feel the coupons that transferred, without seeing what "
            f"{people[0]} said, and fit again"
        )
    if "never_compared" in (fact.code, fact.about):
        return "let two people feel the same coupons, each without seeing the other's scores, and fit again"
    return (
        f"settle what {listing(people)} mean by their scores (`doe people`), let both feel the coupons that "
        "transferred again, and fit again"
    )


_UNSEEN = "so an error that the coupons of a batch share is not allowed for: the lower bound may be too high."


def _batches_unknown(study: Study, fact: Fact, shown: Shown) -> str:
    return f"No {listing(fact.names, 'or')} batches are known, {_UNSEEN}"


def _one_batch(study: Study, fact: Fact, shown: Shown) -> str:
    return f"All coupons come from one {fact.names[0]} batch, {_UNSEEN}"


def _waiting(study: Study, fact: Fact, shown: Shown) -> str:
    return f"{count(fact.coupons, 'coupon is', 'coupons are')} not scored yet and left out."


def _predicts(verdict: str) -> Say:
    def said(study: Study, fact: Fact, shown: Shown) -> str:
        return (
            f"Predicting each coupon from the others, the surface called {fact.coupons} of {fact.of} right, {verdict}"
        )

    return said


def _hardly_varied(study: Study, fact: Fact, shown: Shown) -> str:
    these = f"these {fact.coupons} coupons" if fact.coupons > 1 else "one coupon"
    return f"{sentence(labels(study, fact)).rstrip('.')} was hardly varied: {these} cannot say what it does."


def _inseparable(study: Study, fact: Fact, shown: Shown) -> str:
    return f"These {fact.coupons} coupons cannot separate {labels(study, fact, 'from')}: they were changed together."


def _barely_learned(study: Study, fact: Fact, shown: Shown) -> str:
    return (
        f"The coupons say little about the best {labels(study, fact)}; the middle of the range is favoured because "
        "nothing speaks against it."
    )


FIT_WORDS: dict[Code, Say] = {
    "earlier_counted": _earlier_counted,
    "few_coupons": _few_coupons,
    "all_passed": always("Every coupon passed: no edge of the window was seen, so how far it reaches is assumed."),
    "none_passed": always(
        "No coupon passed: where the window lies, and whether there is one, is not known from these coupons."
    ),
    "own_all_passed": always(
        "Every coupon of this study passed: where the window lies and ends comes from the earlier coupons."
    ),
    "own_none_passed": always(
        "No coupon of this study passed: where the window lies and ends comes from the earlier coupons."
    ),
    "no_over_seen": always("No coupon failed by too much heat: the hot edge of the window is assumed, not seen."),
    "no_under_seen": always("No coupon failed by too little heat: the cool edge of the window is assumed, not seen."),
    "far_outside": _far_outside,
    "unvaried": _unvaried,
    "untried": _untried,
    "hand_unscored": _hand_unscored,
    "one_scorer": _one_scorer,
    "never_compared": _never_compared,
    "scorers_apart": _scorers_apart,
    "batches_unknown": _batches_unknown,
    "one_batch": _one_batch,
    "waiting": _waiting,
    "ended_alike": always("All coupons ended alike, so nothing here tests whether the surface predicts."),
    "predicts_better": _predicts("clearly better than the pass share alone."),
    "predicts_alike": _predicts(
        "no better than the pass share alone: these coupons barely show where the window lies."
    ),
    "predicts_worse": _predicts(
        "worse than the pass share alone: do not trust the map; look for a mistake in the record or a cause that is "
        "not heat."
    ),
    "too_mixed": always(
        "Passes and fails are more mixed than the surface can explain: something besides the factors matters."
    ),
    "hardly_varied": _hardly_varied,
    "inseparable": _inseparable,
    "barely_learned": _barely_learned,
}
"""How what a fit has to say is said."""
