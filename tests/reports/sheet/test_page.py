from __future__ import annotations

import re
from dataclasses import replace

import pytest

from doe.domain.errors import InputError
from doe.domain.spec import Check, Spec
from doe.domain.units import Shown
from doe.plans.build import add_round
from doe.words.cautions import CAUTIONS, FIXED_WORDING
from doe.words.typography import NO_BREAK
from doe.words.wording import amount_both
from reports.sheet.page import SheetPage, sheet_page
from tests.reports.study.samples import FOUR, LINE, MADE_AT, STACK, bench_sheet, make_study, plan_of
from tests.shared import untapped


def page(**changes: object) -> SheetPage:
    return sheet_page(make_study(), STACK, LINE, plan_of().coupons, made_at=MADE_AT, people=("Ana", "Ben"), **changes)  # type: ignore[arg-type]


def html(**changes: object) -> str:
    people = ("Ana", "Ben")
    text = bench_sheet(make_study(), STACK, LINE, plan_of().coupons, made_at=MADE_AT, people=people, **changes)  # type: ignore[arg-type]
    return untapped(text).replace(NO_BREAK, " ")


@pytest.mark.parametrize("stage", ["cure", "press"])
def test_every_coupon_stands_once_in_each_queue_in_the_plans_order(stage):
    batches = getattr(page(), f"{stage}_batches")
    listed = [row.coupon for batch in batches for row in batch.rows]
    assert listed == plan_of().coupons.sort_values(f"{stage}_order")["coupon"].tolist()


@pytest.mark.parametrize("stage", ["cure", "press"])
def test_every_coupon_can_be_set_from_its_batch_and_row(stage):
    study, coupons = make_study(), plan_of().coupons.set_index("coupon")
    for batch in getattr(page(), f"{stage}_batches"):
        for row in batch.rows:
            told = [dial.value for dial in batch.dials] + list(row.settings)
            wanted = [amount_both(f, coupons.loc[row.coupon, f.name]) for f in study.factors if f.stage == stage]
            assert sorted(told) == sorted(wanted)


def test_a_batch_shares_one_setting_of_what_is_slow_to_change():
    coupons = plan_of().coupons
    for _, group in coupons.groupby("press_batch"):
        assert group["press_temp"].nunique() == 1
    assert len(page().press_batches) == coupons["press_batch"].nunique()
    assert all(any("°C" in dial.value for dial in batch.dials) for batch in page().press_batches)


def test_temperatures_stand_in_both_units_with_the_readers_first():
    assert re.search(r"1\d\d °C \(\d{3} °F\)", page().press_batches[0].dials[0].value)
    assert re.search(r"\d{3} °F \(1\d\d °C\)", page(shown=Shown("degF")).press_batches[0].dials[0].value)


def test_settle_note_counts_heating_and_cooling_at_their_own_pace():
    coupons = (
        plan_of()
        .coupons.head(3)
        .assign(press_temp=[140.0, 160.0, 150.0], press_batch=[1, 2, 3], press_order=[1, 2, 3], stroke=[1, 2, 3])
    )
    notes = [batch.settle for batch in sheet_page(make_study(), STACK, LINE, coupons, made_at=MADE_AT).press_batches]
    assert "swing press" in notes[0]
    assert notes[1] == "Press temperature up by 20 °C (36 °F); allow about 8 minutes to settle, then measure."
    assert notes[2] == "Press temperature down by 10 °C (18 °F); allow about 12 minutes to settle, then measure."


def test_a_repeated_batch_of_the_same_setting_is_set_afresh():
    coupons = plan_of().coupons.head(2).assign(press_temp=150.0, press_batch=[1, 2], press_order=[1, 2], stroke=[1, 2])
    second = sheet_page(make_study(), STACK, LINE, coupons, made_at=MADE_AT).press_batches[1]
    assert second.settle.startswith("Same settings as the batch before")


