"""The reasons behind an answer in their order, a part for each number: for a terminal and for a report."""

from __future__ import annotations

from dataclasses import dataclass

from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.setpoint.why import Why
from doe.words.study import why as words

DOUBT = "Doubt is the spread of what is still possible, against that before any coupon."


@dataclass(frozen=True)
class WhyPart:
    """Reasons for one number: sentences, and a table where ``heads`` is not empty.

    ``texts`` are the heads of its columns that hold words, the others hold numbers; ``note`` is what must be known to
    read it.
    """

    title: str
    lines: tuple[str, ...] = ()
    heads: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    texts: tuple[str, ...] = ()
    note: str = ""


def why_parts(study: Study, why: Why, shown: Shown = METRIC, *, coupons: int = words.SHOWN) -> tuple[WhyPart, ...]:
    """Every part that has something to say; ``coupons`` how many are in the table of those that carry the numbers."""
    parts = (
        WhyPart(
            "Why this setting",
            words.setting_sentences(study, why, shown),
            words.OTHER_HEADS,
            tuple(words.other_rows(why)),
            ("setting",),
        ),
        WhyPart(
            "What these numbers rest on",
            (*words.rests_on(study, why), DOUBT),
        ),
        WhyPart(
            "Which coupons carry them",
            words.coupon_sentences(why),
            words.COUPON_HEADS,
            tuple(words.coupon_rows(why, coupons)),
            ("coupon", "result", "called"),
            "Good prints of 100 at this setting, expected and lower bound; without: had the coupon not been made; "
            f"turned: had it ended the other way. draws: how many of the {why.draws} draws of the fit the numbers are "
            "worth. For these nothing is fitted again; a refit may prefer another setting.",
        ),
        WhyPart("Whether any setting reaches the target", words.reach_sentences(study, why)),
        WhyPart(
            "The ends of the expected window",
            (),
            words.END_HEADS,
            tuple(words.end_rows(study, why, shown)),
            words.END_HEADS,
        ),
        WhyPart(
            "The cliffs",
            (),
            words.CLIFF_HEADS,
            tuple(words.cliff_rows(study, why, shown)),
            ("factor", "cliff", "nearest beyond"),
        ),
        WhyPart("Hand-feel", words.hand_sentences(why)),
        WhyPart("What would change them", words.one_more_sentences(why)),
        WhyPart("What the assumptions do", (*words.prior_sentences(why), *words.model_sentences(why))),
    )
    return tuple(part for part in parts if part.lines or part.rows)


def rough_note(parts: tuple[WhyPart, ...]) -> tuple[str, ...]:
    """What the mark of a rough number means, where one stands."""
    said = [text for part in parts for text in (*part.lines, *(cell for row in part.rows for cell in row))]
    return ("~ marks numbers that rest on few draws: take them as rough.",) if any("~" in text for text in said) else ()
