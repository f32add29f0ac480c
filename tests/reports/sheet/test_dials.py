"""The bench sheet prints what to dial in; the plan's surface temperatures stand beside it."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from doe.assure.gauges.line import GaugedLine, gauge_line
from doe.domain.errors import InputError
from doe.domain.factors import usual_factor
from doe.domain.gauge import GaugeReading
from doe.domain.limits import Limits
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.words.gauges.dials import dial_setting, dials_of_coupons, dials_of_settings, whole_both
from doe.words.typography import NO_BREAK
from reports.sheet.page import SheetPage, sheet_page
from tests.reports.study.samples import LINE, MADE_AT, STACK, bench_sheet, make_study, plan_of
from tests.shared import untapped

DAY = date(2030, 6, 1)


def gauged(*, press=-4.0, oven=-3.0, as_dialled=False) -> GaugedLine:
    noon = datetime(2030, 6, 1, 12, tzinfo=UTC)
    readings = [
        GaugeReading(machine, t, None, t + off, taken_at=noon)
        for machine, off, settings in (("press", press, (140, 155, 170)), ("oven", oven, (110, 125, 140)))
        if off is not None
        for t in settings
    ]
    return gauge_line(LINE, readings, on=DAY, as_dialled=as_dialled)


def page(found: GaugedLine | None, *, shown: Shown = METRIC, study: Study | None = None) -> SheetPage:
    return sheet_page(study or make_study(), STACK, LINE, plan_of().coupons, made_at=MADE_AT, shown=shown, gauged=found)


def numbers(text: str) -> list[float]:
    return [float(n) for n in re.findall(r"\d+(?:\.\d+)?(?= °)", text)]


@pytest.mark.parametrize(("stage", "factor", "off"), [("cure", "cure_temp", 3.0), ("press", "press_temp", 4.0)])
def test_every_batch_says_dial_and_surface_of_its_coupons(stage, factor, off):
    coupons = plan_of().coupons.set_index("coupon")
    for batch in getattr(page(gauged()), f"{stage}_batches"):
        surface = coupons.loc[batch.rows[0].coupon, factor]
        (dial,) = [d for d in batch.dials if "to dial in" in d.name]
        assert numbers(dial.value) == [surface + off, round((surface + off) * 1.8 + 32)]
        assert numbers(dial.name) == [surface, round(surface * 1.8 + 32)]
        assert dial.name.endswith("on the surface")


def test_reader_in_fahrenheit_reads_fahrenheit_first():
    batch = page(gauged(), shown=Shown("degF")).press_batches[0]
    (dial,) = [d for d in batch.dials if "to dial in" in d.name]
    first, second = numbers(dial.value)
    assert first == round(second * 1.8 + 32)
    assert "°F (" in dial.value


def test_change_between_batches_is_that_of_the_dial():
    stretched = [
        GaugeReading("press", t, None, 155 + 0.5 * (t - 155), taken_at=datetime(2030, 6, 1, tzinfo=UTC))
        for t in (125, 155, 185)
    ]
    found = gauge_line(LINE, stretched, on=DAY)
    plain, corrected = (
        [
            numbers(b.settle)[0]
            for b in sheet_page(make_study(), STACK, LINE, plan_of().coupons, made_at=MADE_AT, gauged=g).press_batches[
                1:
            ]
            if "by" in b.settle
        ]
        for g in (None, found)
    )
    assert plain
    assert corrected == [2 * step for step in plain]  # half a degree on the surface for one on the dial


def test_sheet_without_gauges_is_as_it_was_but_for_the_doubt():
    plain, doubted = page(None), page(gauged(press=None, oven=None))
    assert replace(doubted, cure_batches=(), press_batches=()) == replace(plain, cure_batches=(), press_batches=())
    for before, after in zip(plain.press_batches, doubted.press_batches, strict=True):
        assert [d.value for d in after.dials] == [d.value for d in before.dials]
        assert [d.name for d in after.dials if "temperature" in d.name] == ["press temperature (display not checked)"]


def test_coupons_made_at_the_dial_stay_at_the_dial():
    for before, after in zip(page(None).press_batches, page(gauged(as_dialled=True)).press_batches, strict=True):
        assert [d.value for d in after.dials] == [d.value for d in before.dials]
        assert "press temperature to dial in" in [d.name for d in after.dials]


def test_one_machine_may_be_checked_and_the_other_not():
    sheet = page(gauged(oven=None))
    assert sheet.warnings[0].startswith("The plan means temperatures of the surface. What to dial in on the press of")
    assert any("display not checked" in d.name for d in sheet.cure_batches[0].dials)


def test_held_temperature_is_a_dial_too():
    study = replace(make_study(("press_temp", "dwell")), held={"cure_temp": 125.0, "pressure": 3.0})
    sheet = sheet_page(
        study, STACK, LINE, plan_of(("press_temp", "dwell"), 12).coupons, made_at=MADE_AT, gauged=gauged()
    )
    pairs = {p.name: p.value for p in sheet.held_pairs}
    assert pairs["cure temperature to dial in, for 125 °C (257 °F) on the surface"] == "128 °C (262 °F)"
    assert pairs["press pressure"] == "3 bar"


def test_temperature_that_changes_from_coupon_to_coupon_has_both_in_its_column():
    easy = replace(usual_factor("press_temp"), hard_to_change=False)
    study = Study("easy", (easy, usual_factor("dwell")))
    coupons = plan_of(("press_temp", "dwell"), 12).coupons.assign(press_batch=1)
    batch = sheet_page(study, STACK, LINE, coupons, made_at=MADE_AT, gauged=gauged()).press_batches[0]
    column = batch.columns.index("Press temperature to dial in, and on the surface")
    for row in batch.rows:
        dial, surface = row.settings[column].split(", surface ")
        assert numbers(dial)[0] == numbers(surface)[0] + 4


def test_dial_beyond_the_limit_of_its_machine_stops_the_sheet():
    limited = replace(make_study(), limits=Limits(press_max_degc=172.0))
    with pytest.raises(InputError, match="limit of the press"):
        page(gauged(), study=limited)
    with pytest.raises(InputError, match="below 200 °C"):
        page(gauged(press=-31.0), study=replace(make_study(), limits=None))


def test_sheet_does_not_send_its_reader_to_the_sheet():
    study, coupons = make_study(), plan_of().coupons
    made = sheet_page(study, STACK, LINE, coupons, made_at=MADE_AT, gauged=gauged(), notes=("A note.",))
    assert "A note." in made.warnings
    assert not any("stands on the bench sheet" in text for text in made.warnings)


def test_cautions_stand_on_the_page_once():
    text = bench_sheet(
        make_study(),
        STACK,
        LINE,
        plan_of().coupons,
        made_at=MADE_AT,
        gauged=gauged(),
        cautions=("Odd reading.",) * 2,
    ).replace(NO_BREAK, " ")
    assert text.count("Odd reading.") == 1
    assert "by its gauge readings up to 1 June 2030" in untapped(text)


def test_coarse_dial_is_rounded_to_its_step_and_said():
    coarse = replace(usual_factor("press_temp"), step=5.0)
    study = Study("coarse", (coarse, usual_factor("dwell")))
    made = dial_setting(gauged(), study, "press_temp", 153.0)
    assert (made.dial_degc, made.dial) == (155.0, "155 °C (311 °F)")
    sheet = sheet_page(
        study, STACK, LINE, plan_of(("press_temp", "dwell"), 12).coupons, made_at=MADE_AT, gauged=gauged()
    )
    assert any("steps of 5 °C (9 °F): the surface may be up to 2.5 °C (4.5 °F) off" in w for w in sheet.warnings)


def test_dials_of_coupons_and_settings_name_each_temperature_once():
    study, coupons = make_study(), plan_of().coupons
    found = dials_of_coupons(gauged(), study, coupons)
    assert [(d.name, d.surface_degc) for d in found] == [
        (name, value) for name in ("cure_temp", "press_temp") for value in sorted(coupons[name].unique())
    ]
    at = dials_of_settings(gauged(), study, {"cure_temp": 125, "cure_time": 150, "press_temp": 155.0, "dwell": 14})
    assert [(d.label, d.dial, d.surface) for d in at] == [
        ("cure temperature", "128 °C (262 °F)", "125 °C (257 °F)"),
        ("press temperature", "159 °C (318 °F)", "155 °C (311 °F)"),
    ]
    bare = dials_of_settings(gauged(press=None), study, {"cure_temp": 125, "press_temp": 155.0})
    assert (bare[1].label, bare[1].dial, bare[1].is_checked) == ("press temperature", "155 °C (311 °F)", False)


@pytest.mark.parametrize("degc", [0.0, 99.5, 149.999999, 199.4])
def test_whole_degrees_agree_with_each_other(degc):
    first, second = numbers(whole_both(degc))
    assert first == round(degc, 0)
    assert second == round(round(degc * 1.8 + 32, 6), 0)