def test_only_coupons_that_share_a_stroke_are_marked():
    coupons = (
        plan_of().coupons.head(4).assign(press_batch=1, press_temp=150.0, press_order=[1, 2, 3, 4], stroke=[7, 7, 8, 9])
    )
    rows = sheet_page(make_study(), STACK, LINE, coupons, made_at=MADE_AT).press_batches[0].rows
    assert [row.stroke for row in rows] == ["one stroke (1)", "one stroke (1)", "", ""]


def test_cautions_and_fixed_wording_are_printed():
    text = html()
    for caution in CAUTIONS:
        assert caution.replace("'", "&#39;") in text
    assert FIXED_WORDING.replace("'", "&#39;") in text
    for words in ("burn at a touch", "local extraction", "at or above 200 °C (392 °F)", "lock out", "local codes"):
        assert words in text


def test_limits_are_printed_with_both_units_and_their_source():
    limits = {pair.name: pair.value for pair in page().limit_pairs}
    assert limits["film: highest temperature its data sheet allows"] == "175 °C (347 °F) [film sheet, edition 3]"


def test_a_study_without_limits_says_so():
    bare = replace(make_study(), limits=None)
    text = bench_sheet(bare, STACK, LINE, plan_of().coupons, made_at=MADE_AT)
    assert "No limits from data sheets are on record" in untapped(text)


def test_there_is_a_box_for_every_check_and_every_person():
    text = html()
    coupons = len(plan_of().coupons)
    strips = re.findall(r'<section class="tear">.*?</section>', text, flags=re.DOTALL)
    assert ["Ana" in strip for strip in strips] == [True, False]
    assert [strip.count('class="cell"') for strip in strips] == [coupons, coupons]
    assert text.count(">release <i>") == text.count(">stretch <i>") == coupons
    assert text.count(">wash 1 <i>") == coupons


