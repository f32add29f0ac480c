"""`doe line`: what a correction keeps, since when another machine stands there, and whose readings count."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from doe.domain.gauge import GaugeReading
from doe.domain.stack import Line
from doe.words.wording import day

LINE = "back room"


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture
def shop(empty_shop):
    empty_shop.good(
        *("line", "add", LINE, "--oven", "tunnel oven", "--press", "swing press", "--gauge", "strip 3"),
        *("--oven-heat", "7", "--press-recovery", "2", "--gauge-uncertainty", "1.5", "--per-stroke", "2"),
    )
    return empty_shop


def line_of(shop, name=LINE) -> Line:
    with shop.open() as book:
        return book.line(name)


@pytest.mark.parametrize(
    ("typed", "changed", "said"),
    [
        (("--per-sheet", "6"), {"coupons_per_sheet": 6}, "Corrected: coupons a sheet."),
        (
            ("--gauge", "probe"),
            {"gauge": "probe", "gauge_u_degc": None},
            "and uncertainty of the gauge.",
        ),
        (("--gauge-uncertainty", "1"), {"gauge_u_degc": 1.0}, "Corrected: uncertainty of the gauge."),
        ((), {}, "Nothing of it changed."),
    ],
)
def test_what_is_not_said_of_a_line_stays_as_it_was(shop, typed, changed, said):
    before = line_of(shop)
    told = flat(shop.good("line", "add", LINE, *typed, "--why", "counted again").out)
    assert line_of(shop) == replace(before, **changed)
    assert f"{said} What was not said stays as it was." in told


def test_what_is_not_said_of_a_machine_stays_too(shop):
    before = line_of(shop)
    shop.good("line", "add", LINE, "--oven-cool", "20", "--why", "timed again")
    assert line_of(shop) == replace(before, oven=replace(before.oven, cool_min_per_10=20))
    shop.good("line", "add", "front", "--oven-of", LINE, "--press", "clam press")
    shop.good("line", "add", "front", "--press-heat", "5", "--why", "timed")
    assert line_of(shop, "front").oven.of == LINE
    refused = shop.run("line", "add", "front", "--oven-heat", "5", "--why", "timed")
    assert (refused.code, len(refused.errors)) == (2, 1)
    assert f"it is kept with {LINE}" in refused.err
    shop.good("line", "add", "front", "--oven", "drawer oven", "--why", "got its own")
    assert (line_of(shop, "front").oven.name, line_of(shop, "front").oven.of) == ("drawer oven", None)


def test_what_was_known_of_a_press_is_not_known_of_the_one_that_took_its_place(shop):
    now = datetime.now(UTC).isoformat()
    told = flat(shop.good("line", "add", LINE, "--press-since", now, "--why", "broke").out)
    assert "readings taken before do not count" in told
    made = line_of(shop)
    assert (made.press.name, made.press.recovery_degc) == ("swing press", None)
    assert (made.gauge, made.coupons_per_stroke, made.oven.heat_min_per_10) == ("strip 3", 2, 7)
    assert "Nothing of it changed" in shop.good("line", "add", LINE, "--press-since", now).out


def read_at(shop, when: datetime, measured: float) -> None:
    with shop.open() as book:
        book.add_gauge_reading(LINE, GaugeReading("press", 150, 150, measured, taken_at=when))


def counted(shop) -> int:
    listed = shop.good("gauge", "list", LINE, "--json").json["machines"]
    return next((m["readings"] for m in listed if m["machine"] == "press"), 0)


def test_a_bare_day_on_which_readings_were_taken_asks_for_the_time(shop):
    changed = (datetime.now().astimezone() - timedelta(days=1)).replace(hour=10, minute=0, second=0, microsecond=0)
    for hour, measured in ((7, 146.0), (15, 149.0)):
        read_at(shop, changed.replace(hour=hour), measured)
    that_day = f"{changed:%Y-%m-%d}"
    refused = shop.run("line", "add", LINE, "--press-since", that_day, "--why", "broke")
    assert (refused.code, len(refused.errors)) == (2, 1)
    assert "the time as well, since 2 readings of the press were taken that day, the last at 15:00" in refused.err
    assert counted(shop) == 2
    shop.good("line", "add", LINE, "--press-since", f"{that_day}T10:00", "--why", "broke")
    assert counted(shop) == 1  # that of the afternoon
    assert f"stands there since {day(changed)}, 10:00: readings" in flat(shop.good("line", "show", LINE).out)
    earlier = f"{changed - timedelta(days=1):%Y-%m-%d}"
    shop.good("line", "add", LINE, "--press-since", earlier, "--why", "it was the day before")
    assert counted(shop) == 2
    assert f"stands there since {day(changed - timedelta(days=1))}: readings" in flat(
        shop.good("line", "show", LINE).out
    )


def test_a_reading_taken_before_the_machine_stood_there_says_that_it_does_not_count(shop):
    now = datetime.now().astimezone()
    shop.good("line", "add", LINE, "--press-since", (now - timedelta(minutes=5)).isoformat(), "--why", "broke")
    early = (now - timedelta(hours=1)).isoformat()
    add = ("gauge", "add", LINE, "--machine", "press", "--set", "150", "--measured", "146")
    assert "Reading 1 does not count" in flat(shop.good(*add, "--taken", early).out)
    assert counted(shop) == 0
    assert "does not count" not in shop.good(*add).out
    assert counted(shop) == 1


def test_the_certificate_stands_once_where_the_gauge_and_its_readings_are_told(shop):
    said = "number 4711, by Orr metrology, valid until 5 March 2031"
    shop.good("line", "add", "front", "--oven-of", LINE, "--gauge", "probe")
    shop.good("gauge", "certificate", LINE, "--number", "4711", "--issuer", "Orr metrology", "--until", "2031-03-05")
    commands = [("gauge", "show"), ("gauge", "list"), ("line", "show")]
    for words in commands:
        assert flat(shop.good(*words, LINE).out).count(said) == 1
        assert f"gauge strip 3: {said}" in flat(shop.good(*words, "front").out)
    read_at(shop, datetime.now(UTC), 146)
    for words in commands:
        assert flat(shop.good(*words, LINE).out).count(said) == 1
    shop.good("gauge", "certificate", LINE, "--number", "4711", "--issuer", "Orr metrology", "--until", "2020-03-05")
    for words in commands:
        out = flat(shop.good(*words, LINE).out)
        assert out.count("4711") == 1
        assert "Certificate expired" in out


def test_every_machine_stands_once_with_its_readings_and_the_lines_made_of_it(shop):
    shop.good("line", "add", "front", "--oven-of", LINE, "--press", "clam press")
    shop.good("gauge", "certificate", LINE, "--number", "4711", "--issuer", "Orr metrology", "--until", "2031-03-05")
    for name, at in (("tunnel oven", "125"), ("tunnel oven", "140"), ("clam press", "150")):
        shop.good("gauge", "add", name, "--set", at, "--measured", f"{float(at) - 3:g}")
    found = {m["use"]["machine"]["name"]: m for m in shop.good("line", "machines", "--json").json["machines"]}
    assert {name: (m["use"]["lines"], m["counting"]) for name, m in found.items()} == {
        "tunnel oven": ([LINE, "front"], 2),
        "swing press": ([LINE], 0),
        "clam press": (["front"], 1),
    }
    told = flat(shop.good("line", "machines", "Tunnel Oven").out)
    assert f"The oven tunnel oven is part of {LINE} and front." in told
    assert "2 readings in force" in told
    assert "number 4711, by Orr metrology" in told
    assert [r.machine for r in line_readings(shop, "front")] == ["oven", "oven", "press"]


def line_readings(shop, name):
    with shop.open() as book:
        return book.gauge_readings(name)


def test_readings_of_a_machine_that_was_replaced_are_told_with_the_one_in_its_place(shop):
    read_at(shop, datetime.now(UTC) - timedelta(days=2), 146)
    shop.good(
        *("line", "add", LINE, "--press", "clam press"), "--press-since", datetime.now(UTC).isoformat(), "--why", "x"
    )
    told = flat(shop.good("line", "machines", "clam press").out)
    assert "no reading in force" in told
    assert "1 reading of the press that stood there before stays kept and does not count." in told
    told = flat(shop.good("line", "machines", "swing press").out)
    assert "is part of no line. The press, swing press: 1 reading in force" in told


def test_a_machine_is_named_without_its_line_only_where_one_is_called_so(shop):
    reading = ("--set", "150", "--measured", "146")
    assert (
        "--machine: found press; allowed: oven"
        in shop.run("gauge", "add", "tunnel oven", "--machine", "press", *reading).err
    )
    assert "name the machine instead" in shop.run("gauge", "add", LINE, *reading).err
    shop.good("line", "add", "front", "--oven", "drawer", "--press", "swing press")
    refused = shop.run("gauge", "add", "swing press", *reading)
    assert f"that of {LINE} or that of front" in refused.err
    assert "unknown" not in shop.good("gauge", "add", "front", "--machine", "press", *reading).out


def test_a_machine_goes_to_another_line_with_its_readings_and_says_what_became_of_the_rest(shop):
    read_at(shop, datetime.now(UTC) - timedelta(days=2), 146)
    shop.good("line", "add", "front", "--oven", "drawer", "--press", "clam press")
    assert shop.run("line", "move", "swing press", "front").code == 2  # no reason
    told = flat(shop.good("line", "move", "swing press", "front", "--why", "needed there").out)
    assert "what was read of it counts there" in told
    assert f"Recipes of front and {LINE} that were made with another press are in doubt" in told
    assert f"Nothing is known of the press that stands on {LINE} now" in told
    listed = shop.good("line", "machines").out
    assert re.search(r"clam press +press +no line +0", listed)
    assert max(map(len, listed.splitlines())) <= 80
    refused = shop.run("gauge", "add", "clam press", "--set", "150", "--measured", "146")
    assert "one that stands on a line" in refused.err
    found = shop.good("line", "move", LINE, "front", "--machine", "oven", "--why", "too", "--json").json
    assert (found["machine"]["name"], found["left"]) == ("tunnel oven", [LINE])
    found = shop.good("line", "rename", "front", "the swing press", "--machine", "press", "--why", "so", "--json").json
    assert (found["was"], found["machine"], found["kind"]) == ("swing press", "the swing press", "press")
    assert [r.measured_degc for r in line_readings(shop, "front")] == [146]
