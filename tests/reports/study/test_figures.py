from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.domain.factors import Factor, usual_factor
from doe.domain.units import METRIC, Shown
from doe.words.typography import NO_BREAK
from doe.words.wording import SIDE_WORDS
from reports.drawing.palette import ticks_of
from reports.drawing.plot import RIM, SHAPES, Along
from reports.study.figures import (
    Dots,
    MapGrid,
    OnDial,
    Strip,
    draw_effects,
    draw_half_normal,
    draw_map,
    draw_order,
    draw_prints,
    draw_room,
    draw_tried,
    strength,
)

PRESS, DWELL = usual_factor("press_temp"), usual_factor("dwell")
MARKS = ("pass", "under", "over", "other", "unknown")
X, Y = np.linspace(PRESS.low, PRESS.high, 21), np.linspace(DWELL.low, DWELL.high, 21)
GX, GY = np.meshgrid(X, Y)
HEAT = (GX - 155) / 8 + np.log(GY / 12.5) / 0.35
RATE = 1 / (1 + np.exp(-(4 - HEAT**2)))
ALL_MARKS = Dots(
    np.array([140.0, 140, 155, 155, 170]), np.array([8.0, 8, 13, 13, 20]), np.array(list(MARKS)), np.array([True] * 5)
)


WINDOWS = (
    {"press_temp": (150.0, 158.0), "dwell": (11.0, 15.0)},
    {"press_temp": (152.0, 156.0), "dwell": (12.0, 14.0)},
)


def a_map(
    name: str = "map1", *, tested: np.ndarray | None = None, shown: Shown = METRIC, dots: Dots = ALL_MARKS
) -> str:
    every = np.ones_like(RATE, bool) if tested is None else tested
    return str(
        draw_map(
            MapGrid(Along(PRESS, shown), Along(DWELL, shown), X, Y, RATE, HEAT, every),
            levels=[0.5, 0.8, 0.95],
            target=0.95,
            setpoint=(154, 13),
            windows=WINDOWS,
            dots=dots,
            name=name,
            title="Finding",
            description="Words & more",
        )
    )


def a_strip(**changes: object) -> Strip:
    told = {
        "factor": PRESS,
        "here": 154.0,
        "error": 3.0,
        "reach": 6,
        "values": X,
        "rates": RATE[10],
        "target": 0.95,
        "room": (148.0, 160.0),
        "window": (150.0, 158.0),
        "cliffs": ((147.0, "under"), (164.0, "over")),
        "dialled": OnDial(),
    }
    return Strip(**{**told, **changes})  # type: ignore[arg-type]


def a_room(strip: Strip, *, shown: Shown = METRIC, title: str = "t") -> str:
    return str(draw_room(strip, shown, name="room", title=title, description="d"))


def tried(x: Along, made: list[float | str], marks: list[str], setpoint: float | str, title: str = "t") -> str:
    return str(draw_tried(x, made, np.array(marks), setpoint=setpoint, name="s", title=title, description='"&'))


def all_figures() -> dict[str, str]:
    effect = np.array([1.2, -0.8, 0.1])
    bars = pd.DataFrame({"term": ["a", "b", "c"], "effect": effect, "low": effect - 0.3, "high": effect + 0.3})
    marks = ["pass", "under", "over", "pass"]
    points = pd.DataFrame({"term": ["c", "b", "a"], "size": [0.1, 0.8, 1.2], "quantile": [0.2, 0.7, 1.4]})
    hand, rounds = np.array([4, 3.5, np.nan, 4]), np.array([1.0, 1, 2, 2])
    told = {"title": "t", "description": "d"}
    centre = np.array(marks) == "pass"
    return {
        "map": a_map(),
        "room": a_room(a_strip()),
        "tried": tried(Along(PRESS), [140.0, 155.0, 170.0, 155.0], marks, 154.0),
        "levels": tried(Along(usual_factor("film_type")), ["hot", "cold", "hot", "hot"], marks, "hot"),
        "effects": str(draw_effects(bars, "points", name="e", **told)),
        "half": str(draw_half_normal(points, margin=0.9, simultaneous=1.5, axis="points", name="h", **told)),
        "order": str(draw_order(hand, np.array(marks), centre, rounds, is_hand=True, name="o", **told)),
        "prints": str(draw_prints(0.957, 0.89, name="x", **told)),
    }


@pytest.fixture(scope="module")
def figures() -> dict[str, str]:
    return all_figures()


def drawing_of(text: str) -> ET.Element:
    """The drawing of a figure, which may stand in a box."""
    root = ET.fromstring(text)
    return root if root.tag.endswith("svg") else root[0]


def texts_of(text: str) -> list[str]:
    return ["".join(e.itertext()).replace(NO_BREAK, " ") for e in ET.fromstring(text).iter() if e.tag.endswith("}text")]


