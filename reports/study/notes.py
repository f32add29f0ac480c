"""Side notes of the study report for those who learn the trade. Plain words, one idea each."""

from __future__ import annotations

from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.setpoint.answer import Answer
from doe.words.glossary import GLOSSARY
from doe.words.wording import prints, prints_at_least, spread_both, stated
from reports.pages import template_source
from reports.views import Note


def notes_of(study: Study, answer: Answer, shown: Shown = METRIC) -> tuple[Note, ...]:
    """Explanations of ``notes.txt``, with words of the glossary and this study's own numbers where they help."""
    wander = next((f for f in study.numeric if f.setting_sd), None)
    example = "In this study none was stated, so the pass rate is that of a perfect machine. Every machine wanders."
    if wander is not None:
        example = (
            f"Here {wander.label} is said to wander by {spread_both(wander, wander.setting_sd, shown)} (one standard "
            "deviation): two times in three the real value is within that of the dial, one time in three it is not."
        )
    values = {word.name: word.text for word in GLOSSARY} | {
        "example": example,
        "target": stated(study.spec.pass_rate),
        "expected": prints(answer.pass_rate),
        "sure": stated(study.spec.assurance),
        "least": prints_at_least(answer.pass_rate_low),
    }
    text = template_source("notes.txt")
    assert text is not None
    parts = (part.splitlines() for part in text.split("# ")[1:])
    return tuple(Note(head, tuple(line.format_map(values) for line in lines if line)) for head, *lines in parts)
