"""How far people agree, in words: what it is, what it means for the scores, and what is not known."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from doe.assure.people.agreement import GOOD_ICC, HandAgreement, PairAgreement, PassAgreement, Repeat, band_of
from doe.assure.people.kappa import Kappa
from doe.domain.finding import Finding
from doe.domain.jsonable import packaged_table
from doe.domain.spec import HAND_STEP
from doe.domain.units import fixed
from doe.words.facts import Reader, all_worded
from doe.words.wording import count, percent, verb

FEW = 20
"""Below so many coupons a sentence says that they tell little."""


AGREE = {"good": "agree well", "fair": "agree in part", "poor": "barely agree"}
"""How far people agree beyond chance, in words."""


def finding(passes: PassAgreement | None, hand: HandAgreement | None) -> tuple[str, str]:
    """The pair that agrees least, in one sentence, and what to do about it.

    Without a pair that can be compared, what is missing for it.
    """
    known = [(pair.kappa, pair.first, pair.second, "pass and fail") for pair in (passes.pairs if passes else ())]
    known += [(kappa, first, second, "hand-feel") for first, second, kappa in (hand.pairs if hand else ())]
    known = [each for each in known if not math.isnan(each[0].kappa)]
    if not known:
        return ("How far people agree is not known yet", "Let two people score the same coupons, blind.")
    kappa, first, second, what = min(known, key=lambda each: each[0].kappa)
    if band_of(kappa) == "good":
        return (f"{first} and {second} {AGREE['good']}: {_of_one(kappa)}", "Either may score alone.")
    return (
        f"{first} and {second} {AGREE[band_of(kappa)]} on {what}: {_of_one(kappa)}",
        "Score blind, each alone, and feel the two kept reference coupons first (5 soft, 1 stiff)."
        if what == "hand-feel"
        else "Score blind, each alone, beside one coupon that is just good and one that is just bad.",
    )


def _of_one(kappa: Kappa) -> str:
    return f"{fixed(max(kappa.kappa, 0), 2)} of 1"


def pass_words(found: PassAgreement | None) -> tuple[str, ...]:
    """What agreement on pass and fail means; nothing without it."""
    if found is None:
        return ()
    said = []
    if found.together is not None and not math.isnan(found.together.overall.kappa):
        k = found.together.overall
        said.append(
            f"All {found.together.people} together agree {percent(k.agreement)} of the time; beyond chance that is "
            f"{_kappa(k)}: {band_of(k)}."
        )
    return (*said, *(text for pair in found.pairs for text in _pair(pair, found.assurance)))


def _kappa(k: Kappa) -> str:
    return f"{fixed(k.kappa, 2)} of 1 ({fixed(k.low, 2)} to {fixed(k.high, 2)})"


def _pair(pair: PairAgreement, assurance: float) -> list[str]:
    k = pair.kappa
    names = f"{pair.first} and {pair.second}"
    if math.isnan(k.kappa):
        return [f"{names} gave every coupon the same result: mix good and bad coupons to see whether they agree."]
    coupons = round(k.coupons)
    said = [
        f"{names} agree on {percent(k.agreement)} of {count(coupons, 'coupon')}; beyond chance {_kappa(k)}: "
        f"{band_of(k)}."
    ]
    if pair.p_leaning < 1 - assurance:
        by_lean = (pair.first, pair.second)
        kind, harsh = by_lean if pair.only_first > pair.only_second else by_lean[::-1]
        said.append(
            f"{kind} passes what {harsh} fails more often than the other way round: settle the limit on the coupons "
            "they differ on, and keep one just good and one just bad coupon as references."
        )
    elif band_of(k) == "poor":
        said.append(
            f"{names}: look together at the coupons they differ on before more are scored; until then a fitted edge of "
            "the window is blurred by the people, not by the settings."
        )
    if k.coupons < FEW:
        few = f"{count(coupons, 'coupon')} {verb(coupons, 'says', 'say')}"
        said.append(f"{few} little about agreement; 30 with about a third of them bad say more.")
    return said


def hand_words(found: HandAgreement | None) -> tuple[str, ...]:
    """What agreement on hand-feel means; nothing without it."""
    if found is None:
        return ()
    one, absolute = found.scores.icc("these very people"), found.scores.icc("any such people")
    if math.isnan(one):
        return (
            "Everybody gave every coupon the same hand-feel: mix soft and stiff coupons to see whether they agree.",
        )
    said = [
        f"A single score repeats to about ±{fixed(2 * found.scores.repeat_sd, 1)} points; of what differs "
        "between scores, "
        f"{percent(max(one, 0))} is the coupons (once each person's habit is taken out)."
    ]
    for row in found.lean[found.lean["verdict"] != "like the others"].itertuples():
        said.append(
            f"{row.person} scores {fixed(abs(float(str(row.lean))), 1)} points {row.verdict}er than the "
            "mean: the fit takes "
            "that out as long as everyone scores every coupon."
        )
    if one >= GOOD_ICC and absolute < one - 0.1:
        said.append(
            "They rank the coupons alike but use the scale differently: score together against the two kept reference "
            "coupons (5 soft, 1 stiff)."
        )
    if one < GOOD_ICC:
        wanted = math.ceil(GOOD_ICC / (1 - GOOD_ICC) * (1 - one) / one) if one > 0.02 else 0
        more = (
            f"the mean of {count(wanted, 'person', 'people')} would"
            if 0 < wanted <= 6
            else "more people alone will not"
        )
        said.append(
            f"One person's score stands for its coupon only in part; {more} reach {percent(GOOD_ICC)}. Use reference "
            "coupons and score blind."
        )
    return tuple(said)


def repeat_words(found: Repeat) -> tuple[str, ...]:
    """What a person's second look says of the first."""
    said = []
    if found.coupons:
        twice = f"{count(found.coupons, 'coupon')} twice"
        text = f"{found.person} judged {twice} and changed {found.turned or 'none'} of them."
        if found.kappa is not None and not math.isnan(found.kappa.kappa):
            text += f" Beyond chance: {_kappa(found.kappa)}."
        if found.coupons < FEW:
            text += f" {found.coupons} say little; 30 with about a third bad say more."
        said.append(text)
    if found.hand_coupons > 1:
        said.append(
            f"{found.person} felt {count(found.hand_coupons, 'coupon')} twice: a score repeats to about "
            f"±{fixed(2 * found.hand_sd, 1)} points."
        )
        if found.hand_low > 0 or found.hand_high < 0:
            word = "softer" if found.hand_shift > 0 else "stiffer"
            said.append(
                f"The second time {found.person} scored {fixed(abs(found.hand_shift), 1)} points {word}: the scale has "
                "moved. Feel the two kept reference coupons (5 soft, 1 stiff) before every session."
            )
        elif 2 * found.hand_sd > 2 * HAND_STEP:
            said.append(
                f"That is more than a whole point: let {found.person} feel the reference coupons first, and use the "
                "mean of two people."
            )
    return tuple(said)


def agreement_words(
    passes: PassAgreement | None, hand: HandAgreement | None, repeats: Sequence[Repeat]
) -> tuple[str, ...]:
    """What agreement means, the most important first, each once."""
    return tuple(
        dict.fromkeys((*pass_words(passes), *hand_words(hand), *(s for r in repeats for s in repeat_words(r))))
    )


def missing_words(missing: Iterable[Finding]) -> tuple[str, ...]:
    """What is not known of how far people agree, or was left out of what they said."""
    return all_worded(missing, packaged_table("said_of_people"), Reader())