def places_of(text: str, shape: str) -> list[tuple[float, float]]:
    """Where a mark stands, in percent from the left and from above."""
    found = re.findall(r'<svg x="([\d.]+)%" y="([\d.]+)%"[^>]*>(.*?)</svg>', text)
    return [(float(x), float(y)) for x, y, inside in found if SHAPES[shape] in inside]


def test_every_figure_is_well_formed_and_has_a_text_alternative(figures):
    for name, svg in figures.items():
        drawing = drawing_of(svg)
        assert drawing.get("role") == "img", name
        title, desc = drawing.get("aria-labelledby").split()  # type: ignore[union-attr]
        texts = {e.get("id"): e.text for e in drawing.iter() if e.tag.endswith(("title", "desc"))}
        assert texts[title]
        assert texts[desc]


def test_ids_are_unique_even_when_two_figures_share_a_page():
    tested = np.ones_like(RATE, dtype=bool)
    tested[15:, 15:] = False
    ids = re.findall(r'\bid="([^"]*)"', a_map("map1", tested=tested) + a_map("map2", tested=tested))
    assert len(ids) == len(set(ids)) >= 8


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


def test_text_stays_text_in_the_pages_own_type_and_files_stay_small(figures):
    for name, svg in figures.items():
        assert len(svg) < 60_000, name
        assert "font-family" not in svg
        if name != "prints":
            assert texts_of(svg), name


def test_the_same_figure_gives_the_same_file():
    assert a_map() == a_map()


def test_words_from_outside_are_escaped():
    odd = Factor("odd", "degC", 140, 170, label="<script>alert(1)</script>")
    svg = tried(Along(odd), [150.0], ["pass"], 150.0, title="<b>")
    assert "<script>" not in svg
    assert "<b>" not in svg
    ET.fromstring(svg)


def test_marks_differ_in_shape_and_not_in_colour_alone():
    shapes = {re.sub(r'(fill|stroke)="var[^"]*"', "", SHAPES[key]) for key in MARKS}
    assert len(shapes) == len(MARKS)


def test_every_result_has_its_own_mark_on_a_map_and_the_sides_are_in_words_on_it():
    svg = a_map()
    for key in MARKS:
        assert len(places_of(svg, key)) == 1, key
    for side in ("under", "over"):
        assert SIDE_WORDS[side] in texts_of(svg)


def test_side_words_stand_where_that_side_is_the_likelier():
    for side, sign in (("under", -1), ("over", 1)):
        found = re.search(rf'<text x="([\d.]+)%" y="([\d.]+)%"[^>]*side {side}"', a_map())
        assert found is not None
        x, y = float(found[1]) / 100, 1 - float(found[2]) / 100
        column, row = (int(np.abs(axis - at).argmin()) for axis, at in ((Along(PRESS)(X), x), (Along(DWELL)(Y), y)))
        assert np.sign(HEAT[row, column]) == sign


def test_coupons_stand_where_they_were_made_and_several_in_one_place_are_counted():
    x, y = Along(PRESS), Along(DWELL)
    dots = Dots(np.array([150.0, 150, 160]), np.array([10.0, 10, 12]), np.array(["pass"] * 3), np.array([True] * 3))
    svg = a_map(dots=dots)
    wanted = {(round(100 * x.at(a), 2), round(100 - 100 * y.at(b), 2)) for a, b in ((150, 10), (160, 12))}
    assert set(places_of(svg, "pass")) == wanted
    # every other number belongs to an axis or a line
    assert "2" in texts_of(svg)
    assert "3" not in texts_of(svg)


def test_a_failed_coupon_is_seen_in_the_circle_of_one_that_passed_there():
    dots = Dots(np.array([150.0, 150]), np.array([10.0, 10]), np.array(["under", "pass"]), np.array([True] * 2))
    svg = a_map(dots=dots)
    assert svg.index(SHAPES["pass"]) < svg.index(SHAPES["under"])
    assert f'scale(0.6)">{SHAPES["under"]}' in svg


def test_the_window_stands_as_thick_lines_on_both_axes():
    svg = a_map()
    ends = [tuple(1000 * Along(PRESS).at(v) for v in (window["press_temp"])) for window in WINDOWS]
    drawn = re.findall(r'<path d="M([\d.]+) 1000L([\d.]+) 1000"[^>]*class="window"', svg)
    assert [tuple(map(float, pair)) for pair in drawn] == [pytest.approx(e, abs=0.06) for e in ends]
    assert svg.count('class="window"') == 4


def test_both_temperature_units_stand_on_the_axis_the_readers_first_and_the_scale_is_named():
    assert "press temperature, °C over °F, even steps" in a_map()
    assert "press temperature, °F over °C, even steps" in a_map(shown=Shown("degF"))
    assert "press dwell, s, doubling takes equal room" in a_map()


