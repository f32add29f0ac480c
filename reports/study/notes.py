"""Side notes of the study report for those who learn the trade. Plain words, one idea each."""

from __future__ import annotations

from doe.domain.glossary import explain
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.setpoint.answer import Answer
from doe.words.wording import prints, prints_at_least, spread_both, stated
from reports.views import Note


def notes_of(study: Study, answer: Answer, shown: Shown = METRIC) -> tuple[Note, ...]:
    """Explanations, with this study's own numbers where they help."""
    with_error = [f for f in study.numeric if f.setting_sd]
    example = (
        f"Here {with_error[0].label} is said to wander by "
        f"{spread_both(with_error[0], with_error[0].setting_sd, shown)} "
        "(one standard deviation): two times in three the real value is within that of the dial, one time in three it "
        "is not."
        if with_error
        else "In this study none was stated, so the pass rate is that of a perfect machine. Every machine wanders."
    )
    target = stated(study.spec.pass_rate)
    return (
        Note(
            "Why is the setpoint not simply the best coupon?",
            (explain("setpoint").text, explain("cliff").text),
        ),
        Note(
            "What is a setting error?",
            (explain("setting error").text, example),
        ),
        Note(
            "Expected window and assured window: what is the difference?",
            (explain("window").text, f"Here the target is {target} of prints."),
        ),
        Note(
            "What do the lower bound and the assurance mean?",
            (
                explain("lower bound").text,
                explain("assurance").text,
                f"Here we expect {prints(answer.pass_rate)}, and with {stated(study.spec.assurance)} assurance "
                f"{prints_at_least(answer.pass_rate_low)} or better.",
            ),
        ),
        Note(
            "How do I read the map?",
            (
                "Each point is a pair of settings. White is good; the darker, the fewer prints pass. Blue means that "
                "prints fail there for want of heat, brown that they get too much. The bold line is the target. Where "
                "there are hatches nothing was tested, and this report says nothing.",
            ),
        ),
        Note(
            "Too little or too much heat: how do I tell on a coupon?",
            (
                explain("under").text,
                explain("over").text,
                "Some symptoms point both ways. Measure the real temperature before you touch a setting; powder, "
                "moisture and a hasty peel can look like wrong heat.",
            ),
        ),
        Note(
            "Why do coupons that did not transfer have no hand-feel?",
            (
                explain("hand-feel").text,
                "Leaving them out at random would flatter the settings that fail. The hand-feel part therefore speaks "
                "only of prints that transferred.",
            ),
        ),
    )
