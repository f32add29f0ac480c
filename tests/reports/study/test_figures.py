from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.domain.factors import Factor, usual_factor
from doe.domain.units import METRIC, Shown
from reports.drawing.svg import MARKS, axis_values, ticks_of
from reports.study.coupon_figures import EffectBars, draw_drift, draw_effects, draw_half_normal, draw_strip
from reports.study.prints_figure import draw_prints
from reports.study.surface_figures import Box, Curve, Dots, MapGrid, draw_map, draw_profile
from reports.study.surface_figures import _apart as apart

PRESS, DWELL = usual_factor("press_temp"), usual_factor("dwell")
X, Y = np.linspace(PRESS.low, PRESS.high, 21), np.linspace(DWELL.low, DWELL.high, 21)
GX, GY = np.meshgrid(X, Y)
HEAT = (GX - 155) / 8 + np.log(GY / 12.5) / 0.35
RATE = 1 / (1 + np.exp(-(4 - HEAT**2)))
ALL_MARKS = Dots(
    np.array([140.0, 140, 155, 155, 170]), np.array([8.0, 8, 13, 13, 20]), np.array(list(MARKS)), np.array([True] * 5)
)


def a_map(name: str = "map1", *, tested: np.ndarray | None = None, shown: Shown = METRIC, over: bool = True) -> str:
    grid = MapGrid(
        PRESS, DWELL, X, Y, RATE, HEAT if over else None, np.ones_like(RATE, bool) if tested is None else tested
    )
    return str(
        draw_map(
            grid,
            name=name,
            title="Finding",
            description="Words & more",
            levels=[0.5, 0.8, 0.95],
            target=0.95,
            as_percent=True,
            setpoint=(154, 13),
            window=Box((150, 158), (11, 15)),
            assured=Box((152, 156), (12, 14)),
            dots=ALL_MARKS,
            shown=shown,
        )
    )


def all_figures() -> dict[str, str]:
    curve = Curve(PRESS, X, RATE[10], RATE[10] - 0.1, RATE[10], ((147.0, "under"), (164.0, "over")))
    effect = np.array([1.2, -0.8, 0.1])
    marks = np.array(["pass", "under", "over", "pass"])
    return {
        "map": a_map(),
        "profile": str(
            draw_profile(
                curve,
                name="p",
                title="t",
                description="d",
                setpoint=154,
                target=0.95,
                window=(150, 158),
                as_percent=True,
            )
        ),
        "strip": str(
            draw_strip(PRESS, [140, 155, 170, 155], marks, name="s", title="t", description="d", setpoint=154)
        ),
        "levels": str(
            draw_strip(
                usual_factor("film_type"),
                ["hot", "cold", "hot", "hot"],
                marks,
                name="s",
                title="t",
                description="d",
                setpoint="hot",
            )
        ),
        "effects": str(
            draw_effects(
                EffectBars(("a", "b", "c"), effect, effect - 0.3, effect + 0.3),
                name="e",
                title="t",
                description="d",
                axis="points",
                margin=None,
            )
        ),
        "half": str(
            draw_half_normal(
                ["c", "b", "a"],
                np.array([0.1, 0.8, 1.2]),
                np.array([0.2, 0.7, 1.4]),
                name="h",
                title="t",
                description="d",
                margin=0.9,
                simultaneous=1.5,
                axis="points",
            )
        ),
        "drift": str(
            draw_drift(
                np.arange(1.0, 5),
                np.array([4, 3.5, np.nan, 4]),
                marks,
                marks == "pass",
                rounds=np.array([1.0, 1, 2, 2]),
                is_hand=True,
                name="d",
                title="t",
                description="d",
            )
        ),
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
    svg = draw_strip(odd, [150.0], np.array(["pass"]), name="s", title="<b>", description='"&', setpoint=150)
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
