"""A gauge that is missing or out of date is said wherever a temperature is planned, printed or recommended."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from tests.shared import untapped

LINE = "back room"


def withdraw_all(shop) -> None:
    for kept in shop.good("gauge", "list", LINE, "--json").json["readings"]:
        shop.good("gauge", "withdraw", str(kept["id"]), "--why", "for the test")


def read_press(shop, days: int, off: float = -4.0) -> None:
    taken = f"{datetime.now(UTC) - timedelta(days=days):%Y-%m-%d}"
    for at in (140, 155, 170):
        shop.good(
            "gauge", "add", LINE, "--machine", "press", "--set", str(at), "--measured", f"{at + off}", "--taken", taken
        )


@pytest.fixture
def planned(shop_with):
    """A study with a plan on a line whose press was last read long ago, and whose oven never was."""
    shop = shop_with(0)
    withdraw_all(shop)
    read_press(shop, 300)
    return shop


def cautions(shop, *words: str) -> list[str]:
    return shop.good(*words, "--json").json["gauge_cautions"]


def test_plan_and_sheet_say_what_is_missing_and_out_of_date(planned, tmp_path):
    wanted = ("Display not checked: the oven was never measured", "The press was last measured on")
    compared = cautions(planned, "plan", "1", "--coupons", "12")
    made = planned.good("plan", "1", "--coupons", "12", "--choose", "half", "--json").json
    sheet = cautions(planned, "sheet", "1", "-o", str(tmp_path))
    for said in (compared, made["gauge_cautions"], sheet):
        assert [c.startswith(w) for c, w in zip(said, wanted, strict=True)] == [True, True]
    (page,) = tmp_path.glob("*-sheet.html")
    text = page.read_text(encoding="utf-8").replace("\u00a0", " ")
    assert wanted[0] in text
    assert "cure temperature (display not checked)" in text
    assert "press temperature to dial in, for" in text
    terminal = " ".join(planned.good("sheet", "1", "-o", str(tmp_path)).out.split())
    assert wanted[0] in terminal
    dials = {(d["factor"], d["surface_degc"]): d for d in made["dials"]}
    assert dials["press_temp", 140.0]["dial_degc"] == 144.0
    assert dials["press_temp", 140.0]["is_checked"] is True
    assert dials["cure_temp", 110.0]["dial_degc"] == 110.0
    assert dials["cure_temp", 110.0]["is_checked"] is False


def test_answer_and_report_say_it_too(shop_with, tmp_path):
    shop = shop_with(1)
    withdraw_all(shop)
    found = shop.good("recommend", "1", "--json").json
    assert [c.split(":")[0] for c in found["gauge_cautions"]] == ["Display not checked"] * 2
    assert all(d["dial_degc"] == d["surface_degc"] for d in found["dials"])
    shop.good("report", "1", "-o", str(tmp_path / "r.html"))
    text = untapped((tmp_path / "r.html").read_text(encoding="utf-8").replace("\u00a0", " "))
    assert "Display not checked: the oven was never measured" in text
    assert "No gauge reading tells what to dial in" in text


def test_same_answer_is_given_whatever_the_gauges_say(shop_with):
    # gauges change what is dialled in, never what was learned from the coupons
    shop = shop_with(1)
    first = shop.good("recommend", "1", "--json").json
    withdraw_all(shop)
    again = shop.good("recommend", "1", "--json").json
    assert again["setpoint"] == first["setpoint"]
    assert again["inputs_hash"] == first["inputs_hash"]
    assert again["kept_since"] is not None


def test_dial_that_the_press_may_not_be_given_stops_plan_and_sheet_in_one_line(shop_with, tmp_path):
    shop = shop_with(0)
    withdraw_all(shop)
    read_press(shop, 0, off=-25.0)
    found = shop.run("plan", "1", "--coupons", "12", "--choose", "half")
    assert found.code == 2
    assert "dial setting of the press" in found.err
    assert len(found.errors) == 1
    assert shop.good("study", "show", "1", "--json").json["rounds"] == []
    for kept in shop.good("gauge", "list", LINE, "--json").json["readings"][-3:]:
        shop.good("gauge", "withdraw", str(kept["id"]), "--why", "for the test")
    shop.good("plan", "1", "--coupons", "12", "--choose", "half")
    read_press(shop, 0, off=-25.0)
    found = shop.run("sheet", "1", "-o", str(tmp_path / "sheets"))
    assert found.code == 2
    assert "limit of the press" in found.err
    assert not (tmp_path / "sheets").exists()
