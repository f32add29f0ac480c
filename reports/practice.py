"""The page at the end of an exercise: score, truth, and a picture of it. One self-contained HTML file."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.assure.days import Glances
from doe.domain.factors import Factor
from doe.domain.units import METRIC, Shown, fixed, rounded
from doe.practice.charts import RunChart
from doe.practice.drill import BarPicture, DrillResult, MapPicture, RunPicture
from doe.symptoms.catalogue import symptom
from doe.words import practice as words
from doe.words.practice import of_hundred
from doe.words.wording import count, out_of_hundred, percent
from reports.drawing.palette import ACCENT, INK, PAPER, SOFT
from reports.drawing.plot import Along, Plot
from reports.drawing.symptoms import symptom_svg
from reports.recipe.days import glance_chart, score_chart
from reports.sheet.page import Pair
from reports.study.figures import Dots, MapGrid, Marks, draw_map
from reports.study.pictures import MARK_WORDS
from reports.views import Column, Drawn, PageTable, Picture, SeenOften

_LEVELS = (50, 70, 85, 95)
"""Of 100 prints: lines of a map, the last one what is wanted."""
_GRID = 33
ENOUGH = 0.95
"""Pass rate from which a map shows the true window."""
_PLANES = (("press_temp", "dwell"), ("cure_temp", "cure_time"))


@dataclass(frozen=True)
class PracticePage:
    """What the page of an exercise shows.

    ``page_title`` of the window; ``title`` of the exercise; ``headline`` the score; ``facts`` who, when and what was
    spent; ``truth`` sentences; ``score_pairs`` what the points are made of; ``settings`` one table or none;
    ``pictures``; ``seen`` what the failed coupons showed, the commonest first.
    """

    page_title: str
    title: str
    headline: str
    facts: tuple[str, ...]
    truth: tuple[str, ...]
    score_pairs: tuple[Pair, ...]
    settings: tuple[PageTable, ...]
    pictures: tuple[Picture, ...]
    seen: tuple[SeenOften, ...]


def practice_page(outcome: DrillResult, *, who: str, day: str, shown: Shown = METRIC) -> PracticePage:
    """View-model of a finished exercise: who did it, when (in words), in which units."""
    title = words.TITLES[outcome.exercise]
    spent = [count(outcome.coupons, "coupon")] if outcome.coupons else []
    spent += [count(int(rounded(outcome.minutes)), "minute")] if outcome.minutes else []
    spent += [count(outcome.hints, "hint")]
    settings: tuple[PageTable, ...] = ()
    if outcome.compared:
        head, *rows = words.table(outcome, shown)
        columns = tuple(Column(text, i > 0) for i, text in enumerate(head))
        settings = (PageTable("Settings of this exercise", columns, tuple(rows)),)
    return PracticePage(
        page_title=f"{title}: {outcome.score} of 100",
        title=title,
        headline=words.score(outcome),
        facts=(
            f"{who}, {day}. Exercise {outcome.exercise}, seed {outcome.seed}.",
            f"Spent: {', '.join(spent)}.",
            "An invented world: no machine, film, powder or fabric was measured for it.",
        ),
        truth=words.truth(outcome, shown),
        score_pairs=tuple(Pair(what, fixed(points, 0, "+")) for what, points in words.parts(outcome, shown)),
        settings=settings,
        pictures=pictures_of(outcome, shown),
        seen=seen_often(outcome),
    )


def seen_often(outcome: DrillResult) -> tuple[SeenOften, ...]:
    """What the failed coupons of an exercise showed, drawn and counted; nothing where none was made or none failed."""
    if not isinstance(outcome.picture, MapPicture) or outcome.picture.coupons.empty:
        return ()
    coupons = outcome.picture.coupons
    keys = coupons.loc[~coupons["passed"].eq(True), "symptom"].astype(str)
    counts = keys[keys != ""].value_counts()
    return tuple(
        SeenOften(Drawn(symptom(key).label, symptom_svg(key)), count(n, "coupon"))
        for key, n in sorted(((str(key), int(n)) for key, n in counts.items()), key=lambda each: (-each[1], each[0]))
    )


def pictures_of(outcome: DrillResult, shown: Shown) -> tuple[Picture, ...]:
    """Pictures of the truth: two maps of the line, or the chances of the causes."""
    if isinstance(outcome.picture, BarPicture):
        return (_bars(outcome.picture),)
    if isinstance(outcome.picture, RunPicture):
        return tuple(run_chart(chart, i, shown) for i, chart in enumerate(outcome.picture.charts, start=1))
    picture = outcome.picture
    if picture is None:
        return ()
    return tuple(_map(picture, x, y, shown) for x, y in _PLANES)


def run_chart(chart: RunChart, number: int, shown: Shown) -> Picture:
    """A run chart of an exercise as the book draws it."""
    title = f"Chart {number}"
    if chart.off:
        svg = glance_chart(Glances("press_temp", chart.off, chart.u, "", None), shown, name=f"chart-{number}")
        return Picture(
            svg, title, "What the gauge read less what the recipe rests on; dashed: the uncertainty; filled: beyond it."
        )
    ends = "first", "last"
    svg = score_chart(chart.rule, chart.failed, chart.score, title=title, ends=ends, name=f"chart-{number}")
    return Picture(
        svg,
        title,
        "Score of failed prints after each first article, a cross where some failed; dashed: from there on in doubt.",
    )


def map_finding(rates: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> str:
    """What a map of true pass rates shows, in words.

    >>> map_finding(np.array([[0.2, 0.44]])), map_finding(np.array([[0.2, 0.96]]))
    ('nowhere here do more than 44 of 100 prints pass', '95 of 100 prints or more pass in 50 % of this plane')
    """
    share = float((rates >= ENOUGH).mean())
    if share == 0:
        return f"nowhere here do more than {of_hundred(float(rates.max()))} prints pass"
    return f"{out_of_hundred(ENOUGH)} of 100 prints or more pass in {percent(share)} of this plane"


def _map(picture: MapPicture, x: str, y: str, shown: Shown) -> Picture:
    study = picture.line.study
    fx, fy = study.factor(x), study.factor(y)
    xs, ys = _span(fx), _span(fy)
    rates = picture.rates(x, y, xs, ys)
    title = f"{fx.label.capitalize()} and {fy.label}: {map_finding(rates)}"
    last = list(picture.marks)[-1]
    coupons = picture.coupons
    seen = _seen(coupons)
    marks = "; ".join(words for key, words in MARK_WORDS.items() if key in seen)
    caption = (
        "Lines: prints of 100 that pass in production. White: 95 or more; the darker, the fewer. The other two "
        f"settings are those of {last}. Ringed crosses: {', '.join(picture.marks)}."
        + (f" Coupons lie where they were set, whatever their other settings were; {marks}." if marks else "")
        + (" Thick on the axes: the window." if picture.window else "")
    )
    dots = None
    if not coupons.empty:
        across, up = (coupons[name].to_numpy(dtype=float) for name in (x, y))
        dots = Dots(across, up, seen, np.ones(len(coupons), dtype=bool))
    spots = {name: (float(at[x]), float(at[y])) for name, at in picture.marks.items()}
    svg = draw_map(
        MapGrid(Along(fx, shown), Along(fy, shown), xs, ys, 100 * rates, None, np.ones(rates.shape, dtype=bool)),
        levels=_LEVELS,
        target=_LEVELS[-1],
        setpoint=spots[last],
        windows=(picture.window or None,),
        dots=dots,
        beside=spots,
        name=f"map-{x}",
        title=title,
        description=caption,
    )
    return Picture(svg, title, caption)


def _span(f: Factor) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    make = np.geomspace if f.scale == "log" else np.linspace
    return make(f.low, f.high, _GRID)


def _seen(coupons: pd.DataFrame) -> Marks:
    """The mark of each coupon: passed, or the side on which it failed."""
    if coupons.empty:
        return np.array([], dtype=str)
    return np.where(coupons["passed"].eq(True), "pass", coupons["side"].astype(str)).astype(str)


def _bars(picture: BarPicture) -> Picture:
    title = f"It was: {picture.true}"
    caption = (
        "How likely the tool held each cause before any check (outlined) and after the checks you made (filled). The "
        "true cause is marked: it was."
    )
    each = 56  # CSS pixels of a cause: its words, two bars
    plot = Plot("bars", "effects", height=each * len(picture.causes))
    share = 1 / len(picture.causes)
    ticks = (0, 25, 50, 75, 100)
    for tick in ticks:
        plot.rule(tick / 100)
    plot.along_x([(tick / 100, (str(tick),)) for tick in ticks], "in 100 such cases")
    for i, (cause, before, after) in enumerate(zip(picture.causes, picture.before, picture.after, strict=True)):
        top = 1 - i * share
        is_it = cause == picture.true
        plot.text(
            0, top, f"it was: {cause}" if is_it else cause, dy=18, anchor="start", look="halo" + " strong" * is_it
        )
        plot.box(0, before, top - share * 0.62, top - share * 0.42, fill=PAPER, stroke=INK, stroke_width=1.2)
        plot.box(0, after, top - share * 0.86, top - share * 0.66, fill=ACCENT, stroke=ACCENT, stroke_width=1.2)
    plot.line([0, 0], [0, 1], stroke=SOFT, width=1)
    return Picture(plot.svg(title=title, description=caption), title, caption)
