"""The run chart of first articles against a recipe: failures by the rule's score, and what gauges read."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from doe.assure.days import DayRule, Days, Glances
from doe.domain.units import METRIC, SYMBOLS, Shown, fixed
from doe.words.facts import Reader, filled, texts_of
from doe.words.recipe.days import machine_of
from doe.words.wording import day
from reports.drawing.palette import ACCENT
from reports.drawing.plot import Plot

MOST_SHOWN = 30
_SAID = texts_of("days", "said")


def day_charts(days: Days, shown: Shown = METRIC) -> tuple[Markup, ...]:
    """The score of failures, and a chart a machine of its surface against the recipe; none without articles."""
    return (*([_score_chart(days)] if days.score else []), *(glance_chart(g, shown) for g in days.glances))


def _score_chart(days: Days) -> Markup:
    articles, score = days.counted[-MOST_SHOWN:], days.score[-MOST_SHOWN:]
    title = filled(_SAID["chart_title"], recipe=days.kept.recipe.name)
    ends = day(articles[0].at), day(articles[-1].at)
    return score_chart(days.rule, [a.given.failed for a in articles], score, title=title, ends=ends)


def score_chart(
    rule: DayRule, failed: Sequence[int], score: Sequence[int], *, title: str, ends: tuple[str, str], name: str = "days"
) -> Markup:
    """Score after each first article, with how many of its prints failed; ``ends`` stand below the first and last."""
    top = max(rule.limit * 1.25, *score)
    x, y = _places(len(score)), [s / top for s in score]
    plot = Plot(name, "run")
    plot.frame()
    plot.level(rule.limit / top, _SAID["limit"])
    plot.line(x, y, stroke=ACCENT)
    for place, height, lost in zip(x, y, failed, strict=True):
        plot.mark(place, height, "unknown" if lost else "pass")
    plot.along_x([(x[0], (ends[0],)), *([(x[-1], (ends[1],))] if len(x) > 1 else [])])
    plot.along_y([(0, ("0",)), (rule.limit / top, (str(rule.limit),))], _SAID["score_axis"])
    return plot.svg(title=title, description=filled(_SAID["chart"], score=score[-1], limit=rule.limit))


def glance_chart(found: Glances, shown: Shown, name: str = "") -> Markup:
    """Surface of a machine beside the recipe's, a glance each."""
    off = found.off[-MOST_SHOWN:]
    top = 1.25 * max(2 * found.u, *map(abs, off))
    x, y = _places(len(off)), [0.5 + each / (2 * top) for each in off]
    plot = Plot(name or f"surface-{found.factor}", "run")
    plot.frame()
    for end in (-found.u, found.u):
        plot.level(0.5 + end / (2 * top))
    plot.line(x, y, stroke=ACCENT)
    for place, height, each in zip(x, y, off, strict=True):
        plot.mark(place, height, "full" if abs(each) > found.u else "open")
    ticks = [
        (0.5 + end / (2 * top), (fixed(shown.delta(end, "degC"), 1, "+") if end else "0",))
        for end in (-found.u, 0, found.u)
    ]
    plot.along_y(ticks, filled(_SAID["off_axis"], unit=SYMBOLS[shown.temperature]))
    plot.along_x([], _SAID["articles_axis"])
    title = filled(_SAID["glance_chart_title"], machine=machine_of(found.factor))
    return plot.svg(title=title, description=filled(_SAID["glance_chart"], Reader(shown), u=found.u))


def _places(count: int) -> list[float]:
    return [0.04 + 0.92 * i / max(count - 1, 1) for i in range(count)]
