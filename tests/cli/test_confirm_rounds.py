"""Confirmation coupons judge an answer: they are printed, scored and counted, and never enter the fit behind it."""

from __future__ import annotations

import pytest

from doe.domain.plan_kinds import CONFIRM
from doe.domain.score import ScoreEntry

STUDY = "new powder on the heavy tee"
NAMES = ("R3-01", "R3-02", "R3-03", "R3-04")


@pytest.fixture
def confirmed(shop_with):
    """A shop whose answer is kept, with four confirmation coupons that nobody has scored yet."""
    shop = shop_with(2)
    answer = shop.good("recommend", STUDY, "--json").json
    with shop.open() as book:
        plan = book.plan_coupons(STUDY)
        fresh = plan.iloc[:4].copy()
        fresh["coupon"], fresh["round"], fresh["role"] = list(NAMES), 3, "setpoint"
        for name in answer["setpoint"]:
            fresh[name] = answer["setpoint"][name]
        fresh[["cure_batch", "press_batch", "stroke", "garment"]] += 900
        fresh["cure_order"] = fresh["press_order"] = range(1, 5)
        book.save_round(STUDY, fresh, kind=CONFIRM, seed=1, notes=("These confirm.",))
    return shop, answer


def score(shop):
    """Everything that could disturb an answer: other people, measured settings, failures."""
    with shop.open() as book:
        book.record(
            STUDY,
            [
                ScoreEntry(name, checks={"release": i > 0, "stretch": True}, hand={"cy": 2.5}, actual={"dwell": 12.0})
                for i, name in enumerate(NAMES[:3])
            ],
        )


def test_the_kept_answer_stays_the_answer_after_confirmation_coupons_were_scored(confirmed):
    shop, answer = confirmed
    score(shop)
    again = shop.good("recommend", STUDY, "--json").json
    assert again["inputs_hash"] == answer["inputs_hash"]
    assert again["kept_since"] is not None
    assert again["results_changed_since"] is None
    assert again["setpoint"] == answer["setpoint"]
    assert again["counts"] == answer["counts"]
    assert shop.good("fit", STUDY, "--json").json["inputs_hash"] == answer["inputs_hash"]


def test_a_study_counts_its_confirmation_coupons_apart(confirmed):
    shop, answer = confirmed
    score(shop)
    found = shop.good("study", "show", STUDY, "--json").json
    assert found["counts"] == answer["counts"]
    assert found["confirmation_counts"] == {"coupons": 4, "scored": 3, "passed": 2, "unfinished": 2, "void": 0}
    text = shop.good("study", "show", STUDY).out
    assert "Confirmation: 3 of 4 coupons scored; 2 passed so far, 1 failed; 2 still wait" in " ".join(text.split())
    (listed,) = shop.good("study", "list", "--json").json["studies"]
    assert (listed["coupons"], listed["scored"]) == (answer["counts"]["coupons"], answer["counts"]["scored"])


def test_the_sheet_of_a_confirmation_is_printed_and_its_scores_are_taken(confirmed):
    shop, _ = confirmed
    shop.good("sheet", STUDY, "-o", "s", "--round", "3", "--person", "ana")
    page = next((shop.folder / "s").glob("*round-3-sheet.html")).read_text(encoding="utf-8")
    assert all(name in page for name in NAMES)
    assert "R1-01" not in page
    file = next((shop.folder / "s").glob("*round-3.csv"))
    lines = file.read_text(encoding="utf-8-sig").splitlines()
    heads = next(line for line in lines if line.startswith("coupon")).split(",")
    cells = dict.fromkeys(heads, "") | {"coupon": "R3-02", "release": "pass"}
    file.write_text("\n".join((",".join(heads), ",".join(cells.values()))), encoding="utf-8")
    found = shop.good("record", STUDY, "--file", str(file), "--json").json
    assert (found["coupons"], found["confirmation_counts"]["scored"]) == (1, 1)
    one = shop.good("record", STUDY, "--coupon", "R3-03", "--fail", "release")
    assert "Confirmation: 2 of 4 coupons scored" in one.out


def test_the_study_report_proves_its_answer_by_its_own_coupons(confirmed):
    shop, _ = confirmed
    score(shop)
    shop.good("report", STUDY, "-o", "r.html")
    page = (shop.folder / "r.html").read_text(encoding="utf-8")
    table = page.split('id="proof"')[1].split("<h3>Method</h3>")[0]
    assert "R2-01" in table
    assert "R3-01" not in table


def test_a_further_round_is_numbered_past_a_confirmation_and_learns_nothing_from_it(confirmed):
    shop, _ = confirmed
    score(shop)
    made = shop.good("extend", STUDY, "--coupons", "6", "--json").json
    assert made["round"] == 4
    assert {c["coupon"][:3] for c in made["coupons"]} == {"R4-"}
    with shop.open() as book:
        coupons = book.plan_coupons(STUDY)
    early, late = coupons[coupons["round"] < 4], coupons[coupons["round"] == 4]
    assert not set(early["press_batch"]) & set(late["press_batch"])
    assert made["judgement"]["coupons"] == len(coupons) - 4