def test_a_strip_tells_neither_setting_nor_material_nor_what_the_other_says():
    coupons = plan_of().coupons.assign(material=["new", "incumbent"] * 10, pair=[n // 2 + 1 for n in range(20)])
    text = bench_sheet(make_study(), STACK, LINE, coupons, made_at=MADE_AT, people=("Ana", "Ben"))
    ana, ben = re.findall(r'<section class="tear">.*?</section>', untapped(text), flags=re.DOTALL)
    named = [re.findall(r"<b>(.*?)</b>", strip) for strip in (ana, ben)]
    assert sorted(named[0]) == sorted(named[1]) == sorted(coupons["coupon"])
    in_order = coupons.sort_values("press_order")["coupon"].tolist()
    assert named[0] not in (in_order, sorted(in_order), named[1])
    for strip in (ana, ben):
        assert not re.search("NEW|IN USE|pair|°|[0-9] s<", strip)


def test_the_first_batch_stands_before_everything_that_is_for_reference():
    text = html()
    first = text.index("Cure batch 1 of")
    assert (
        text.index("burn at a touch") < first < text.index("Stack and line") < text.index("Before you touch a machine")
    )


def test_the_key_at_the_press_holds_what_is_seen_there():
    letters = {line.words.partition(":")[0]: line.letter for line in (*page().symptoms, *page().wash_symptoms)}
    assert {"yellowing", "wet sheen", "edge lift before wash"} <= {
        line.words.partition(":")[0] for line in page().symptoms
    }
    assert not any("wash" in line.words and "before" not in line.words for line in page().symptoms)
    # letters written on earlier sheets keep their meaning
    assert (letters["no transfer"], letters["edge lift after wash"], letters["glass back"]) == ("A", "E", "M")


def test_no_wash_part_when_no_check_waits_for_one():
    study = make_study(spec=Spec(checks=(Check("release", "lets go"),)))
    assert "After the wash" not in bench_sheet(study, STACK, LINE, plan_of().coupons, made_at=MADE_AT)
    assert "After the wash" in html()


def test_waits_follow_what_is_held_and_what_varies():
    assert "Wait before peel: 10 s for every coupon." in page().waits
    varied = make_study(("press_temp", "peel_wait"))
    coupons = plan_of(("press_temp", "peel_wait"), 13).coupons
    sheet = sheet_page(varied, STACK, LINE, coupons, made_at=MADE_AT)
    assert "Wait before peel: varies, see the column." in sheet.waits
    assert sheet.cure_batches == ()


def test_only_the_asked_round_is_printed_and_the_last_by_default():
    plan = plan_of()
    longer = add_round(plan, plan.settings.head(4), seed=5, line=LINE).coupons
    last = sheet_page(make_study(), STACK, LINE, longer, made_at=MADE_AT)
    first = sheet_page(make_study(), STACK, LINE, longer[longer["round"] == 1], made_at=MADE_AT)
    assert {row.coupon[:2] for batch in last.press_batches for row in batch.rows} == {"R2"}
    assert sum(len(batch.rows) for batch in first.press_batches) == len(plan.coupons)


def test_symptoms_have_one_letter_each():
    letters = [line.letter for line in page().symptoms]
    assert len(set(letters)) == len(letters) >= 10
    assert "no transfer: the image stays on the film" in [line.words for line in page().symptoms]


def test_every_symptom_of_the_key_is_drawn_beside_its_words():
    drawn = [str(line.svg) for line in (*page().symptoms, *page().wash_symptoms)]
    assert len(set(drawn)) == len(drawn)
    assert html().count('class="symptom"') == len(drawn)


def test_names_are_escaped():
    study = replace(make_study(), name="<script>alert(1)</script>")
    text = bench_sheet(study, STACK, LINE, plan_of().coupons, made_at=MADE_AT)
    assert "<script>" not in text
    assert "&lt;script&gt;" in text


def test_a_level_is_dialled_in_by_its_name():
    names = (*FOUR, "film_type")
    sheet = sheet_page(make_study(names), STACK, LINE, plan_of(names, 24).coupons, made_at=MADE_AT)
    seen = {text for batch in sheet.press_batches for row in batch.rows for text in row.settings}
    seen |= {dial.value for batch in sheet.press_batches for dial in batch.dials}
    assert {"hot", "cold"} <= seen


def test_a_setting_at_the_ceiling_is_never_printed():
    hot = plan_of().coupons.assign(press_temp=200.0)
    with pytest.raises(InputError, match="round 1, press_temp: found 200 °C"):
        sheet_page(make_study(), STACK, LINE, hot, made_at=MADE_AT)


def test_a_comparison_says_of_which_material_every_coupon_is():
    coupons = plan_of().coupons.head(4).assign(material=["new", "incumbent"] * 2, pair=[1, 1, 2, 2])
    made = sheet_page(make_study(), STACK, LINE, coupons, made_at=MADE_AT)
    at_oven, at_press = (
        {row.coupon: row.material for batch in batches for row in batch.rows}
        for batches in (made.cure_batches, made.press_batches)
    )
    names = list(coupons["coupon"])
    assert [at_oven[c] for c in names] == ["NEW, pair 1", "IN USE, pair 1", "NEW, pair 2", "IN USE, pair 2"]
    # scores are written in the press queue: no row of it says which material it is of
    assert [at_press[c] for c in names] == ["pair 1", "pair 1", "pair 2", "pair 2"]
    text = untapped(bench_sheet(make_study(), STACK, LINE, coupons, made_at=MADE_AT))
    assert text.count("IN USE, pair 2") == 1
    before, _, last = text.partition('<details class="words">')[0].partition('<section class="which"')
    scored = before[before.index("<h2>Press queue") :]
    assert not re.search("NEW, pair|IN USE, pair|new material|material in use", scored)
    assert last.count("new material") == 2
    assert last.count("material in use") == 2
    assert "NEW" not in html()
    assert all(row.material == "" for batch in page().press_batches for row in batch.rows)
