from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.axes import Axes

from doe.domain.factors import Factor, usual_factor
from doe.domain.units import METRIC, Shown
from doe.setpoint.answer import Window
from reports.drawing.svg import MARKS, axis_values, ticks_of
from reports.study.figures import (
    Along,
    Curve,
    Dots,
    MapGrid,
    draw_drift,
    draw_effects,
    draw_half_normal,
    draw_map,
    draw_prints,
    draw_profile,
    draw_strip,
    drawn,
)
from reports.study.figures import _apart as apart

PRESS, DWELL = usual_factor("press_temp"), usual_factor("dwell")
X, Y = np.linspace(PRESS.low, PRESS.high, 21), np.linspace(DWELL.low, DWELL.high, 21)
GX, GY = np.meshgrid(X, Y)
HEAT = (GX - 155) / 8 + np.log(GY / 12.5) / 0.35
RATE = 1 / (1 + np.exp(-(4 - HEAT**2)))
ALL_MARKS = Dots(
    np.array([140.0, 140, 155, 155, 170]), np.array([8.0, 8, 13, 13, 20]), np.array(list(MARKS)), np.array([True] * 5)
)


def a_window(kind: str, press: tuple[float, float], dwell: tuple[float, float]) -> Window:
    bounds = pd.DataFrame([press, dwell], index=["press_temp", "dwell"], columns=["low", "high"])
    return Window(bounds, kind, 0.95, 1.0)  # type: ignore[arg-type]


WINDOWS = a_window("expected", (150, 158), (11, 15)), a_window("assured", (152, 156), (12, 14))


def svg_of(paint: Callable[[Axes], None], name: str = "s", title: str = "t", description: str = "d") -> str:
    return str(drawn((4, 3), paint, name=name, title=title, description=description).svg)


def a_map(name: str = "map1", *, tested: np.ndarray | None = None, shown: Shown = METRIC) -> str:
    grid = MapGrid(
        Along(PRESS, shown),
        Along(DWELL, shown),
        X,
        Y,
        RATE,
        HEAT,
        np.ones_like(RATE, bool) if tested is None else tested,
    )
    return svg_of(
        lambda ax: draw_map(
            ax, grid, levels=[0.5, 0.8, 0.95], target=0.95, setpoint=(154, 13), windows=WINDOWS, dots=ALL_MARKS
        ),
        name,
        "Finding",
        "Words & more",
    )


def all_figures() -> dict[str, str]:
    curve = Curve(X, RATE[10], RATE[10] - 0.1, RATE[10], ((147.0, "under"), (164.0, "over")))
    effect = np.array([1.2, -0.8, 0.1])
    bars = pd.DataFrame({"term": ["a", "b", "c"], "effect": effect, "low": effect - 0.3, "high": effect + 0.3})
    marks = np.array(["pass", "under", "over", "pass"])
    film = usual_factor("film_type")
    points = pd.DataFrame({"term": ["c", "b", "a"], "size": [0.1, 0.8, 1.2], "quantile": [0.2, 0.7, 1.4]})
    hand, rounds = np.array([4, 3.5, np.nan, 4]), np.array([1.0, 1, 2, 2])
    return {
        "map": a_map(),
        "profile": svg_of(
            lambda ax: draw_profile(ax, Along(PRESS), curve, setpoint=154, target=0.95, window=(150, 158)), "p"
        ),
        "strip": svg_of(lambda ax: draw_strip(ax, Along(PRESS), [140, 155, 170, 155], marks, setpoint=154)),
        "levels": svg_of(
            lambda ax: draw_strip(ax, Along(film), ["hot", "cold", "hot", "hot"], marks, setpoint="hot"), "l"
        ),
        "effects": svg_of(lambda ax: draw_effects(ax, bars, "points"), "e"),
        "half": svg_of(lambda ax: draw_half_normal(ax, points, margin=0.9, simultaneous=1.5, axis="points"), "h"),
        "drift": svg_of(lambda ax: draw_drift(ax, hand, marks, marks == "pass", rounds, is_hand=True), "d"),
        "prints": str(draw_prints(0.957, 0.89, name="x", title="t", description="d")),
    }


@pytest.fixture(scope="module")
def figures() -> dict[str, str]:
    return all_figures()


def test_every_figure_is_well_formed_and_has_a_text_alternative(figures):
    for name, svg in figures.items():
        root = ET.fromstring(svg)
        assert root.get("role") == "img", name
        title, desc = root.get("aria-labelledby").split()  # type: ignore[union-attr]
        texts = {e.get("id"): e.text for e in root.iter() if e.tag.endswith(("title", "desc"))}
        assert texts[title]
        assert texts[desc]


