"""The page at the end of an exercise: score, truth, and a picture of it. One self-contained HTML file."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from doe.domain.factors import Factor
from doe.domain.units import METRIC, Shown
from doe.practice.drill import BarPicture, DrillResult, MapPicture
from doe.symptoms.catalogue import symptom
from doe.words import practice as words
from doe.words.practice import of_hundred
from doe.words.wording import count, out_of_hundred, percent
from reports.drawing.palette import ACCENT, INK, MARKS, PAPER, RULE, SOFT
from reports.drawing.svg import axis_values, canvas, dress_axis, to_svg
from reports.drawing.symptoms import symptom_svg
from reports.sheet.page import Pair
from reports.views import Column, Drawn, PageTable, Picture, SeenOften

_BANDS = ("#cfc8b8", "#dfdacd", "#ebe7dd", "#f5f3ee", PAPER)
_LEVELS = (0.0, 0.5, 0.7, 0.85, 0.95, 1.001)
_GRID = 33
ENOUGH = 0.95
"""Pass rate from which a map shows the true window."""
# Told apart by shape; colour only helps. By the order in which settings are named.
_SPOTS = (("o", ACCENT), ("D", "#a8420f"), ("*", INK))
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
    spent += [count(round(outcome.minutes), "minute")] if outcome.minutes else []
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
        score_pairs=tuple(Pair(what, f"{points:+.0f}") for what, points in words.parts(outcome, shown)),
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
    picture = outcome.picture
    return tuple(_map(picture, x, y, shown) for x, y in _PLANES)


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
    named = ", ".join(picture.marks)
    caption = (
        "White: 95 of 100 prints or more pass in production; the darker, the fewer. The other two settings are those "
        f"of {list(picture.marks)[-1]}. Marked: {named}. Coupons lie where they were set, whatever their other "
        "settings were."
    )
    with canvas(5.4, 4.9) as (figure, ax):
        dress_axis(ax, "x", fx, (fx.low, fx.high), shown=shown)
        dress_axis(ax, "y", fy, (fy.low, fy.high), shown=shown, most=6)
        plotted = axis_values(fx, xs, shown), axis_values(fy, ys, shown)
        ax.contourf(*plotted, rates, levels=_LEVELS, colors=_BANDS)
        if rates.min() < 0.95 < rates.max():
            lines = ax.contour(*plotted, rates, levels=[0.95], colors=[INK], linewidths=2)
            ax.clabel(lines, fmt={0.95: "95 of 100"}, fontsize=9)
        _window(ax, picture, fx, fy, shown)
        _coupons(ax, picture.coupons, fx, fy, shown)
        for (name, settings), (marker, colour) in zip(picture.marks.items(), _SPOTS, strict=False):
            spot = [float(axis_values(f, np.array([settings[f.name]]), shown)[0]) for f in (fx, fy)]
            ax.plot(
                *spot,
                marker=marker,
                ms=13,
                mfc=colour,
                mec=PAPER,
                mew=1.5,
                ls="none",
                label=name,
                zorder=9,
                clip_on=False,
            )
        figure.legend(loc="outside lower left", ncols=4, handletextpad=0.3, columnspacing=1.0)
        svg = to_svg(figure, name=f"map-{x}", title=title, description=caption)
    return Picture(svg, title, caption)


def _span(f: Factor) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    make = np.geomspace if f.scale == "log" else np.linspace
    return make(f.low, f.high, _GRID)


def _window(ax: Axes, picture: MapPicture, fx: Factor, fy: Factor, shown: Shown) -> None:
    if fx.name not in picture.window or fy.name not in picture.window:
        return
    (x0, x1), (y0, y1) = (axis_values(f, np.array(picture.window[f.name]), shown) for f in (fx, fy))
    ax.add_patch(Rectangle((x0, y0), x1 - x0, y1 - y0, fill=False, ec=ACCENT, lw=2.2, label="the window", zorder=7))


def _coupons(ax: Axes, coupons: pd.DataFrame, fx: Factor, fy: Factor, shown: Shown) -> None:
    if coupons.empty:
        return
    kind = np.where(coupons["passed"].eq(True), "pass", coupons["side"].astype(str))
    for mark, (marker, face, label) in MARKS.items():
        rows = coupons[kind == mark]
        if len(rows):
            ax.plot(
                axis_values(fx, rows[fx.name].to_numpy(dtype=float), shown),
                axis_values(fy, rows[fy.name].to_numpy(dtype=float), shown),
                marker=marker,
                ms=6,
                mfc=face,
                mec=INK,
                mew=0.9,
                ls="none",
                label=label,
                zorder=8,
                clip_on=False,
            )


def _bars(picture: BarPicture) -> Picture:
    title = f"It was: {picture.true}"
    caption = (
        "How likely the tool held each cause before any check (outlined) and after the checks you made (filled). The "
        "true cause is marked: it was."
    )
    labels = [f"it was: {c}" if c == picture.true else c for c in picture.causes]
    place = np.arange(len(labels))[::-1]
    with canvas(6.6, 0.55 * len(labels) + 1.2) as (figure, ax):
        ax.barh(place + 0.2, picture.before, height=0.34, color=PAPER, edgecolor=INK, label="before any check")
        ax.barh(place - 0.2, picture.after, height=0.34, color=ACCENT, edgecolor=ACCENT, label="after your checks")
        ax.set_yticks(place, labels)
        ax.set_xlim(0, 1)
        ax.set_xticks([0, 0.25, 0.5, 0.75, 1], ["0", "25", "50", "75", "100"])
        ax.set_xlabel("in 100 such cases")
        ax.grid(axis="x", color=RULE, lw=0.6)
        ax.set_axisbelow(True)
        ax.tick_params(axis="y", length=0, labelcolor=INK)
        ax.spines["left"].set_color(SOFT)
        figure.legend(loc="outside lower left", ncols=2)
        svg = to_svg(figure, name="bars", title=title, description=caption)
    return Picture(Markup(svg), title, caption)
