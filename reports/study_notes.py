"""Side notes of the study report for those who learn the trade. Plain words, one idea each."""

from __future__ import annotations

from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.setpoint import Answer
from reports.study_views import Note
from reports.wording import shirts, shirts_at_least, spread_both, stated


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
            (
                "One coupon that came out well may have been lucky, or may stand at the edge of a cliff. The setpoint "
                "is the place where prints keep passing when the machines are a few degrees or seconds off, so it lies "
                "away from the cliffs.",
            ),
        ),
        Note(
            "What is a setting error?",
            (
                "The display is not the cloth. Ovens and platens drift, a cold garment pulls the platen down, a dwell "
                "is started by a hand. How far the real value wanders around the dial is the setting error.",
                example,
            ),
        ),
        Note(
            "Expected window and assured window: what is the difference?",
            (
                f"The expected window is the box in which we expect {target} of prints to pass, as best we can tell "
                f"from "
                "these coupons. We may be wrong about it.",
                f"The assured window is a smaller box in which even a cautious reading of the coupons holds {target}. "
                f"With 20 "
                "to 28 coupons there is usually none. The two must never be mixed up: train and plan with the first, "
                "promise only the second.",
            ),
        ),
        Note(
            "What do the lower bound and the assurance mean?",
            (
                f"We expect {shirts(answer.pass_rate)}. The lower bound says: with {stated(study.spec.assurance)} "
                f"assurance it is {shirts_at_least(answer.pass_rate_low)} or better. Of ten such statements about ten "
                "stacks, one may be too good." if abs(study.spec.assurance - 0.9) < 1e-9 else
                f"We expect {shirts(answer.pass_rate)}. The lower bound says: with {stated(study.spec.assurance)} "
                f"assurance it is {shirts_at_least(answer.pass_rate_low)} or better.",
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
                "Too little: a grainy back, parts that stay on the film, edges that lift, colour that washes off. Too "
                "much: a film that will not let go, boiled ink or blisters, a glassy back, a stiff or yellowed print, "
                "dye that moves.",
                "Some symptoms point both ways. Measure the real temperature before you touch a setting; powder, "
                "moisture and a hasty peel can look like wrong heat.",
            ),
        ),
        Note(
            "Why do coupons that did not transfer have no hand-feel?",
            (
                "There is nothing to feel. They are not stiff and not soft, and leaving them out at random would "
                "flatter the settings that fail. The hand-feel part therefore speaks only of prints that transferred.",
            ),
        ),
    )  # fmt: skip
