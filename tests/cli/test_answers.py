"""What is kept of an answer, and what is said when the coupons can say little."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from doe.acts.study.fits import answer_data, answer_from, recommend_study
from doe.acts.study.inputs import inputs_hash
from doe.domain.jsonable import jsonable

STUDY = "new powder on the heavy tee"


def test_an_answer_reads_back_as_it_was_kept(shop_with):
    shop = shop_with(1)
    with shop.open() as book:
        answer = recommend_study(book, STUDY).answer
    again = answer_from(answer_data(answer))
    assert jsonable(again) == jsonable(answer)
    assert list(again.next_coupons.columns) == list(answer.next_coupons.columns)
    for here, there in ((answer.window, again.window), (answer.assured_window, again.assured_window)):
        assert (here is None) == (there is None)
        if here is not None:
            pd.testing.assert_frame_equal(here.bounds, there.bounds, check_names=False)


def test_the_same_results_give_the_kept_answer_again(shop_with):
    shop = shop_with(1)
    first = shop.good("recommend", STUDY, "--json").json
    second = shop.good("recommend", STUDY, "--json").json
    assert first.pop("kept_since") is None
    assert second.pop("kept_since") is not None
    assert first == second
    assert shop.good("recommend", STUDY, "--seed", "1", "--json").json["kept_since"] is None


def test_a_kept_answer_survives_a_newer_version(shop_with, monkeypatch):
    shop = shop_with(1)
    first = shop.good("recommend", STUDY, "--json").json
    monkeypatch.setattr("doe.cli.recommend.version", lambda: "99.0")
    found = shop.good("recommend", STUDY, "--more")
    assert "this is 99.0" in " ".join(found.out.split())
    assert shop.good("recommend", STUDY, "--json").json["setpoint"] == first["setpoint"]


def test_changed_results_are_said_and_both_answers_kept(shop_with):
    shop = shop_with(1)
    first = shop.good("recommend", STUDY, "--json").json
    shop.good(
        "record", STUDY, "--coupon", "R1-20", "--fail", "wash_5", "--symptom", "colour shed", "--why", "looked again"
    )
    found = shop.good("recommend", STUDY, "--more")
    assert "changed since the answer of" in " ".join(found.out.split())
    with shop.open() as book:
        kept = [a for a in book.analyses(STUDY) if a.kind == "recommend"]
    assert [k.inputs_hash == first["inputs_hash"] for k in kept] == [True, False]


def test_a_note_or_waiting_coupons_change_no_answer(shop_with):
    shop = shop_with(1)
    first = shop.good("recommend", STUDY, "--json").json
    shop.good("record", STUDY, "--coupon", "R1-20", "--note", "nice")
    shop.good("extend", STUDY, "--coupons", "4")
    assert shop.good("recommend", STUDY, "--json").json["inputs_hash"] == first["inputs_hash"]


def test_the_sum_of_the_inputs_ignores_order_and_sees_every_change(shop_with):
    shop = shop_with(1)
    with shop.open() as book:
        study, results = book.study(STUDY).study, book.results(STUDY)
    base = inputs_hash(study, results)
    assert inputs_hash(study, results.sample(frac=1, random_state=1)) == base
    assert inputs_hash(study, results[list(reversed(results.columns))]) == base
    changed = results.copy()
    changed.loc[0, "hand_ana"] = 1.0
    assert inputs_hash(study, changed) != base
    assert inputs_hash(replace(study, spec=replace(study.spec, pass_rate=0.9)), results) != base


# few coupons


@pytest.fixture
def planned(shop_with):
    shop = shop_with(0)
    shop.good("plan", STUDY, "--coupons", "12", "--choose", "half")
    return shop


def score(shop, failed: dict[str, str], *, coupons: int = 12, hand: bool = True, washed: bool = True) -> None:
    """Score the first coupons: those named fail with that symptom, the others pass."""
    from doe.domain.score import ScoreEntry
    from doe.symptoms.catalogue import side_of

    with shop.open() as book:
        names = list(book.plan_coupons(STUDY)["coupon"])[:coupons]
        everything = dict.fromkeys(names, "scorch") if failed.get("all") else failed
        checks = [c.name for c in book.study(STUDY).study.spec.checks if washed or not c.after_washes]
        book.record(
            STUDY,
            [
                ScoreEntry(
                    name,
                    checks={"release": True, "stretch": False},
                    symptoms=(everything[name],),
                    side=side_of([everything[name]]),
                )
                if name in everything
                else ScoreEntry(name, checks=dict.fromkeys(checks, True), hand={"ana": 4.0} if hand else {})
                for name in names
            ],
        )


def test_passes_that_were_not_washed_yet_are_said_with_the_answer(planned):
    score(planned, {"R1-03": "no_transfer", "R1-04": "no_transfer", "R1-06": "scorch"}, washed=False)
    found, text = answer(planned)
    said = "9 of 9 passed coupons still wait for a check (wash 1 and wash 5); what these will show is reckoned with"
    assert said in text
    assert found["limits_on_certainty"][0].startswith(said)
    assert found["next"][0] == f'doe record "{STUDY}" --washes'
    planned.good("report", STUDY, "-o", "report.html")
    assert said in (planned.folder / "report.html").read_text(encoding="utf-8").replace("\xa0", " ")
    score(planned, {"R1-03": "no_transfer", "R1-04": "no_transfer", "R1-06": "scorch"})
    again, text = answer(planned)
    assert again["inputs_hash"] != found["inputs_hash"]
    assert again["pass_rate"] > found["pass_rate"] + 0.01  # what a wash might have done is not reckoned with any more
    assert "still wait" not in text


def test_hand_feel_that_nobody_scored_is_asked_for_and_no_coupon(planned):
    score(planned, {}, hand=False)
    found, text = answer(planned)
    assert found["verdict"] == "more coupons"
    assert found["next_coupons"] == []
    assert "Score hand-feel first." in text
    assert found["next"][0] == f'doe record "{STUDY}" --coupon R1-01 --hand NAME=SCORE'
    assert "Coupons that would help most" not in text
    planned.good("report", STUDY, "-o", "report.html")
    page = (planned.folder / "report.html").read_text(encoding="utf-8").replace("\xa0", " ")
    assert "Score hand-feel first" in page
    assert "more coupons, at the settings" not in page


def answer(shop) -> tuple[dict, str]:
    text = " ".join(shop.good("recommend", STUDY, "--more").out.split())
    assert "Traceback" not in text
    shop.good("fit", STUDY)
    return shop.good("recommend", STUDY, "--json").json, text


def test_all_passes_say_that_no_edge_was_seen(planned):
    score(planned, {})
    found, text = answer(planned)
    assert "no edge of the window was seen" in text
    assert found["pass_rate_low"] < 0.99


def test_all_failures_are_never_ready(planned):
    score(planned, {"all": "yes"})
    found, text = answer(planned)
    assert found["verdict"] != "ready"
    assert "No coupon passed" in text
    assert found["hand"] is None


def test_a_single_side_says_that_the_other_edge_is_assumed(planned):
    score(planned, {"R1-02": "grainy_back", "R1-05": "patchy_transfer"})
    _, text = answer(planned)
    assert "the hot edge of the window is assumed, not seen" in text


def test_one_coupon_is_not_an_answer(planned):
    score(planned, {}, coupons=1)
    found, text = answer(planned)
    assert found["verdict"] != "ready"
    assert "Only 1 coupon scored" in text


def test_without_hand_feel_the_pass_rate_counts_the_checks_only(planned):
    score(planned, {"R1-02": "grainy_back", "R1-05": "scorch"}, hand=False)
    found, text = answer(planned)
    assert found["hand"] is None
    assert "Hand-feel" in text
    assert "not scored" in text


def test_without_any_score_one_line_says_what_to_do(planned):
    found = planned.run("recommend", STUDY)
    assert (found.code, len(found.errors)) == (2, 1)
    assert "Record some scores first" in found.err
