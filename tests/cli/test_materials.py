"""What is said of materials is kept, shown, and moves ranges, looks and warnings of what is planned with them."""

from __future__ import annotations

import pytest

DYED = ["--fabric", "team shirt; supplier=Halm; kind=polyester; dyed=yes; weight=140 g/m2"]
FILM = ["--film", "cold film; peel=cold; wait=40 s"]
POWDER = ["--powder", "fine powder; grain=80-200 um; melting=212..239F; opened=2026-01-05; kept=sealed"]


@pytest.fixture
def shop(empty_shop):
    empty_shop.good("stack", "add", "shirt", *DYED, *FILM, *POWDER)
    empty_shop.good("line", "add", "room", "--oven", "oven", "--press", "press")
    return empty_shop


def test_a_stack_shows_what_is_known_of_it(shop):
    found = shop.good("stack", "show", "shirt", "--json").json["stack"]
    assert found["fabric"]["facts"] == {"kind": "polyester", "dyed": True, "weight": 140}
    assert found["powder"]["facts"]["melting_high"] == pytest.approx(115)
    assert found["dyed_polyester"] is True
    text = shop.good("stack", "show", "shirt").out
    for words in ("polyester, dyed, weight 140 g/m²", "peel cold", "grain 80 to 200 µm", "more than 6 months ago"):
        assert words in " ".join(text.split())


@pytest.mark.parametrize(
    ("typed", "allowed"),
    [
        ("tee; kind=wool", "cotton, blend, polyester, nylon, other"),
        ("tee; dyed=perhaps", "yes or no"),
        ("tee; weight=heavy", "a number"),
        ("tee; peel=cold", "supplier=, lot=, detail=, kind="),
    ],
)
def test_a_fact_that_cannot_be_read_is_refused_where_it_was_typed(empty_shop, typed, allowed):
    found = empty_shop.run("stack", "add", "s", "--fabric", typed, "--film", "f", "--powder", "p")
    assert found.code == 2
    assert found.errors[0].startswith("Error: --fabric") or "--fabric" in found.errors[0]
    assert allowed in found.errors[0]


def test_a_new_study_takes_ranges_and_looks_from_its_materials_and_says_so(shop):
    made = shop.good("study", "new", "dyed", "--stack", "shirt", "--line", "room")
    study = shop.good("study", "show", "dyed", "--json").json["study"]
    ranges = {f["name"]: (f["low"], f["high"]) for f in study["factors"]}
    assert ranges["press_temp"] == (120, 138)
    assert ranges["cure_temp"] == pytest.approx((115, 145))
    assert [c["name"] for c in study["spec"]["checks"]] == [
        "release",
        "stretch",
        "look_24h",
        "look_72h",
        "wash_1",
        "wash_5",
    ]
    text = " ".join(made.out.split())
    assert "press temperature 120 to 138 °C (248 to 280 °F)" in text
    assert "looks 24 h and 72 h after the press are taken as further checks" in text


def test_what_is_typed_is_used_and_warned_about(shop):
    shop.good(
        *("study", "new", "hot", "--stack", "shirt", "--line", "room", "--factor", "press_temp=150..170"),
        *("--factor", "dwell", "--hold", "peel_wait=5", "--check", "release"),
    )
    study = shop.good("study", "show", "hot", "--json").json["study"]
    assert [c["name"] for c in study["spec"]["checks"]] == ["release"]
    text = " ".join(shop.good("study", "show", "hot", "--more").out.split())
    assert "150 to 170 °C (302 to 338 °F) is outside 120 to 155 °C (248 to 311 °F) of these materials" in text
    assert "Wait before peel: 5 s only is outside 40 to 300 s" in text
    assert "the film waits 40 s by its data sheet" in text
    assert "above 138 °C" in text


def test_the_nearest_recipe_is_one_for_the_same_kind_of_cloth():
    from dataclasses import replace

    from doe.domain.recipe import _differences, _distance
    from doe.domain.stack import Material

    asked = {"fabric": Material("new shirt", facts={"kind": "polyester", "dyed": True})}
    tee = Material("old tee", facts={"kind": "cotton", "dyed": True})
    shirt = replace(tee, facts={"kind": "polyester", "dyed": True})
    near, far = (_distance(_differences(asked, {"fabric": m}, ["fabric"])) for m in (shirt, tee))
    assert near < far
