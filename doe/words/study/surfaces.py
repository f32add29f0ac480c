"""What makes a fit doubtful, and whether it can be believed, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

from doe.words.facts import Reader, Text
from doe.words.wording import count, listing, sentence


def labels(reader: Reader, factors: Sequence[str], last: str = "and") -> str:
    """Factors as in a sentence."""
    return listing([reader.label(name) for name in factors], last)


def _people(names: Sequence[str]) -> list[str]:
    return [name or "one person" for name in names]


def _earlier_counted(_: Reader, *, coupons: int, value: float) -> str:
    one = coupons == 1
    return (
        f"{count(coupons, 'coupon')} of an earlier study count{'s' if one else ''} here too, "
        f"{'' if one else 'each '}for {value:.2g} of a coupon."
    )


def _few_coupons(_: Reader, *, coupons: int = 0) -> str:
    return (
        f"Only {count(coupons, 'coupon')} scored: the answer rests mostly on what such windows usually look like, "
        "not on this stack."
    )


def _unvaried(reader: Reader, *, factors: tuple[str, ...]) -> str:
    one = len(factors) == 1
    return (
        f"{sentence(labels(reader, factors)).rstrip('.')} {'was' if one else 'were'} not varied, or hardly: what "
        f"{'it does' if one else 'they do'}, and how far a window would reach, is assumed. Until coupons vary "
        f"{'it' if one else 'them'}, no setpoint counts as ready, and no window is given."
    )


def _untried(reader: Reader, *, factors: tuple[str, ...], levels: tuple[str, ...]) -> str:
    listed = [f"{reader.label(name)} {level}" for name, level in zip(factors, levels, strict=True)]
    return (
        f"No coupon was made with {listing(listed, 'or')}: how far that differs is assumed. Until one is, it is not "
        "said that no setting reaches the target."
    )


def _hand_unscored(_: Reader, *, coupons: int = 0) -> str:
    said = "Hand-feel is in the spec but was not scored: the pass rate below counts the checks only."
    if coupons:
        said += " Score hand-feel of the coupons that transferred: they are there, no new one is needed for it."
    return said


def _one_scorer(_: Reader, *, names: tuple[str, ...]) -> str:
    return f"Hand-feel rests on {_people(names)[0]} alone: whether that is a harsh or a mild judge is not known."


def _scorers_apart(_: Reader, *, names: tuple[str, ...], coupons: int, value: float) -> str:
    low, high = _people(names)
    return (
        f"{low} scores hand-feel {value:.1f} points below {high} on the {coupons} coupons that both felt: "
        "settle that first (`doe people`), since their mean is what counts here."
    )


def scorers_remedy(doubt: str, names: Sequence[str]) -> str:
    """What settles a doubt about the people who scored, as the end of a sentence."""
    people = _people(names)
    if doubt == "one_scorer":
        return (
            "let a second person feel the coupons that transferred, without seeing what "
            f"{people[0]} said, and fit again"
        )
    if doubt == "never_compared":
        return "let two people feel the same coupons, each without seeing the other's scores, and fit again"
    return (
        f"settle what {listing(people)} mean by their scores (`doe people`), let both feel the coupons that "
        "transferred again, and fit again"
    )


_UNSEEN = "so an error that the coupons of a batch share is not allowed for: the lower bound may be too high."


def _batches_unknown(_: Reader, *, names: tuple[str, ...]) -> str:
    return f"No {listing(names, 'or')} batches are known, {_UNSEEN}"


def _one_batch(_: Reader, *, names: tuple[str, ...]) -> str:
    return f"All coupons come from one {names[0]} batch, {_UNSEEN}"


def _waiting(_: Reader, *, coupons: int) -> str:
    return f"{count(coupons, 'coupon is', 'coupons are')} not scored yet and left out."


def _predicts(verdict: str) -> Text:
    def said(_: Reader, *, coupons: int = 0, of: int) -> str:
        return f"Predicting each coupon from the others, the surface called {coupons} of {of} right, {verdict}"

    return said


def _hardly_varied(reader: Reader, *, factors: tuple[str, ...], coupons: int) -> str:
    these = f"these {coupons} coupons" if coupons > 1 else "one coupon"
    return f"{sentence(labels(reader, factors)).rstrip('.')} was hardly varied: {these} cannot say what it does."


def _inseparable(reader: Reader, *, factors: tuple[str, ...], coupons: int) -> str:
    return f"These {coupons} coupons cannot separate {labels(reader, factors, 'from')}: they were changed together."


def _barely_learned(reader: Reader, *, factors: tuple[str, ...]) -> str:
    return (
        f"The coupons say little about the best {labels(reader, factors)}; the middle of the range is favoured because "
        "nothing speaks against it."
    )


FIT_WORDS: dict[str, Text] = {
    "earlier_counted": _earlier_counted,
    "few_coupons": _few_coupons,
    "all_passed": "Every coupon passed: no edge of the window was seen, so how far it reaches is assumed.",
    "none_passed": (
        "No coupon passed: where the window lies, and whether there is one, is not known from these coupons."
    ),
    "own_all_passed": (
        "Every coupon of this study passed: where the window lies and ends comes from the earlier coupons."
    ),
    "own_none_passed": (
        "No coupon of this study passed: where the window lies and ends comes from the earlier coupons."
    ),
    "no_over_seen": "No coupon failed by too much heat: the hot edge of the window is assumed, not seen.",
    "no_under_seen": "No coupon failed by too little heat: the cool edge of the window is assumed, not seen.",
    "far_outside": (
        "{coupons} of {of} coupons were made or measured more than half a range outside the tested ranges: "
        "check gauge and unit. They say little about settings inside."
    ),
    "unvaried": _unvaried,
    "untried": _untried,
    "hand_unscored": _hand_unscored,
    "one_scorer": _one_scorer,
    "never_compared": (
        "No two of the {of} people who scored hand-feel felt {coupons} coupons in common: whether one is a "
        "harsher judge than another is not known."
    ),
    "scorers_apart": _scorers_apart,
    "batches_unknown": _batches_unknown,
    "one_batch": _one_batch,
    "waiting": _waiting,
    "ended_alike": "All coupons ended alike, so nothing here tests whether the surface predicts.",
    "predicts_better": _predicts("clearly better than the pass share alone."),
    "predicts_alike": _predicts(
        "no better than the pass share alone: these coupons barely show where the window lies."
    ),
    "predicts_worse": _predicts(
        "worse than the pass share alone: do not trust the map; look for a mistake in the record or a cause that is "
        "not heat."
    ),
    "too_mixed": (
        "Passes and fails are more mixed than the surface can explain: something besides the factors matters."
    ),
    "hardly_varied": _hardly_varied,
    "inseparable": _inseparable,
    "barely_learned": _barely_learned,
}
"""How what a fit has to say is said."""
