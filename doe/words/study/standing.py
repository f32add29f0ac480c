"""What is known of a study, in words: headline, what it means, and the style of its frame."""

from __future__ import annotations

from doe.domain.standing import StudyStanding
from doe.domain.units import METRIC, Shown
from doe.words.facts import Reader, texts_of, worded

FRAMES = texts_of("standing", "frames")
"""State to style of its frame."""


def headline(standing: StudyStanding, shown: Shown = METRIC) -> str:
    """What is known, in a few words; the same on every screen.

    >>> from doe.domain.finding import Finding
    >>> said = Finding("confirmed below", {"claim": 0.9, "assurance": 0.8, "wanted": 0.95})
    >>> headline(StudyStanding("confirmed", said, ()))
    'Confirmed: 90 % of prints; wanted were 95 %'
    """
    return worded(standing.said, texts_of("standing", "headlines"), Reader(shown))


def meaning(standing: StudyStanding, shown: Shown = METRIC) -> str:
    """What the headline means, in a sentence or two; of what is confirmed too, that the map was not trusted."""
    told, reader = worded(standing.said, texts_of("standing", "leads"), Reader(shown)), Reader(shown)
    if standing.state == "confirmed" and standing.said.values.get("names"):
        return (
            f"{told} {worded(standing.said, {standing.said.code: texts_of('confirmation')['map_distrusted']}, reader)}"
        )
    return told


def frame(standing: StudyStanding) -> str:
    """Style of the frame around it."""
    return FRAMES[standing.state]
