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
        ("tee; weight=-180 g/m2", "20 g/m²"),
        ("tee; weight=18000", "2000 g/m²"),
        ("tee; weight=180 °C", "g/m2"),
        ("tee; wieght=180", "weight="),
        ("tee; kind=cotton; kind=nylon", "one"),
        ("tee; kind=\u7dbf", "cotton, blend"),
        ("tee; stretch=elastic", "yes or no"),
        ("tee; kind", "kind="),
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


@pytest.mark.parametrize(
    ("typed", "allowed"),
    [
        ("p; grain=200..80", "low and a high end"),
        ("p; grain=-80..200", "1 to 1000 µm"),
        ("p; grain=0.08..0.2 mm", "--powder, grain"),
        ("p; grain=coarse", "a low and a high end"),
        ("p; melting=100..400", "--powder, melting"),
        ("p; opened=yesterday", "a day"),
    ],
)
def test_a_fact_of_powder_that_cannot_be_read_is_refused_in_one_line(empty_shop, typed, allowed):
    found = empty_shop.run("stack", "add", "s", "--fabric", "tee", "--film", "f", "--powder", typed)
    assert found.code == 2
    assert len(found.errors) == 1
    assert allowed in found.errors[0]


def test_facts_are_read_as_people_write_them(empty_shop):
    fabric = "hoodie; kind=poly cotton; weight=8.5 oz/yd²; finish=brushed fleece; colour=Bottle Green"
    ink = "--ink", "white set; stirred=never; set=four and white"
    empty_shop.good("stack", "add", "s", "--fabric", fabric, "--film", "f; peel=cold peel", "--powder", "p", *ink)
    stack = empty_shop.good("stack", "show", "s", "--json").json["stack"]
    facts = stack["fabric"]["facts"]
    assert facts.pop("weight") == pytest.approx(8.5 * 33.906, rel=1e-4)
    assert facts == {"kind": "blend", "finish": "brushed fleece", "colour": "Bottle Green", "dyed": True}
    assert stack["film"]["facts"] == {"peel": "cold"}
    assert stack["ink"]["facts"]["stirred"] == "seldom"
    assert stack["dyed_polyester"] is True
    text = " ".join(empty_shop.good("stack", "show", "s").out.split())
    for words in ("Brushed cloth and pile", "white haze", "Heavy cloth", "White ink settles"):
        assert words in text


def test_what_a_cloth_is_asks_for_looks_of_its_own(empty_shop):
    shell = "shell; kind=nylon; finish=DWR; weight=90 gsm"
    empty_shop.good("stack", "add", "s", "--fabric", shell, "--film", "f", "--powder", "p; grain=120..250")
    empty_shop.good("line", "add", "room")
    made = empty_shop.good("study", "new", "q", "--stack", "s", "--line", "room", "--more")
    study = empty_shop.good("study", "show", "q", "--json").json["study"]
    assert {"corner_24h", "back_clean"} <= {c["name"] for c in study["spec"]["checks"]}
    ranges = {f["name"]: (f["low"], f["high"]) for f in study["factors"]}
    assert ranges["cure_time"] == (110, 230)
    assert ranges["dwell"] == (6, 15)
    text = " ".join(made.out.split())
    assert "coarse powder takes longer to melt through (common practice, no source" in text
    assert "corners are tried a day after the press" in text


def test_the_nearest_recipe_is_one_for_the_same_kind_of_cloth():
    from dataclasses import replace

    from doe.domain.recipe import _differences, _distance
    from doe.domain.stack import Material

    asked = {"fabric": Material("new shirt", facts={"kind": "polyester", "dyed": True})}
    tee = Material("old tee", facts={"kind": "cotton", "dyed": True})
    shirt = replace(tee, facts={"kind": "polyester", "dyed": True})
    near, far = (_distance(_differences(asked, {"fabric": m}, ["fabric"])) for m in (shirt, tee))
    assert near < far


TOLD = {
    "fabric": "old hoodie; kind=cotton; weight=310; finish=brushed fleece; colour=black; stretch=no",
    "film": "roll; peel=cold; wait=40; release=silicone coat",
    "powder": "fine one; grain=80..160; melting=100..115; kept=sealed",
    "ink": "bottle; set=four and white; stirred=daily",
}


@pytest.mark.parametrize(
    ("part", "asked", "share"),
    [
        ("fabric", "kind=cotton", 1),
        ("fabric", "weight=heavy", 1),
        ("fabric", "weight=305 g/m2", 1),
        ("fabric", "weight=light", 0),
        ("fabric", "weight=180", 0),
        ("fabric", "finish=fleece; colour=dark; dyed=yes; stretch=no", 1),
        ("fabric", "kind=nylon; finish=brushed", 0.5),
        ("fabric", "thick cotton fleece", 1),
        ("fabric", "dark polyester", 0.5),
        ("film", "cold peel", 1),
        ("film", "wait=40; release=silicon", 1),
        ("film", "hot-peel with a wax coat", 0),
        ("powder", "fine powder", 1),
        ("powder", "grain=coarse", 0),
        ("powder", "grain=80..160; melting=100..115", 1),
        ("ink", "set=Four and White", 1),
    ],
)
def test_every_fact_can_be_asked_for_in_everyday_words(part, asked, share):
    from doe.domain.recipe import _differences
    from doe.words import typed

    made = typed.material(TOLD[part], part)
    (found,) = _differences({part: typed.material_asked(asked, part, [made.name])}, {part: made}, [part])
    assert found.alike == share
    assert (found.kind == "same") is (share == 1)


def test_what_holds_for_one_packet_finds_no_recipe():
    from doe.words import typed

    with pytest.raises(ValueError, match="--ink: found 'stirred=daily'; allowed: a name, or facts"):
        typed.material_asked("stirred=daily", "ink", [])


def test_a_name_that_is_known_is_a_name_and_what_nobody_said_is_told():
    from doe.domain.recipe import _differences
    from doe.domain.stack import Material
    from doe.words import typed
    from doe.words.recipe.card import difference_words

    made = typed.material_asked("Heavy Tee", "fabric", ["heavy tee"])
    assert (made.name, made.facts) == ("Heavy Tee", None)
    assert typed.material_asked("no such thing", "fabric", []).name == "no such thing"
    asked = typed.material_asked("kind=cotton; weight=heavy", "fabric", [])
    theirs = Material("tee", facts={"kind": "nylon"})
    found = _differences({"fabric": asked}, {"fabric": theirs}, ["fabric"])
    assert "not the same kind; not said there: weight" in difference_words(found)
