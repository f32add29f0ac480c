"""`doe gauge`: readings in, corrections out, the map."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta

import pytest

from doe.acts.conditions import gauge_of
from doe.acts.gauges.line import gauged_line
from doe.domain.gauge import GaugeReading
from doe.words.wording import day

LINE = "back room"
ADD = ("gauge", "add", LINE, "--machine", "press", "--set", "155")
PLACES = ("back left", "back", "back right", "left", "right", "front left", "front", "front right")


def day_ago(days: int) -> str:
    """A day as people read it."""
    return day(date.fromisoformat(days_ago(days)))


def days_ago(days: int) -> str:
    return f"{datetime.now(UTC) - timedelta(days=days):%Y-%m-%d}"


def press_of(shop, **env):
    found = shop.good("gauge", "show", LINE, "--json", **env).json["machines"]
    return next(m for m in found if m["machine"] == "press")


def test_the_only_line_of_a_book_need_not_be_named(shop_with):
    shop = shop_with(0)
    for words in ("show", "list"):
        assert shop.good("gauge", words).out == shop.good("gauge", words, LINE).out
    shop.good("line", "add", "left", "--oven", "o", "--press", "p")
    for words in ("show", "list"):
        done = shop.run("gauge", words)
        assert done.code == 2
        assert "allowed: back room, left" in " ".join(done.err.split())


def test_repeats_in_one_command_are_readings_of_their_own(shop_with):
    shop = shop_with(0)
    made = shop.good(*ADD, "--measured", "151", "--measured", "151", "--place", "front", "--json").json["kept"]
    assert [k["reading"]["repeat"] for k in made] == [1, 2]
    more = shop.good(*ADD, "--measured", "150", "--place", "Front", "--json").json
    assert more["reading"]["repeat"] == 3
    assert press_of(shop)["readings"] == 6 + 3


def test_readings_of_several_days_are_told_day_by_day(shop_with):
    shop = shop_with(0)
    for days, value in ((30, "150.5"), (3, "150")):
        shop.good(*ADD, "--measured", value, "--taken", days_ago(days))
    said = " ".join(shop.good("gauge", "show", LINE, "--more").out.split())
    assert f"{day_ago(30)} -4.5, {day_ago(3)} -5.0" in said


def test_reading_far_from_others_like_it_is_pointed_out(shop_with):
    shop = shop_with(0)
    assert "doe gauge withdraw 10 --why" in shop.good(*ADD, "--measured", "131").out
    assert "withdraw" not in shop.good(*ADD, "--measured", "141", "--place", "front").out


def test_infrared_reading_is_set_right_and_said(shop_with):
    shop = shop_with(0)
    words = ("--measured", "143", "--tool", "infrared", "--emissivity", "0.95", "--surface-emissivity", "0.9")
    made = shop.good(*ADD, *words, "--surroundings", "30", "--json").json
    assert made["surface_degc"] == pytest.approx(147.9, abs=0.5)
    text = " ".join(shop.good(*ADD, *words, "--surroundings", "30").out.split())
    assert "Set right for emissivity: 147.6 °C (297.7 °F) on the surface" in text


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--emissivity", "0.95", "--surface-emissivity", "0.3"), ("matt tape", "contact probe")),
        (("--emissivity", "0.95", "--surface-emissivity", "0.7"), ("correction", "matt tape", "contact probe")),
        (("--tool", "infrared gun"), ("--emissivity", "contact probe")),
        (("--surface-emissivity", "0.9"), ("only with --emissivity",)),
        (("--surroundings", "40"), ("only with --emissivity",)),
        (("--taken", "2999-01-01"), ("today or earlier",)),
        (("--taken", "tomorrow"), ("2031-03-05",)),
        (("--repeat", "2", "--measured", "140"), ("one --measured",)),
    ],
)
def test_reading_that_cannot_be_trusted_is_refused_in_one_line_and_not_kept(shop_with, words, said):
    shop = shop_with(0)
    found = shop.run(*ADD, "--measured", "143", *words)
    assert found.code == 2
    assert len(found.errors) == 1
    assert all(word in found.err for word in said)
    assert press_of(shop)["readings"] == 6


def test_show_says_correction_uncertainty_step_error_and_date(shop_with):
    shop = shop_with(0)
    found = press_of(shop)
    rows = {row["set_degc"]: row for row in found["settings"]}
    assert rows[155.0]["surface"]["surface_degc"] == pytest.approx(151.2, abs=0.1)
    assert rows[155.0]["dial"]["dial_degc"] == pytest.approx(159.0, abs=0.1)
    assert found["suggested_error_delta_degc"] == 5.0
    assert found["suggested_from"].startswith("usual; the readings give 1.0")
    assert found["step_delta_degc"] == pytest.approx(2 * found["gauge"]["budget"]["expanded"])
    text = " ".join(shop.good("gauge", "show", LINE, "--more").out.split())
    assert "Levels of press_temp should lie at least 6 °C apart" in text
    assert "measure it again by" in text
    assert "probe 74 %, resolution of the display 5 %, map 20 %" in text
    warm = " ".join(shop.good("gauge", "show", LINE, "--temperature", "degF", "--more").out.split())
    assert "Levels of press_temp should lie at least 10 °F apart" in warm  # 5.1 degC is 9.2 degF


def test_show_tells_drift_and_a_gauge_out_of_date(shop_with):
    shop = shop_with(0)
    for number in range(1, 10):
        shop.good("gauge", "withdraw", str(number), "--why", "old ones only")
    for days, measured in ((700, "155"), (600, "152"), (500, "148.5"), (400, "145"), (300, "142")):
        shop.good(*ADD, "--measured", measured, "--taken", days_ago(days))
    text = " ".join(shop.good("gauge", "show", LINE, "--more").out.split())
    assert "a clear drift (-12.1 °C a year)" in text
    assert f"was last measured on {day_ago(300)}" in text
    assert "3 older ones for the drift only" in text  # 300 and 400 days ago lie within one interval
    assert "The oven was never measured" in text
    listed = shop.good("gauge", "list", LINE, "--more").out
    assert "The oven, tunnel oven: no reading in force." in listed
    assert "Out of date: the press was last measured more than 120 days ago." in listed
    assert listed.count("for the") == 3  # folded in its column: for the drift only


def test_line_details_enter_the_budget(shop_with):
    shop = shop_with(0)
    words = ("line", "add", LINE, "--oven", "tunnel oven", "--press", "swing press", "--why", "data sheet found")
    shop.good(*words, "--gauge-uncertainty", "1.0", "--press-recovery", "4", "--press-display-step", "5")
    table = {row["source"]: row for row in press_of(shop)["gauge"]["budget"]["table"]}
    assert table["probe"]["u"] == pytest.approx(0.5)
    assert table["recovery"]["value"] == 4
    assert table["resolution of the display"]["value"] == 2.5
    text = shop.good("line", "show", LINE).out
    assert "The gauge is known to ±1.0 °C (1.8 °F) (k = 2)." in text
    assert "swing press: its display goes in steps of 5.0 °C (9.0 °F)." in text
    assert "swing press: its surface swings in use by ±4.0 °C (7.2 °F)." in text
    assert "tunnel oven: its" not in text


def mapped(shop, *, cold: str = "right", by: float = 8.0) -> None:
    for place in PLACES:
        measured = 151 - (by if place == cold else 0)
        shop.good(*ADD, "--measured", f"{measured}", "--measured", f"{measured + 1}", "--place", place)


def test_map_names_the_cold_place_and_where_coupons_may_lie(shop_with):
    shop = shop_with(0)
    mapped(shop)
    found = shop.good("gauge", "map", LINE, "--json").json
    assert found["map"]["cold"] == ["right"]
    assert found["set_degc"] == [155.0]
    assert found["elsewhere"] == 2  # the centre at 140 and at 170
    assert "right" not in found["map"]["coupon_places"]
    text = shop.good("gauge", "map", LINE).out
    assert re.search(r"middle +-3\.5 +-4\.0 +-11\.5", text)
    assert "Cold: right." in text
    assert max(map(len, text.splitlines())) <= 80


def test_map_is_written_as_a_page(shop_with, tmp_path):
    shop = shop_with(0)
    mapped(shop)
    shop.good("gauge", "map", LINE, "-o", str(tmp_path / "press.html"))
    page = (tmp_path / "press.html").read_text(encoding="utf-8")
    assert "The press is cold at right" in page
    assert "burn at a touch" in page


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--machine", "kettle"), "oven or press"),
        (("--machine", "oven"), "3 places or more"),
        (("--rows", "0"), "1 to 20"),
        (("--columns", "21"), "1 to 20"),
        (("--rows", "4"), "3 places or more"),
    ],
)
def test_map_that_cannot_be_made_is_refused(shop_with, words, said):
    found = shop_with(0).run("gauge", "map", LINE, *words)
    assert found.code == 2
    assert said in found.err
    assert len(found.errors) == 1


def test_any_grid_takes_numbered_places(shop_with):
    shop = shop_with(0)
    for row in (1, 2):
        for column in (1, 2, 3, 4):
            shop.good(*ADD, "--measured", f"{150 + column}", "--place", f"row {row} column {column}")
    found = shop.good("gauge", "map", LINE, "--rows", "2", "--columns", "4", "--json").json["map"]
    assert found["deviation_delta_degc"] == [[-4.0, -3.0, -2.0, -1.0]] * 2


def test_map_without_any_reading_is_refused(shop_with):
    shop = shop_with(0)
    shop.good("line", "add", "new room")
    assert "3 places or more" in shop.run("gauge", "map", "new room").err
    assert shop.good("gauge", "show", "new room", "--json").json["never_measured"] == ["oven", "press"]


def test_a_list_that_is_cut_keeps_the_newest_readings(shop_with):
    shop = shop_with(0)
    for n in range(16):
        shop.good(*ADD, "--measured", f"15{n % 10}")
    kept = shop.good("gauge", "list", LINE, "--json").json["readings"]
    rows = re.findall(r"^ *([0-9]+)   (?:oven|press)", shop.good("gauge", "list", LINE).out, flags=re.MULTILINE)
    assert 0 < len(rows) < len(kept)
    assert int(rows[0]) == max(k["id"] for k in kept)


def test_a_second_press_on_the_same_oven_needs_no_new_gauging(shop_with):
    shop = shop_with(0)
    made = shop.good("line", "add", "front room", "--oven-of", "back room", "--press", "clam press").out
    assert "that of back room too: a reading of it counts for all" in " ".join(made.split())
    machines = {m["machine"]: m for m in shop.good("gauge", "list", "front room", "--json").json["machines"]}
    assert (machines["oven"]["readings"], machines["press"]["readings"]) == (3, 0)
    assert machines["oven"]["shared"] == ["back room"]
    shop.good("gauge", "add", "front room", "--machine", "oven", "--set", "125", "--measured", "122")
    for line in ("front room", "back room"):
        found = {m["machine"]: m for m in shop.good("gauge", "list", line, "--json").json["machines"]}
        assert found["oven"]["readings"] == 4
    assert "tunnel oven, of back room" in shop.good("line", "list").out
    assert "is that of back room too" in " ".join(shop.good("line", "show", "front room").out.split())
    waits = shop.good("waiting", "--json").json["waiting"]
    assert [w["name"] for w in waits if w["kind"] == "gauge" and w["machine"] == "oven"] == ["back room"]


def test_readings_of_a_machine_that_was_replaced_do_not_count_for_the_new_one(shop_with):
    shop = shop_with(0)
    shop.good("line", "add", "front room", "--oven-of", "back room", "--press", "clam press")
    line = (
        "line",
        "add",
        "back room",
        "--oven",
        "conveyor oven",
        "--press",
        "swing press",
        "--gauge",
        "contact gauge G2",
    )
    refused = shop.run(*line, "--oven-since", "2999-01-01", "--why", "the old one broke")
    assert "--oven-since: found '2999-01-01'; allowed: today or earlier" in refused.err
    shop.good(*line, "--oven-since", datetime.now(UTC).isoformat(), "--why", "the old one broke")
    for name in ("back room", "front room"):
        machines = {m["machine"]: m for m in shop.good("gauge", "list", name, "--json").json["machines"]}
        assert machines.get("oven", {"readings": 0})["readings"] == 0, name
    told = " ".join(shop.good("line", "list").out.split())
    assert f"The oven conveyor oven, there since {day(date.today())}, " in told
    assert " is of back room and front room." in told
    assert "readings of the one before do not count" in " ".join(shop.good("line", "show", "front room").out.split())
    shop.good("gauge", "add", "front room", "--machine", "oven", "--set", "125", "--measured", "122")
    assert shop.good("gauge", "list", "back room", "--json").json["machines"][0]["readings"] == 1
    assert shop.good("book", "check").code == 0


def test_a_gauge_that_lines_name_alike_is_one_gauge_with_one_certificate(shop_with):
    shop = shop_with(0)
    for line in ("a", "b"):
        shop.good("line", "add", line, "--oven", f"oven {line}", "--press", f"press {line}", "--gauge", "probe 7")
    shop.good(
        "line",
        "add",
        "a",
        *("--oven", "oven a", "--press", "press a"),
        "--gauge",
        "probe 7",
        "--gauge-uncertainty",
        "1.5",
        "--why",
        "read on its sheet",
    )
    shop.good("gauge", "certificate", "a", "--number", "4711", "--issuer", "Orr", "--until", "2020-01-31")
    told = shop.good("gauge", "list", "b", "--json").json["cautions"]
    assert len([text for text in told if "4711" in text]) == 1
    with shop.open() as book:
        assert gauge_of(book, "b") == gauge_of(book, "a")
        book.add_gauge_reading("b", GaugeReading("press", set_degc=150, shown_degc=None, measured_degc=146))
        table = gauged_line(book, "b").machine("press").budget.table
    assert table.set_index("source").loc["probe", "value"] == 1.5


def test_a_shared_machine_is_told_where_it_is_kept(shop_with):
    shop = shop_with(0)
    refused = shop.run("line", "add", "front", "--oven-of", "back room", "--oven-heat", "3")
    assert refused.code == 2
    assert "nothing else said of that machine" in refused.err
    assert "If it is the same one" in shop.good("line", "add", "front", "--oven", "tunnel oven").out