def test_ids_are_unique_even_when_two_figures_share_a_page():
    ids = re.findall(r'\bid="([^"]*)"', a_map("map1") + a_map("map2"))
    assert len(ids) == len(set(ids)) > 10


def test_every_reference_inside_a_figure_finds_its_target(figures):
    for name, svg in figures.items():
        ids = set(re.findall(r'\bid="([^"]*)"', svg))
        used = set(re.findall(r'href="#([^"]*)"', svg)) | set(re.findall(r"url\(#([^)]*)\)", svg))
        assert used <= ids, name


def test_figures_ask_for_nothing_from_outside(figures):
    for name, svg in figures.items():
        without_names = re.sub(r'xmlns(:xlink)?="[^"]*"', "", svg)
        assert "http" not in without_names, name
        assert "@font-face" not in svg
        assert "@import" not in svg


def test_text_stays_text_and_files_stay_small(figures):
    for name, svg in figures.items():
        assert len(svg) < 120_000, name
        if name != "prints":
            assert "<text" in svg, name
            assert "Liberation Sans, sans-serif" in svg, name


def test_the_same_figure_gives_the_same_file():
    assert a_map() == a_map()


def test_words_from_outside_are_escaped():
    odd = Factor("odd", "degC", 140, 170, label="<script>alert(1)</script>")
    svg = svg_of(
        lambda ax: draw_strip(ax, Along(odd), [150.0], np.array(["pass"]), setpoint=150), title="<b>", description='"&'
    )
    assert "<script>" not in svg
    assert "<b>" not in svg
    ET.fromstring(svg)


def test_marks_differ_in_shape_and_not_in_colour_alone():
    shapes = [marker for marker, _, _ in MARKS.values()]
    assert len(set(shapes)) == len(shapes) == 5


def test_every_mark_on_a_map_is_named_in_its_legend():
    svg = a_map()
    for _, _, words in MARKS.values():
        assert words in svg
    for words in ("expected window", "assured window", "setpoint", "not tested", "setting error, 95 of 100"):
        assert words in svg


def test_both_temperature_units_stand_on_the_axis_the_readers_first():
    assert "press temperature, °C over °F" in a_map()
    assert "press temperature, °F over °C" in a_map(shown=Shown("degF"))


def test_a_forbidden_corner_is_hatched():
    tested = np.ones_like(RATE, dtype=bool)
    tested[15:, 15:] = False
    assert a_map(tested=tested).count("url(#map1-") > a_map().count("url(#map1-")


def test_lines_of_a_map_carry_their_share():
    svg = a_map()
    assert "95 %" in svg
    assert "50 %" in svg


@given(low=st.floats(0.2, 1), at_least=st.floats(0, 1))
@settings(max_examples=30, deadline=None)
def test_prints_count_as_they_say(low, at_least):
    svg = str(draw_prints(low, min(low, at_least), name="x", title="t", description="d"))
    kinds = [svg.count(f'href="#x-{kind}"') for kind in ("sure", "likely", "lost")]
    assert sum(kinds) == 100
    assert abs(kinds[0] + kinds[1] - 100 * low) <= 1
    assert kinds[0] <= 100 * min(low, at_least) + 1


@given(low=st.floats(5, 100), ratio=st.floats(1.3, 20))
@settings(max_examples=50, deadline=None)
def test_ticks_stay_inside_the_range_and_are_few(low, ratio):
    for scale in ("log", "linear"):
        f = Factor("t", "s", low, low * ratio, scale=scale)
        ticks = ticks_of(f, f.low, f.high)
        assert ((ticks >= f.low - 1e-6) & (ticks <= f.high + 1e-6)).all()
        assert len(ticks) <= 8


def test_axis_values_convert_temperature_and_pressure():
    assert axis_values(PRESS, np.array([150.0]), Shown("degF")) == pytest.approx([302.0])
    assert axis_values(usual_factor("pressure"), np.array([3.0]), Shown("degC", "psi")) == pytest.approx(
        [43.51], abs=0.01
    )


def test_coupons_of_one_place_are_drawn_apart():
    dx, dy = apart(np.array([150.0, 150, 150, 150, 160]), np.array([10.0, 10, 10, 10, 10]))
    spots = np.column_stack([dx, dy])[:4]
    gaps = np.linalg.norm(spots[:, None] - spots[None], axis=-1)[np.triu_indices(4, 1)]
    assert gaps.min() > 4  # points; a mark is 7.5 wide
    assert (dx[4], dy[4]) == (0, 0)
