"""What did not go as planned is told with who, when and why; what did go as planned is not."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from doe.acts.recipe.record_items import facts_of_study, record_items
from doe.acts.study.deviations import deviations_of
from doe.acts.study.fits import recommend_study
from doe.domain.score import ScoreEntry
from doe.domain.units import METRIC, Shown
from doe.words.study.state import deviation
from tests.acts.recipe.samples import STUDY


def said(shop, shown=METRIC) -> list[tuple[str, str, str]]:
    with shop.open() as book:
        record = book.study(STUDY)
        return [(d.what.code, deviation(d.what, record.study, shown), d.why) for d in deviations_of(book, record)]


def test_a_study_without_incident_has_none(shop_with):
    shop = shop_with(0)
    assert said(shop) == []


def test_void_and_correction_are_told_with_their_reasons(shop_with):
    shop = shop_with(1)
    before = said(shop)
    with shop.open() as book:
        book.record(STUDY, [ScoreEntry("R1-02", void_reason="fell on the floor")])
        book.record(STUDY, [ScoreEntry("R1-01", {"stretch": False}, hand={"ana": 2.0})], why="looked again")
        book.record(STUDY, [ScoreEntry("R1-02", void_reason="")], why="another coupon fell")
    fresh = [d for d in said(shop) if d not in before]
    assert ("void", "Coupon R1-02 was marked void.", "fell on the floor") in fresh
    assert ("corrected", "Coupon R1-01, check stretch: corrected from pass to fail.", "looked again") in fresh
    hand = [d for d in fresh if "hand-feel of ana" in d[1]]
    assert len(hand) == 1
    assert hand[0][1].endswith("to 2.")
    assert any(what.startswith("Coupon R1-02 counts again; it was void (fell on the floor)") for _, what, _ in fresh)


def test_measured_settings_that_differ_are_told_in_both_temperatures_once_an_entry(shop_with):
    shop = shop_with(1)
    with shop.open() as book:
        coupons = book.plan_coupons(STUDY).set_index("coupon")
        asked = coupons["press_temp"].astype(float)
        book.record(
            STUDY,
            [
                ScoreEntry("R1-01", actual={"press_temp": asked["R1-01"] - 6}),
                ScoreEntry("R1-02", actual={"press_temp": asked["R1-02"]}),
            ],
        )
    (found,) = [d for d in said(shop) if d[0] == "measured"]
    assert found[1].startswith("Press temperature was measured to differ from what was set: R1-01 ")
    assert "°C (" in found[1]
    assert "R1-02" not in found[1]
    in_fahrenheit = next(d for d in said(shop, shown=Shown("degF")) if d[0] == "measured")
    assert "°F (" in in_fahrenheit[1]


def test_washes_that_came_after_the_answer_are_late_those_of_later_rounds_are_not(shop_with):
    shop = shop_with(1)
    with shop.open() as book:
        book.record(STUDY, [ScoreEntry("R1-01", cleared=("check:wash_5",))], why="not washed yet")
        recommend_study(book, STUDY)
        assert not [d for d in deviations_of(book, book.study(STUDY)) if d.what.code == "late wash"]
        results = book.results(STUDY)
        waiting = results.loc[results["check_wash_1"].isna() & results["passed"].eq(False), "coupon"].iloc[0]
        book.record(STUDY, [ScoreEntry(waiting, {"wash_1": False})])
    (late,) = [d for d in said(shop) if d[0] == "late wash"]
    assert late[1].startswith("1 wash result came after the first answer of ")
    assert late[1].endswith("(1 coupon).")


def test_a_changed_study_and_coupons_without_a_plan_are_told(shop_with):
    shop = shop_with(0)
    with shop.open() as book:
        record = book.study(STUDY)
        book.amend_study(record.id, replace(record.study, held={**record.study.held, "peel_wait": 45.0}), "new film")
        bare = pd.DataFrame(
            [
                {"coupon": f"A{i}", "cure_temp": 120.0 + i, "cure_time": 150.0, "press_temp": 155.0, "dwell": 12.0}
                for i in range(3)
            ]
        )
        entries = [ScoreEntry(f"A{i}", {"release": True}) for i in range(3)]
        book.bring_in(record.id, bare, entries, kind="own sheet")
        items = {i.what: i for i in record_items(facts_of_study(book, book.study(STUDY), None))}
    found = said(shop)
    assert ("changed", "The study was changed.", "new film") in found
    assert ("unplanned", "Round 1: 3 coupons came in from a sheet, made without a plan.", "") in found
    assert items["plan"].state == "said"
    assert items["point"].state == "missing"
