"""Titles of figures say the finding: each is held against what its figure draws."""

from __future__ import annotations

import re
from functools import cache

import numpy as np
import pytest
from markupsafe import Markup

from doe.words.typography import NO_BREAK
from reports.drawing.plot import RIM, SHAPES
from reports.study.page import study_page
from reports.study.rooms import reach_of
from reports.views import Picture, StudyPage
from tests.reports.study.samples import samples

CASES = ("ready", "more coupons", "not reachable", "no hand-feel", "two factors", "six factors", "forbidden")
WHITE = "var(--sheet)"


@cache
def page(case: str) -> StudyPage:
    return study_page(samples()[case])


def drawn(svg: Markup, shape: str) -> list[tuple[float, float]]:
    """Where a mark stands, as shares from the left and from below."""
    found = re.findall(r'<svg x="([\d.]+)%" y="([\d.]+)%"[^>]*>(.*?)</svg>', str(svg))
    return [(float(x) / 100, 1 - float(y) / 100) for x, y, inside in found if SHAPES[shape] in inside]


def filled(svg: Markup, colour: str, points: int = 400) -> float:
    """Share of the tested part of a map that lies in paths of a colour, counted point by point (even-odd)."""
    line = np.linspace(RIM, 1 - RIM, points + 1)
    at = (line[1:] + line[:-1]) / 2 * 1000
    across, down = np.meshgrid(at, at)
    hit = np.zeros_like(across, dtype=bool)
    for d in re.findall(rf'<path d="([^"]*)" fill="{re.escape(colour)}" fill-rule="evenodd"', str(svg)):
        inside = np.zeros_like(hit)
        for ring in d.split("Z")[:-1]:
            x, y = np.array([pair.split() for pair in ring.removeprefix("M").split("L")], dtype=float).T
            for x0, y0, x1, y1 in zip(x, y, np.roll(x, -1), np.roll(y, -1), strict=True):
                if y0 != y1:
                    crosses = ((y0 > down) != (y1 > down)) & (across < (x1 - x0) * (down - y0) / (y1 - y0) + x0)
                    inside ^= crosses
        hit |= inside
    return float(hit.mean())


@pytest.mark.parametrize("case", CASES)
def test_a_map_is_white_on_the_share_its_title_says(case):
    pictures = [p for p in page(case).map_pictures if "of this map" in p.title or "the best expected" in p.title]
    assert pictures
    for picture in pictures:
        share = re.search(r"expected on ([\d.]+) % of this map", picture.title)
        white = filled(picture.svg, WHITE)
        if share is None:
            assert white == 0
        elif samples()[case].study.forbidden == ():
            assert 100 * white == pytest.approx(float(share[1]), abs=2)  # the title counts points of a grid


@pytest.mark.parametrize("case", CASES)
def test_the_cliff_in_the_title_of_the_strips_is_the_nearest_one_drawn(case):
    report, rooms = samples()[case], page(case).rooms
    marks = [
        (abs(x - 0.5) * 2 * reach_of(report), strip.label)
        for strip in rooms.strips
        for side in ("under", "over")
        for x, _ in drawn(strip.svg, side)
    ]
    said = re.search(r"That is ([\d.]+) setting errors? away", rooms.title)
    if said is None:
        assert rooms.title.startswith("No cliff")
        assert marks == []
        return
    nearest, label = min(marks)
    assert nearest == pytest.approx(float(said[1]), abs=0.06)
    assert rooms.title.startswith(label)


@pytest.mark.parametrize("case", CASES)
def test_coupons_along_a_setting_are_as_many_as_its_title_counts(case):
    for picture in page(case).strip_pictures:
        counts = [(int(a), int(b)) for a, b in re.findall(r"(\d+) of (\d+) ", picture.title.replace(NO_BREAK, " "))]
        passed = len(drawn(picture.svg, "pass"))
        failed = sum(len(drawn(picture.svg, side)) for side in ("under", "over", "other", "unknown"))
        assert (passed, passed + failed) == tuple(np.sum(counts, axis=0))


def first_and_last(picture: Picture) -> tuple[float, float]:
    """Heights of the line through the repeats of the centre setting, in the units of its axis."""
    svg = str(picture.svg)
    line = re.search(r'<path d="M([^"]*)" fill="none" stroke="var\(--accent\)" stroke-width="1.8"', svg)
    assert line is not None
    heights = [1 - float(pair.split()[1]) / 1000 for pair in line[1].split("L")]
    ticks = re.findall(r'<text x="0%" y="([\d.]+)%" dx="-7"[^>]*>([\d.]+)</text>', svg)
    places, values = np.array([[1 - float(y) / 100, float(v)] for y, v in ticks]).T
    slope, start = np.polyfit(places, values, 1)
    return start + slope * heights[0], start + slope * heights[-1]


@pytest.mark.parametrize("case", ["ready", "more coupons", "six factors"])
def test_drift_is_said_as_the_line_runs(case):
    (picture,) = page(case).run_pictures
    said = re.search(r"hand-feel ([\d.]+) first, ([\d.]+) last, (no step|a change of ([\d.]+))", picture.title)
    assert said is not None
    first, last = first_and_last(picture)
    assert (first, last) == (pytest.approx(float(said[1]), abs=0.06), pytest.approx(float(said[2]), abs=0.06))
    assert (abs(last - first) < 0.5 - 1e-3) == (said[3] == "no step")


@pytest.mark.parametrize("case", CASES)
def test_the_hundred_prints_are_drawn_as_their_title_counts_them(case):
    picture = page(case).prints
    said = re.fullmatch(r"(\d+) of 100 prints expected, at least (\d+)", picture.title)
    assert said is not None
    sure, likely = (str(picture.svg).count(f'href="#prints-{kind}"') for kind in ("sure", "likely"))
    assert (sure + likely, sure) == (int(said[1]), int(said[2]))


@pytest.mark.parametrize("case", CASES)
def test_room_in_words_stands_over_its_brackets(case):
    report = samples()[case]
    for f, strip in zip(report.study.numeric, page(case).rooms.strips, strict=True):
        caps = re.search(r'<path d="([^"]*)"[^>]*class="caps"', str(strip.svg))
        said = re.fullmatch(r"alone ([\d.]+) to ([\d.]+) \S+", strip.room)
        if caps is None or said is None:
            assert caps is None or not strip.room or "only" in strip.room
            continue
        here, error, reach = float(report.answer.setpoint[f.name]), f.setting_sd, reach_of(report)
        places = sorted({float(x) / 1000 for x in re.findall(r"L([\d.]+) -150", caps[1])})
        ends = [report.shown.value(here + (place - 0.5) * 2 * reach * error, f.unit) for place in places]
        wanted = [float(said[1]), float(said[2])]
        for end in ends:  # rounded inward to a step of the machine; an end beyond the strip has no bracket
            assert min(abs(end - w) for w in wanted) <= report.shown.delta(f.step or 1.0, f.unit) + 0.05
