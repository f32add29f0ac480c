"""The reasons behind every number of an answer, for `doe recommend --why`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from doe.cli.output import Block, Table, Warn

if TYPE_CHECKING:
    from doe.acts.fits import Recommended
    from doe.domain.units import Shown
    from doe.setpoint import Why


def why_blocks(found: Recommended, why: Why, shown: Shown) -> list[Block]:
    """Why this setting, what every number rests on, which coupons carry them, and what would change them."""
    from reports import why_words as words

    study = found.fitted.record.study
    coupon_words, other_words = ("coupon", "result", "called"), ("setting",)
    ends, cliffs, hand = (
        words.end_rows(study, why, shown),
        words.cliff_rows(study, why, shown),
        words.hand_sentences(why),
    )
    return [
        *(Warn(text) for text in words.differences(found.answer, why)),
        "\nWhy this setting:", *(f"  {text}" for text in words.setting_sentences(study, why, shown)),
        _numbers(words.OTHER_HEADS, words.other_rows(why), other_words),
        "\nWhat these numbers rest on:", *(f"  {text}" for text in words.rests_on(study, why)),
        "  Doubt is the spread of what is still possible, against that before any coupon.",
        "\nWhich coupons carry them:", *(f"  {text}" for text in words.coupon_sentences(why)),
        _numbers(words.COUPON_HEADS, words.coupon_rows(why), coupon_words),
        "\nGood shirts of 100 at this setting, expected and lower bound; without: had the coupon not been made; "
        f"turned: had it ended the other way. draws: how many of the {why.draws} draws of the fit the numbers are "
        "worth. Nothing is fitted again; a refit may prefer another setting.",
        "\nWhether any setting reaches the target:", *(f"  {text}" for text in words.reach_sentences(study, why)),
        *(("\nThe ends of the expected window:", Table(words.END_HEADS, ends)) if ends else ()),
        *(("\nThe cliffs:", Table(words.CLIFF_HEADS, cliffs, right=("beyond", "failed"))) if cliffs else ()),
        *(("\nHand-feel:", *(f"  {text}" for text in hand)) if hand else ()),
        "\nWhat would change them:", *(f"  {text}" for text in words.one_more_sentences(why)),
        "\nWhat the assumptions do:", *(f"  {text}" for text in words.prior_sentences(why)),
        "",
    ]  # fmt: skip


def _numbers(heads: tuple[str, ...], rows: list[tuple[str, ...]], words: tuple[str, ...]) -> Table:
    """A table whose columns are numbers but for some."""
    return Table(heads, rows, right=tuple(h for h in heads if h not in words))
