"""Agreement between people in words: what is not known of it, and what a further look leaves out."""

from __future__ import annotations

from doe.words.wording import count

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