def test_a_forbidden_corner_is_hatched():
    tested = np.ones_like(RATE, dtype=bool)
    tested[15:, 15:] = False
    assert a_map(tested=tested).count("url(#map1-") > a_map().count("url(#map1-")


def test_lines_of_a_map_carry_their_share():
    assert {"95 %", "50 %"} <= set(texts_of(a_map()))


def test_a_strip_has_the_setpoint_in_its_middle_and_counts_in_setting_errors():
    strip = a_strip()
    assert strip.place(154) == 0.5
    assert strip.place(154 + 6 * 3) == 1
    assert strip.place(154 - 3 * 3) == pytest.approx(0.25)
    assert places_of(a_room(strip), "setpoint") == [(50, 50)]
    under, over = (places_of(a_room(strip), side)[0][0] for side in ("under", "over"))
    assert (under, over) == (
        pytest.approx(100 * strip.place(147), abs=0.01),
        pytest.approx(100 * strip.place(164), abs=0.01),
    )


def test_brackets_of_a_strip_stand_at_the_ends_of_the_room_and_are_left_out_without_one():
    strip = a_strip()
    caps = re.search(r'<path d="([^"]*)"[^>]*class="caps"', a_room(strip))
    assert caps is not None
    drawn = sorted({float(x) for x in re.findall(r"L([\d.]+) -150", caps[1])})
    assert drawn == [pytest.approx(1000 * strip.place(v), abs=0.06) for v in (148, 160)]
    assert 'class="caps"' not in a_room(a_strip(room=None, window=None))
    assert 'class="window"' not in a_room(a_strip(room=None, window=None))


def test_a_strip_is_full_where_the_target_is_expected_and_fades_below_it():
    full = strength(np.array([1.0, 0.95, 0.75, 0.55, 0.2]), 0.95)
    assert full.tolist() == pytest.approx([1, 1, 0.5**1.5, 0, 0])
    opacities = [float(o) for o in re.findall(r'stop-opacity="([\d.]+)"', a_room(a_strip()))]
    inside = [r for v, r in zip(X, RATE[10], strict=True) if 154 - 18 <= v <= 154 + 18]
    assert opacities == pytest.approx(strength(np.array(inside), 0.95).tolist(), abs=0.006)


def test_numbers_under_a_strip_are_those_of_the_dial():
    strip = a_strip(dialled=OnDial(-12.0, 1.1))
    assert OnDial(-12.0, 1.1).back(strip.dialled(154.0)) == pytest.approx(154)
    drawing = re.findall(r'<text x="([\d.]+)%"[^>]*>(\d+)</text>', a_room(strip))
    assert len(drawing) > 3
    for place, number in drawing:
        assert strip.place((float(number) + 12) / 1.1) == pytest.approx(float(place) / 100, abs=1e-4)
    fahrenheit = re.findall(r'<text x="([\d.]+)%"[^>]*>(\d+)</text>', a_room(a_strip(), shown=Shown("degF")))
    for place, number in fahrenheit:
        assert a_strip().place((float(number) - 32) / 1.8) == pytest.approx(float(place) / 100, abs=1e-4)


def test_what_was_not_tested_is_hatched_on_a_strip():
    drawn = re.findall(r'<path d="M([\d.]+) 1000L([\d.]+) 1000L[^"]*"[^>]*fill="var\(--sheet\)"', a_room(a_strip()))
    strip = a_strip()
    assert [tuple(map(float, drawn[0]))] == [
        pytest.approx((1000 * strip.place(PRESS.low), 1000 * strip.place(PRESS.high)), abs=0.06)
    ]
    assert "url(#room-hatch)" in a_room(strip)


def test_coupons_along_a_setting_pass_above_and_fail_below():
    made: list[float | str] = [140.0, 155.0, 155.0, 170.0]
    svg = tried(Along(PRESS), made, ["under", "pass", "pass", "over"], 154.0)
    passed = places_of(svg, "pass")
    assert len(set(passed)) == 2  # of one setting, and still apart
    assert all(y < 50 for _, y in passed)
    assert all(y > 50 for side in ("under", "over") for _, y in places_of(svg, side))


@given(setting=st.floats(140, 170))
def test_the_tested_range_fills_an_axis_but_for_its_rims(setting):
    for factor, value in ((PRESS, setting), (DWELL, 8 + (setting - 140) / 30 * 12)):
        assert RIM - 1e-9 <= Along(factor).at(value) <= 1 - RIM + 1e-9
    assert Along(PRESS)([PRESS.low, PRESS.high]).tolist() == pytest.approx([RIM, 1 - RIM])


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
