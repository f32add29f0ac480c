"""How far people agree, in words: what it is, what it means for the scores, and what is not known."""

from __future__ import annotations

import math

from doe.assure.people.agreement import GOOD_ICC, HandAgreement, PairAgreement, PassAgreement, band_of
from doe.assure.people.kappa import Kappa
from doe.assure.people.repeats import Repeat
from doe.domain.spec import HAND_STEP
from doe.words.wording import count, percent, verb

FEW = 20
"""Below so many coupons a sentence says that they tell little."""


def pass_words(found: PassAgreement | None) -> tuple[str, ...]:
    """What agreement on pass and fail means; nothing without it."""
    if found is None:
        return ()
    said = []
    if found.together is not None and not math.isnan(found.together.overall.kappa):
        k = found.together.overall
        said.append(
            f"All {found.together.people} together agree {percent(k.agreement)} of the time; beyond chance that is a "
            f"kappa of {_kappa(k)}: {band_of(k)}."
        )
    return (*said, *(text for pair in found.pairs for text in _pair(pair, found.assurance)))


def _kappa(k: Kappa) -> str:
    return f"{k.kappa:.2f} ({k.low:.2f} to {k.high:.2f})"


def _pair(pair: PairAgreement, assurance: float) -> list[str]:
    k = pair.kappa
    names = f"{pair.first} and {pair.second}"
    if math.isnan(k.kappa):
        return [f"{names} gave every coupon the same result: mix good and bad coupons to see whether they agree."]
    coupons = round(k.coupons)
    said = [
        f"{names} agree on {percent(k.agreement)} of {count(coupons, 'coupon')}; beyond chance: kappa {_kappa(k)}, "
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
    said = [
        f"A single score repeats to about ±{2 * found.scores.repeat_sd:.1f} points; of what differs between scores, "
        f"{percent(max(one, 0))} is the coupons (once each person's habit is taken out)."
    ]
    for row in found.lean[found.lean["verdict"] != "like the others"].itertuples():
        said.append(
            f"{row.person} scores {abs(float(str(row.lean))):.1f} points {row.verdict}er than the mean: the fit takes "
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
            text += f" Beyond chance: kappa {_kappa(found.kappa)}."
        if found.coupons < FEW:
            text += f" {found.coupons} say little; 30 with about a third bad say more."
        said.append(text)
    if found.hand_coupons > 1:
        said.append(
            f"{found.person} felt {count(found.hand_coupons, 'coupon')} twice: a score repeats to about "
            f"±{2 * found.hand_sd:.1f} points."
        )
        if found.hand_low > 0 or found.hand_high < 0:
            word = "softer" if found.hand_shift > 0 else "stiffer"
            said.append(
                f"The second time {found.person} scored {abs(found.hand_shift):.1f} points {word}: the scale has "
                "moved. Feel the two kept reference coupons (5 soft, 1 stiff) before every session."
            )
        elif 2 * found.hand_sd > 2 * HAND_STEP:
            said.append(
                f"That is more than a whole point: let {found.person} feel the reference coupons first, and use the "
                "mean of two people."
            )
    return tuple(said)


LEFT_OUT = "Notes, symptoms, measured settings and voids were left out: a further look holds checks and hand-feel."


def not_known(
    *, has_passes: bool, hand_people: int, hand_common: int, is_hand_open: bool, has_repeats: bool, can_look: bool
) -> tuple[str, ...]:
    """What is not known of how far people agree, and how to find out.

    Parameters
    ----------
    has_passes : bool
        Whether enough coupons were judged a second time.
    hand_people, hand_common : int
        People who scored hand-feel, and coupons they have in common.
    is_hand_open : bool
        Whether those are too few where hand-feel is wanted.
    has_repeats : bool
        Whether anybody looked again at coupons of his own.
    can_look : bool
        Whether there are coupons to look at again.
    """
    said = []
    if not has_passes:
        said.append(
            "Pass and fail: nobody has judged enough coupons a second time, so nobody knows whether another pair of "
            "eyes, or the same one tomorrow, would say the same."
        )
    if is_hand_open:
        said.append(
            f"Hand-feel: {count(hand_people, 'person has', 'people have')} scored it, "
            f"{count(hand_common, 'coupon')} in common; two people on ten coupons would tell how far they agree."
        )
    if not has_repeats:
        said.append(
            "Nobody looked again, blind, at coupons of his own: whether the same person would say the same tomorrow is "
            "not known."
        )
    if can_look and said:
        said.append("Look again blind: somebody else hands over the coupons, without settings and first scores.")
    return tuple(said)
