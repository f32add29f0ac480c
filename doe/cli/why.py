"""The reasons behind an answer, for `doe recommend --why`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from doe.cli.output import Block, Table, Warn

if TYPE_CHECKING:
    from doe.acts.fits import Recommended
    from doe.setpoint import Why


def why_blocks(found: Recommended, why: Why) -> list[Block]:
    """What the numbers rest on, which coupons carry them, what would change them, what the priors do."""
    from reports import why_words as words

    study, heads = found.fitted.record.study, words.COUPON_HEADS
    words_only = ("coupon", "result", "called")
    return [
        *(Warn(text) for text in words.differences(found.answer, why)),
        "\nWhat these numbers rest on:", *(f"  {text}" for text in words.rests_on(study, why)),
        "  Doubt is the spread of what is still possible, against that before any coupon.",
        "\nWhich coupons carry them:", *(f"  {text}" for text in words.coupon_sentences(why)),
        Table(heads, words.coupon_rows(why), right=tuple(h for h in heads if h not in words_only)),
        "\nGood shirts of 100 at this setting, expected and lower bound; without: had the coupon not been made; "
        f"turned: had it ended the other way. draws: how many of the {why.draws} draws of the fit the numbers are "
        "worth. Nothing is fitted again; a refit may prefer another setting.",
        "\nWhat would change them:", *(f"  {text}" for text in words.one_more_sentences(why)),
        "\nWhat the assumptions do:", *(f"  {text}" for text in words.prior_sentences(why)),
        "",
    ]  # fmt: skip
