"""Coupons that were made without a plan: entry files for them, but no bench sheet that would invent an order."""

from __future__ import annotations

from tests.shop import STUDY

OWN = "ct,cs,pt,dw,ok\n120,120,150,10,ok\n130,150,160,14,fail\n"
USES = {"ct": "cure_temp", "cs": "cure_time", "pt": "press_temp", "dw": "dwell", "ok": "check_release"}


def test_sheets_of_coupons_without_an_order(shop_with, tmp_path):
    shop = shop_with(0)
    (shop.folder / "own.csv").write_text(OWN, encoding="utf-8")
    options = [word for heading, use in USES.items() for word in ("--map", f"{heading}={use}")]
    shop.good("record", STUDY, "--own-sheet", str(shop.folder / "own.csv"), *options)
    for name in ("Ana", "ana"):
        shop.good("record", STUDY, "--coupon", "own-01", "--hand", f"{name}=3")
    made = shop.good("sheet", STUDY, "-o", str(tmp_path / "sheets"), "--json").json
    assert made["people"] == ["Ana"]
    assert {file.rpartition(".")[2] for file in made["files"]} == {"xlsx", "csv"}
    found = shop.run("sheet", STUDY, "-o", str(tmp_path / "bench.html"))
    assert found.code == 2
    assert "coupons that were made without a plan" in found.errors[0]
