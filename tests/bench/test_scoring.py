"""Scoring on several devices: queues, corrections with their why, nothing twice, nothing lost."""

from __future__ import annotations

import html
import re
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pandas as pd
import pytest
import sqlalchemy as sa

from doe.acts.scoring.making import STEP, making_of
from doe.acts.study.fits import early_hint
from doe.bench.state import Seen
from doe.bench.study_page import hint_page
from doe.book.book import Book
from doe.domain.errors import InputError
from doe.domain.gauge import GaugeReading
from doe.domain.score import ScoreEntry
from doe.domain.units import METRIC, Shown
from tests.bench.shop import STUDY, hidden_fields
from tests.reports.sheet.test_dials import gauged


def words(page) -> str:
    """Text of a page on one line."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.text)).replace("&#39;", "'")


def cards(page) -> dict[str, str]:
    """What the cards of a study page say, by title."""
    found = re.findall(r'<section class="card">(.*?)</section>', page.text, flags=re.DOTALL)
    plain = [re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text)).strip() for text in found]
    return {" ".join(text.split()[:2]): text for text in plain}


def said(desk, coupon: str) -> dict[str, object]:
    """Current fields of a coupon in the book."""
    return {h.field: h.value for h in desk.book.history(STUDY, coupon) if h.current}


def audit(desk) -> int:
    return len(desk.book.audit(None))


# the queues


def test_the_study_page_shows_the_first_coupon_of_each_queue_with_both_temperatures(desk):
    page = desk.device("ana").get("/s/1")
    frame = desk.book.plan_coupons(STUDY)
    first = {s: frame.sort_values(f"{s}_order").iloc[0] for s in ("cure", "press")}
    found = cards(page)
    assert first["cure"]["coupon"] in found["Cure next"]
    assert first["press"]["coupon"] in found["Press next"]
    celsius = float(first["press"]["press_temp"])
    assert f"{celsius:.0f} °C {celsius * 1.8 + 32:.0f} °F" in found["Press next"]
    assert f"{first['press']['dwell']:.0f} s" in found["Press next"]
    assert "Then 19 more in this queue." in found["Cure next"]
    assert "switch the" in found["Cure next"]  # the first batch begins with warming up


def cool_press(book, *, off: float) -> None:
    """Today's gauge readings of a press whose surface is this much cooler than its display."""
    line = book.study(STUDY).line.name
    for degc in (140.0, 150.0, 160.0, 170.0):
        for extra in (-0.4, 0.0, 0.4):
            reading = GaugeReading(
                "press", degc, degc, degc - off + extra, place="centre", tool="strip", taken_at=datetime.now(UTC)
            )
            book.add_gauge_reading(line, reading)


def test_the_display_shows_what_to_dial_where_it_was_checked(desk):
    desk.book.save_round(STUDY, more_coupons(desk), kind="half", seed=2, scale="surface")
    device = desk.device("ana")
    before = cards(device.get("/s/1"))["Press next"]
    cool_press(desk.book, off=6.0)  # seen without starting anew
    coupon = desk.bench.shop.making(STUDY).queue("press")[0]
    celsius = float(coupon.settings["press_temp"])
    found = cards(device.get("/s/1"))["Press next"]
    assert f"{celsius + 6:.0f} °C" not in before
    assert f"{celsius + 6:.0f} °C {(celsius + 6) * 1.8 + 32:.0f} °F on the display, for {celsius:.0f} °C" in found


def test_a_dial_that_the_machine_must_not_be_given_is_not_offered(desk):
    desk.book.save_round(STUDY, more_coupons(desk), kind="half", seed=2, scale="surface")
    study = desk.book.study(STUDY).study
    assert study.limits is not None
    limits = replace(study.limits, press_max_degc=172.0)
    desk.book.amend_study(STUDY, replace(study, limits=limits), "the manual says so")
    cool_press(desk.book, off=6.0)
    device = desk.device("ana")
    page = device.get("/s/1")
    assert "Stop: " in cards(page)["Press next"]
    assert "Pressed, score it" not in page.text


def more_coupons(desk) -> pd.DataFrame:
    """Two coupons of a second round."""
    plan = desk.book.plan_coupons(STUDY).head(2)
    return plan.assign(coupon=["R2-01", "R2-02"], round=2, cure_order=[1, 2], press_order=[1, 2])


def test_another_unit_is_shown_first_everywhere(desk_with):
    page = desk_with(0, shown=Shown(temperature="degF", pressure="psi")).device("ana").get("/s/1")
    assert re.search(r"<b>\d+ °F</b> <span>\d+ °C</span>", page.text)


def test_marking_moves_the_queue_on_every_device_and_survives_a_restart(desk_with, tmp_path):
    desk = desk_with(0)
    ana, ben = desk.device("ana"), desk.device("ben")
    page = ana.get("/s/1")
    first = hidden_fields(page.text, "/step/1")["coupon"]
    page = ana.send(page, "/step/1")
    second = hidden_fields(page.text, "/step/1")["coupon"]
    assert second != first
    assert hidden_fields(ben.get("/s/1").text, "/step/1")["coupon"] == second
    again = desk_with(path=desk.place)
    assert hidden_fields(again.device("cleo").get("/s/1").text, "/step/1")["coupon"] == second
    note = desk.book.notes(STEP)[-1]
    assert (note.who, note.data["coupon"], note.data["step"]) == ("ana", first, "cured")


def test_an_open_page_learns_that_something_else_is_next(desk):
    ana, ben = desk.device("ana"), desk.device("ben")
    shown = re.search(r'data-news="/news/1" data-version="(\w+)"', ben.get("/s/1").text)
    assert shown is not None
    assert ben.get("/news/1").text == shown[1]
    ana.score("R1-20", note="only a note")
    assert ben.get("/news/1").text == shown[1]  # nothing else is next
    ana.send(ana.get("/s/1"), "/step/1")
    assert ben.get("/news/1").text != shown[1]
    assert desk.device().get("/news/1").url.path == "/pair"


def test_pressed_leads_to_the_score_form_and_the_coupon_waits_for_its_scores(desk):
    device = desk.device("ana")
    page = device.get("/s/1")
    press = page.text[page.text.index("Press next") :]
    fields = hidden_fields(press, "/step/1")
    page = device.client.post("/step/1", data=fields, headers={"Origin": device.origin})
    coupon = fields["coupon"]
    assert page.url.path == f"/c/1/{coupon}"
    page = device.get("/s/1")
    assert coupon in words(page).partition(" Score ")[2].partition("How far")[0]
    device.score(coupon, **{"check:release": "pass", "check:stretch": "pass"})
    assert "No coupon waits for its first scores." in device.get("/s/1").text


def test_a_step_is_taken_back_with_a_reason_only(desk):
    device = desk.device("ana")
    page = device.get("/s/1")
    first = hidden_fields(page.text, "/step/1")["coupon"]
    device.send(page, "/step/1")
    page = device.get(f"/undo/1/{first}")
    refused = device.send(page, f"/undo/1/{first}", what="step:cured")
    assert refused.status_code == 422
    assert len(desk.book.notes(STEP)) == 1
    device.send(page, f"/undo/1/{first}", what="step:cured", reason="wrong coupon")
    assert desk.book.notes(STEP) == ()
    assert [a.why for a in desk.book.audit(1)] == ["wrong coupon"]
    assert hidden_fields(device.get("/s/1").text, "/step/1")["coupon"] == first


def test_steps_of_an_archived_study_of_the_same_name_are_not_taken_over(desk):
    device = desk.device("ana")
    device.send(device.get("/s/1"), "/step/1")
    record = desk.book.study(STUDY)
    coupons = desk.book.plan_coupons(STUDY)
    desk.book.archive_study(STUDY, "again from the start")
    new = desk.book.add_study(record.study, stack=record.stack.name, line=record.line.name)
    desk.book.save_round(new, coupons, kind="half", seed=1)
    assert len(making_of(desk.book, new).queue("cure")) == len(coupons)


def test_nonsense_steps_are_refused(desk):
    device = desk.device("ana")
    page = device.get("/s/1")
    before = audit(desk)
    for fields in ({"step": "burnt"}, {"coupon": ""}, {"coupon": "R9-99"}, {"coupon": "../../x"}):
        assert device.send(page, "/step/1", **fields).status_code in (404, 422)
    assert audit(desk) == before


def test_coupons_of_one_stroke_are_pressed_together(desk):
    plan = desk.book.plan_coupons(STUDY)
    record = desk.book.study(STUDY)
    first = plan.sort_values("press_order").head(2)
    pair = first.assign(coupon=["S-1", "S-2"], round=2, stroke=900, press_order=[1, 2], cure_order=[1, 2])
    desk.book.archive_study(STUDY, "make room")
    new = desk.book.add_study(replace(record.study, name="pairs"), stack=record.stack.name, line=record.line.name)
    desk.book.save_round(new, pair.assign(round=1), kind="half", seed=1)
    device = desk.device("ana")
    card = cards(device.get(f"/s/{new}"))["Press next"]
    assert "S-1 and S-2 are pressed together, in one stroke." in card
    assert "All 2 pressed" in card
    text = device.get(f"/s/{new}").text
    fields = hidden_fields(text[text.index("Press next") :], f"/step/{new}")
    assert fields["coupon"] == ["S-1", "S-2"]
    device.client.post(f"/step/{new}", data=fields, headers={"Origin": device.origin})
    assert "Press next" not in cards(device.get(f"/s/{new}"))


# scores


def test_a_whole_score_is_stored_in_the_name_of_the_device(desk):
    page = desk.device("ana").score(
        "R1-03",
        **{
            "check:release": "pass",
            "check:stretch": "fail",
            "symptom": ["stretch_crack", "edge_haze"],
            "hand": "3.5",
            "actual:press_temp": "151",
            "note": "edge a bit dull",
        },
    )
    assert page.url.path == "/s/1"
    assert "R1-03 is stored." in page.text
    # the device may forget what it kept: under the very key of the form, which no other study has
    key = re.search(r'data-draft="(\d{20}/R1-03)"', desk.device("ben").get("/c/1/R1-03").text)
    assert key is not None
    assert f'data-saved="{key[1]}"' in page.text
    assert said(desk, "R1-03") == {
        "check:release": True,
        "check:stretch": False,
        "symptoms": ("stretch_crack", "edge_haze"),
        "side": "other",
        "hand:ana": 3.5,
        "actual:press_temp": 151.0,
        "note": "edge a bit dull",
    } | {"side": said(desk, "R1-03")["side"]}
    assert {h.who for h in desk.book.history(STUDY, "R1-03")} == {"ana"}


def test_measured_settings_are_read_in_the_units_shown(desk_with):
    desk = desk_with(0, shown=Shown(temperature="degF"))
    desk.device("ana").score("R1-03", **{"actual:press_temp": "302"})
    assert said(desk, "R1-03")["actual:press_temp"] == pytest.approx(150)


def test_two_people_scoring_the_same_coupon_both_count(desk):
    ana, ben = desk.device("ana"), desk.device("ben")
    ana.score("R1-03", **{"check:release": "pass", "hand": "3.5"})
    page = ben.get("/c/1/R1-03")
    assert "3.5" not in words(page).partition("Hand-feel")[2].partition("not felt")[0]  # nobody copies a score
    assert "ana felt it too" in words(page)
    assert "hand-feel, ana shown once you have felt it" in words(ben.get("/undo/1/R1-03"))
    assert "hand-feel, ana 3.5" in words(ana.get("/undo/1/R1-03"))
    ben.score("R1-03", **{"check:release": "pass", "hand": "4.5"})
    row = desk.book.results(STUDY).set_index("coupon").loc["R1-03"]
    assert (row["hand_ana"], row["hand_ben"]) == (3.5, 4.5)
    agreed = [h.who for h in desk.book.history(STUDY, "R1-03") if h.field == "check:release"]
    assert agreed == ["ana", "ben"]
    assert "hand-feel, ana 3.5" in words(ben.get("/undo/1/R1-03"))


def test_a_grade_is_one_tap_shown_corrected_and_taken_back(desk):
    ana = desk.device("ana")
    assert 'name="grade"' not in ana.get("/c/1/R1-03").text  # one round does not ask for it
    study = desk.book.study(STUDY).study
    desk.book.amend_study(STUDY, replace(study, grades=True), "graded")
    form = ana.get("/c/1/R1-03")
    taps = re.findall(r'name="grade" value="(\w*)"( checked)?><span>(.*?)</span>', form.text)
    assert [(value, text) for value, _, text in taps] == [
        ("clean", "passed clean"),
        ("just", "only just passed"),
        ("slight", "failed slightly"),
        ("bad", "failed badly"),
        ("", "no grade"),
    ]
    assert [value for value, checked, _ in taps if checked] == [""]
    ana.score("R1-03", **{"check:release": "pass", "grade": "just"})
    assert said(desk, "R1-03") == {"check:release": True, "grade": "just"}
    assert "stored: only just passed (ana)" in words(ana.get("/c/1/R1-03"))
    page = ana.score("R1-03", grade="clean")
    assert page.status_code == 409
    assert "Keep what is stored: only just passed, by ana" in words(page)
    ana.send(page, "/score/1/R1-03", **{"on:grade": "mine", "reason": "looked again"})
    assert said(desk, "R1-03")["grade"] == "clean"
    ana.send(ana.get("/undo/1/R1-03"), "/undo/1/R1-03", what=["grade"], reason="wrong coupon")
    assert said(desk, "R1-03")["grade"] is None
    past = words(ana.get("/undo/1/R1-03"))
    assert all(text in past for text in ("grade only just passed", "grade passed clean", "grade taken back"))


def test_a_grade_at_odds_with_the_checks_is_refused_and_the_form_keeps_it(desk):
    page = desk.device("ana").score("R1-03", **{"check:release": "fail", "grade": "clean"})
    assert page.status_code == 422
    assert "coupon R1-03, grade" in words(page)
    assert 'name="grade" value="clean" checked' in page.text
    assert said(desk, "R1-03") == {}


def test_a_wash_that_fails_is_reason_enough_to_grade_anew(desk):
    ana = desk.device("ana")
    ana.score("R1-03", **{"check:release": "pass", "check:stretch": "pass", "grade": "clean"})
    page = ana.score("R1-03", **{"check:wash_1": "fail", "grade": "slight"})
    assert page.url.path == "/s/1"
    assert said(desk, "R1-03")["grade"] == "slight"


def test_keeping_the_stored_grade_stores_the_rest(desk):
    ana, ben = desk.device("ana"), desk.device("ben")
    ana.score("R1-03", **{"check:release": "pass", "grade": "just"})
    page = ben.score("R1-03", **{"grade": "clean", "hand": "2"})
    ben.send(page, "/score/1/R1-03", **{"on:grade": "stored", "reason": "looked again"})
    assert said(desk, "R1-03") == {"check:release": True, "grade": "just", "hand:ben": 2.0}


def test_a_name_is_spelled_as_it_was_before(desk):
    desk.device("Ana").score("R1-03", hand="3")  # the book knows an ana already
    other = desk.device("ANA")
    other.score("R1-04", hand="4")
    other.score("R1-05", hand="2", other_person="aNA")
    assert [c for c in desk.book.results(STUDY).columns if c.startswith("hand_")] == ["hand_ana"]


def test_one_device_can_store_what_somebody_else_felt(desk):
    desk.device("ana").score("R1-03", hand="2.5", other_person="Cleo")
    assert said(desk, "R1-03") == {"hand:Cleo": 2.5}


def test_a_differing_check_is_asked_about_and_both_values_are_shown(desk):
    ana, ben = desk.device("ana"), desk.device("ben")
    ana.score("R1-03", **{"check:release": "pass"})
    page = ben.score("R1-03", **{"check:release": "fail", "symptom": "film_lock", "hand": "2"})
    assert page.status_code == 409
    text = words(page)
    assert "Keep what is stored: pass, by ana" in text
    assert "Correct it to mine: fail" in text
    assert said(desk, "R1-03") == {"check:release": True}  # nothing of it is stored before the question is answered
    undecided = ben.send(page, "/score/1/R1-03", reason="looked again")
    assert undecided.status_code == 409
    no_why = ben.send(page, "/score/1/R1-03", **{"on:check:release": "mine"})
    assert no_why.status_code == 409
    assert "say why" in no_why.text
    ben.send(page, "/score/1/R1-03", **{"on:check:release": "mine", "why": "the corner came up"})
    assert said(desk, "R1-03")["check:release"] is False
    assert said(desk, "R1-03")["hand:ben"] == 2.0
    history = [(h.value, h.who, h.why) for h in desk.book.history(STUDY, "R1-03") if h.field == "check:release"]
    assert history == [(True, "ana", ""), (False, "ben", "the corner came up")]


def test_keeping_what_is_stored_stores_the_rest(desk):
    ana, ben = desk.device("ana"), desk.device("ben")
    ana.score("R1-03", **{"check:release": "pass", "check:stretch": "pass"})
    page = ben.score("R1-03", **{"check:release": "fail", "check:stretch": "fail", "hand": "2"})
    fields = {"on:check:release": "stored", "on:check:stretch": "mine", "reason": "looked again"}
    ben.send(page, "/score/1/R1-03", **fields)
    now = said(desk, "R1-03")
    assert (now["check:release"], now["check:stretch"], now["hand:ben"]) == (True, False, 2.0)


def test_another_note_is_written_below_the_first_one(desk):
    desk.device("ana").score("R1-03", note="dull")
    ben = desk.device("ben")
    page = ben.get("/c/1/R1-03")
    for _ in range(2):  # the same form twice, and once more with another mark
        ben.send(page, "/score/1/R1-03", note="dull at the left edge")
    ben.score("R1-03", note="dull at the left edge")
    assert said(desk, "R1-03")["note"] == "dull\ndull at the left edge"


def test_a_void_coupon_takes_no_scores_until_it_is_taken_back(desk):
    device = desk.device("ana")
    page = device.get("/c/1/R1-03")
    device.send(page, "/score/1/R1-03", **{"void": "film torn", "check:release": "pass"})
    assert said(desk, "R1-03") == {"void": "film torn"}
    assert 'class="score"' not in device.get("/c/1/R1-03").text
    assert "film torn" in device.get("/list/1").text
    # a form that was opened before
    late = device.client.post(
        "/score/1/R1-03",
        data={**hidden_fields(page.text, "/score/1/R1-03"), "check:release": "pass"},
        headers={"Origin": device.origin},
    )
    assert late.status_code == 422
    assert "void coupon" in late.text
    device.send(device.get("/undo/1/R1-03"), "/undo/1/R1-03", what="void", why="it was another one")
    assert desk.book.results(STUDY, include_void=True).set_index("coupon").loc["R1-03", "void"] == ""


@pytest.mark.parametrize(
    ("symptom", "handled", "side"),
    [
        ("patchy_transfer", "no", "other"),
        ("patchy_transfer", "yes", "under"),
        ("film_lock", "", "over"),
        ("glass_back", "no", "over"),  # heat alone makes it
    ],
)
def test_one_question_settles_whether_it_was_the_heat(desk, symptom, handled, side):
    device = desk.device("ana")
    form = words(device.get("/c/1/R1-03"))
    assert "Powder even, peeled at its wait?" in form
    assert "patchy transfer" in form.partition("peeled at its wait?")[2]
    device.score("R1-03", **{"check:release": "fail", "symptom": symptom, "handled": handled})
    row = desk.book.results(STUDY).set_index("coupon").loc["R1-03"]
    assert (row["symptom"], row["side"]) == (symptom, side)


def test_a_score_is_taken_back_and_stays_in_the_history(desk):
    device = desk.device("ana")
    device.score("R1-03", **{"check:release": "fail", "symptom": "film_lock", "hand": "2"})
    page = device.get("/undo/1/R1-03")
    device.send(page, "/undo/1/R1-03", what=["check:release", "symptoms"], reason="wrong coupon")
    assert {f: v for f, v in said(desk, "R1-03").items() if v is not None} == {"hand:ana": 2.0}
    history = words(device.get("/undo/1/R1-03"))
    assert "check release taken back (wrong coupon)" in history
    assert "ana: check release fail" in history


def test_the_same_post_twice_adds_nothing_and_leads_to_the_same_page(desk):
    device = desk.device("ana")
    fields = {**hidden_fields(device.get("/c/1/R1-03").text, "/score/1/R1-03"), "check:release": "pass", "hand": "4"}
    answers = [device.client.post("/score/1/R1-03", data=fields, headers={"Origin": device.origin}) for _ in range(3)]
    assert len({str(a.url) for a in answers}) == 1
    assert len(desk.book.history(STUDY, "R1-03")) == 2


def test_a_repeated_post_does_not_undo_what_was_corrected_since(desk):
    ana, ben = desk.device("ana"), desk.device("ben")
    page = ana.score("R1-03", **{"check:release": "pass"})
    fields = {
        **hidden_fields(ana.get("/c/1/R1-03").text, "/score/1/R1-03"),
        "check:release": "fail",
        "on:check:release": "mine",
        "why": "looked again",
    }
    ana.client.post("/score/1/R1-03", data=fields, headers={"Origin": ana.origin})
    page = ben.score("R1-03", **{"check:release": "pass"})
    ben.send(page, "/score/1/R1-03", **{"on:check:release": "mine", "why": "it was the next one"})
    ana.client.post("/score/1/R1-03", data=fields, headers={"Origin": ana.origin})  # its answer was lost; sent again
    assert said(desk, "R1-03")["check:release"] is True


def test_a_change_in_the_same_form_is_not_taken_for_a_repeat(desk):
    device = desk.device("ana")
    page = device.get("/c/1/R1-03")
    device.send(page, "/score/1/R1-03", **{"check:release": "pass"})
    device.send(page, "/score/1/R1-03", **{"check:stretch": "pass"})  # back in the browser, the same form again
    assert set(said(desk, "R1-03")) == {"check:release", "check:stretch"}


def test_a_score_and_what_was_answered_to_it_are_stored_together_or_not_at_all(desk, monkeypatch):
    device, commits = desk.device("ana"), []
    page = device.get("/c/1/R1-03")
    shop = desk.bench.shop
    for book in (shop.book("ana"), shop.look):
        sa.event.listen(book._engine, "commit", commits.append)
    device.send(page, "/score/1/R1-03", **{"check:release": "pass"})
    assert len(commits) == 1
    device.send(page, "/score/1/R1-03", **{"check:release": "pass"})
    assert len(commits) == 1  # the same post is answered, and nothing stored

    def full(*_given: object) -> None:
        raise InputError("book", "no room left on the disk", "room", "Make room.")

    monkeypatch.setattr("doe.bench.state.PageState.put_with", full)
    answer = device.score("R1-04", **{"check:release": "pass"})
    assert answer.status_code == 422
    assert "no room left on the disk" in answer.text
    assert desk.book.history(STUDY, "R1-04") == ()


def test_equal_posts_at_the_same_moment_are_carried_out_once(desk):
    device = desk.device("ana")
    fields = {**hidden_fields(device.get("/c/1/R1-03").text, "/score/1/R1-03"), "note": "once", "check:release": "pass"}
    cookie = dict(device.client.cookies)
    answers: list[int] = []

    def post() -> None:
        other = desk.device()
        other.client.cookies.update(cookie)
        answers.append(other.client.post("/score/1/R1-03", data=fields, headers={"Origin": other.origin}).status_code)

    threads = [threading.Thread(target=post) for _ in range(6)]
    [t.start() for t in threads]
    [t.join() for t in threads]
    assert answers == [200] * 6
    assert len(desk.book.history(STUDY, "R1-03")) == 2


def test_a_form_sent_again_after_a_restart_adds_nothing(desk_with, tmp_path):
    desk = desk_with(0)
    fields = {"check:release": "pass", "hand": "4", "note": "fine", "symptom": "edge_haze"}
    desk.device("ana").score("R1-03", **fields)
    before = len(desk.book.history(STUDY, "R1-03"))
    again = desk_with(path=desk.place)
    again.device("ana").score("R1-03", **fields)
    assert len(again.book.history(STUDY, "R1-03")) == before


def test_scores_of_another_program_are_seen_at_once(desk, tmp_path):
    device = desk.device("ana")
    assert "0 of 20 coupons scored" in device.get("/s/1").text
    with Book.open(desk.place, who="office") as book:
        book.record(STUDY, [ScoreEntry("R1-05", checks={"release": True})])
    assert "1 of 20 coupons scored" in device.get("/s/1").text
    assert device.score("R1-05", **{"check:release": "fail"}).status_code == 409


def test_a_score_between_the_look_and_the_store_is_asked_about_too(desk, monkeypatch):
    device, shop = desk.device("ana"), desk.bench.shop
    storing = shop.storing

    def somebody_was_faster(who):
        monkeypatch.setattr(shop, "storing", storing)
        with Book.open(shop.target, who="ben") as other:
            other.record(STUDY, [ScoreEntry("R1-03", checks={"release": False})])
        return storing(who)

    monkeypatch.setattr(shop, "storing", somebody_was_faster)
    page = device.score("R1-03", **{"check:release": "pass"})
    assert page.status_code == 409
    assert "by ben" in words(page)
    assert said(desk, "R1-03") == {"check:release": False}


def test_a_measured_value_is_refused_in_the_units_of_the_page(desk_with):
    device = desk_with(shown=Shown("degF", "psi")).device("ana")
    page = device.score("R1-03", **{"actual:press_temp": "9999", "actual:cure_temp": "warm"})
    assert page.status_code == 422
    problems = words(page).partition("Make and score")[2].partition("release")[0]
    assert "measured press temperature: found '9999'; allowed: -58 °F (-50 °C) to 1832 °F (1000 °C)" in problems
    assert "a unit such as degF" in problems
    assert "degC" not in problems


# washes, progress, hint


def test_the_wash_queue_says_what_is_due_and_what_has_to_wait(desk, tmp_path):
    device = desk.device("ana")
    passed = {"check:release": "pass", "check:stretch": "pass"}
    device.score("R1-01", **passed)
    device.score("R1-02", **passed | {"check:stretch": "fail"})
    day_before = datetime.now(UTC) - timedelta(hours=30)
    with Book.open(desk.place, who="ben", now=lambda: day_before) as book:
        book.record(STUDY, [ScoreEntry("R1-04", checks={"release": True, "stretch": True})])
    text = words(device.get("/wash/1"))
    due, _, later = text.partition(" Later ")
    assert "Due today R1-04 next: sound after 1 wash" in due
    assert "R1-01 next: sound after 1 wash, not before" in later
    assert "R1-02" not in text  # it has failed already
    assert "1 coupon due today" in device.get("/s/1").text
    page = device.get("/c/1/R1-04?wash=1")
    assert '<details class="later" open>' in page.text
    device.score("R1-04", **{"check:wash_1": "pass"})
    assert "R1-04 next: sound after 5 washes" in words(device.get("/wash/1"))
    device.score("R1-04", **{"check:wash_5": "fail"})
    assert "R1-04" not in words(device.get("/wash/1"))


def test_minutes_left_count_the_coupons_that_wait(desk):
    from doe.acts.scoring.making import minutes_left
    from doe.plans.timing import hours_at_machines

    making = desk.bench.shop.making(STUDY)
    all_of_it = hours_at_machines(making.record.study, desk.book.plan_coupons(STUDY), making.record.line)
    cure, press = minutes_left(making, "cure"), minutes_left(making, "press")
    assert cure + press == pytest.approx(all_of_it.minutes)
    device = desk.device("ana")
    device.send(device.get("/s/1"), "/step/1")
    fewer = desk.bench.shop.making(STUDY)
    assert len(fewer.queue("cure")) == len(making.queue("cure")) - 1
    assert minutes_left(fewer, "cure") < cure
    assert "19 coupons at the oven" in device.get("/s/1").text


def test_drift_is_told_from_the_repeated_centre_coupons(desk):
    frame = desk.book.plan_coupons(STUDY)
    centres = frame[frame["role"].str.contains("centre")].sort_values("press_order")["coupon"].tolist()
    device = desk.device("ana")
    assert f"0 of {len(centres)} equal centre coupons are scored" in words(device.get("/s/1"))
    device.score(centres[0], **{"check:release": "pass", "hand": "4"})
    assert f"1 of {len(centres)} equal centre coupons is scored" in words(device.get("/s/1"))
    device.score(centres[1], **{"check:release": "pass", "hand": "4"})
    text = words(device.get("/s/1"))
    assert f"{centres[0]} passed (hand 4.0) and {centres[1]} passed (hand 4.0)" in text
    assert "Both gave the same result" in text
    device.send(
        device.score(centres[1], **{"check:release": "fail"}),
        f"/score/1/{centres[1]}",
        **{"on:check:release": "mine", "why": "lifted"},
    )
    assert "They differ in what passed" in words(device.get("/s/1"))


def test_a_move_of_the_hand_feel_is_told_only_when_it_is_larger_than_its_scatter():
    from doe.acts.scoring.making import Repeats
    from doe.bench.study_page import drift_words
    from doe.surfaces.classical.batch_errors import judge_drift

    moved = judge_drift([[1.0]] * 4, [4.5, 4.0, 3.0, 2.5], [0.0, 1.0, 2.0, 3.0])
    still = judge_drift([[1.0]] * 4, [4.0, 3.5, 4.5, 4.0], [0.0, 1.0, 2.0, 3.0])
    from doe.acts.scoring.making import Coupon
    from doe.book.records import HistoryEntry

    now = datetime(2031, 1, 1, tzinfo=UTC)

    def said(coupon: str, field: str, value: object) -> HistoryEntry:
        return HistoryEntry(1, coupon, field, value, "a", now, "", None, None, current=True)

    felt = tuple(
        Coupon(c, 1, {}, {}, {"check:release": said(c, "check:release", True), "hand:a": said(c, "hand:a", 4.0)})
        for c in ("C0", "C1", "C2", "C3")
    )
    text = " ".join(drift_words(Repeats(felt, 4, (moved.estimate, moved.low, moved.high))))
    assert "Hand-feel moved by -2.1 from the first to the last" in text
    text = " ".join(drift_words(Repeats(felt, 4, (still.estimate, still.low, still.high))))
    assert "no clear move" in text


def test_no_hint_before_eight_scored_coupons(desk_with):
    page = desk_with(6).device("ana").get("/hint/1")
    assert "6 coupons scored; from 8 on there is a hint here. 2 to go." in words(page)


def test_a_hint_says_what_no_coupon_was_asked(desk_with):
    desk = desk_with(10)
    device = desk.device("ana")
    device.get("/hint/1")
    hints = desk.bench.hints
    hints._worker.submit(lambda: None).result(timeout=120)
    ((key, hint),) = hints._by_hash.items()
    assert hint.unvaried == ()
    assert not hint.checks_only
    assert "to meet the whole target" in words(device.get("/hint/1"))
    hints._by_hash[key] = replace(hint, unvaried=("cure time",), checks_only=True, window={})
    text = words(device.get("/hint/1"))
    assert "expected to pass every check (hand-feel was not scored yet)" in text
    assert "No range around them is given: so far the coupons hardly vary cure time." in text
    assert "whole target" not in text
    shop = SimpleNamespace(gauged=lambda making: gauged(), shown=METRIC)
    seen = Seen(
        replace(hint, settings={**hint.settings, "press_temp": 157.0}, window={"press_temp": (155.0, 159.0)}), False
    )
    rows = {row.name: row for row in hint_page(desk.bench.shop.making(STUDY), None, seen, 10, shop).rows}
    press = rows["press temperature"]
    assert (press.value, press.other) == ("161 °C", "322 °F")
    assert (
        press.more == "on the display, for 157 °C (315 °F) on the surface; target expected to hold from 159 to 163 °C"
    )


def test_a_hint_that_the_results_contradict_names_what_to_look_at_again(desk_with, monkeypatch):
    desk = desk_with(10)
    monkeypatch.setattr("doe.setpoint.verdict.contradicted", lambda surfaces: ("R1-02", "R1-07"))
    with desk.bench.shop.look.reading():
        hint = early_hint(desk.bench.shop.look, 1)
    assert hint.look_again == ("R1-02", "R1-07")
    shop = SimpleNamespace(gauged=lambda making: gauged(), shown=METRIC)
    page = hint_page(desk.bench.shop.making(STUDY), None, Seen(hint, False), 10, shop)
    assert any("look at R1-02 and R1-07 again" in line for line in page.lines)
    trusted = hint_page(desk.bench.shop.making(STUDY), None, Seen(replace(hint, look_again=()), False), 10, shop)
    assert not any("contradict" in line for line in trusted.lines)


def test_the_hint_is_computed_beside_the_page_kept_by_its_inputs_and_not_stored(desk_with):
    desk = desk_with(10)
    device = desk.device("ana")
    page = device.get("/hint/1")
    assert "being computed" in page.text
    assert 'data-reload="4"' in page.text
    desk.bench.hints._worker.submit(lambda: None).result(timeout=120)  # it stands in line behind the computation
    text, _, _ = words(device.get("/hint/1")).partition("Words on this page")
    assert "A hint, not a verdict." in text
    scored = desk.book.results(STUDY)
    passed = int((scored["passed"] == True).sum())  # noqa: E712 - the column holds None as well
    assert f"From 10 scored coupons, {passed} of them passed." in text
    assert not any(word in text for word in ("ready", "not reachable", "verdict:"))
    assert desk.book.analyses(STUDY) == ()
    # the same scores again are not computed again; new ones are, and until then the old hint stands
    submitted = []
    original = desk.bench.hints._worker.submit
    desk.bench.hints._worker.submit = lambda *a: submitted.append(a) or original(*a)  # type: ignore[method-assign]
    device.get("/hint/1")
    assert submitted == []
    device.score("R1-15", **{"check:release": "fail", "symptom": "film_lock"})
    text = words(device.get("/hint/1"))
    assert len(submitted) == 1
    assert "Newer scores are there" in text
    assert "From 10 scored coupons" in text
    original(lambda: None).result(timeout=120)
    assert "From 11 scored coupons" in words(device.get("/hint/1"))


def test_scoring_goes_on_while_a_hint_is_computed(desk_with, monkeypatch):
    desk = desk_with(10)
    device = desk.device("ana")
    go_on = threading.Event()
    from doe.bench import shop

    original = shop.early_hint
    monkeypatch.setattr(
        shop, "early_hint", lambda book, study, **more: go_on.wait(60) and original(book, study, **more)
    )
    device.get("/hint/1")
    page = device.score("R1-15", **{"check:release": "pass"})
    assert "R1-15 is stored." in page.text
    go_on.set()


# rounds that are something else


def test_confirmation_and_comparison_show_as_what_they_are(desk):
    record = desk.book.study(STUDY)
    plan = desk.book.plan_coupons(STUDY).head(2)
    confirm = plan.assign(coupon=["C-1", "C-2"], round=2, role="setpoint", cure_order=[1, 2], press_order=[1, 2])
    desk.book.save_round(STUDY, confirm, kind="confirm", seed=1)
    device = desk.device("ana")
    assert "Round 2. Confirmation: these coupons check a setpoint already chosen" in words(device.get("/s/1"))
    assert "Confirmation:" in words(device.get("/c/1/C-1"))
    assert "Confirmation:" not in words(device.get("/c/1/R1-01"))
    study = replace(record.study, name="new lot")
    new = desk.book.add_study(study, stack=record.stack.name, line=record.line.name)
    pair = plan.assign(
        coupon=["D-1", "D-2"],
        round=1,
        stroke=1,
        pair=1,
        material=["incumbent", "new"],
        cure_order=[1, 2],
        press_order=[1, 2],
        press_batch=1,
        press_temp=150.0,
        dwell=12.0,
    )
    desk.book.save_round(new, pair, kind="compare", seed=1)
    page = device.get(f"/s/{new}")
    oven, press = (cards(page)[f"{machine} next"] for machine in ("Cure", "Press"))
    assert "Comparison: two materials side by side" in press
    assert "D-1 pair 1 D-2 pair 1" in press
    assert "by number only" in press
    # the key is where coupons are made, folded away; nothing else of the page on which a pair is scored tells
    assert "D-1: material in use" in oven
    folded = re.compile(r'(?s)<details class="(key|words)">.*?</details>')
    assert len(folded.findall(page.text)) == 2
    shown = folded.sub("", page.text)
    assert not re.search("new material|material in use|incumbent", shown.partition('<div class="meaning"')[0])
    assert "there are no settings to look for" in words(device.get(f"/hint/{new}"))
    assert "from 8 scored" not in words(device.get(f"/s/{new}"))
    for path in (f"/c/{new}/D-1", f"/c/{new}/D-2", f"/list/{new}", f"/undo/{new}/D-1"):
        assert "material" not in words(device.get(path)).partition("Before you touch")[0].replace("two materials", "")


def test_coupons_made_without_a_plan_can_be_scored(desk):
    record = desk.book.study(STUDY)
    study = replace(record.study, name="own coupons")
    new = desk.book.add_study(study, stack=record.stack.name, line=record.line.name)
    frame = pd.DataFrame([{"coupon": "one/two ä", **{f.name: f.low for f in record.study.numeric}}])
    desk.book.save_round(new, frame, kind="brought", seed=0)
    device = desk.device("ana")
    page = device.get(f"/s/{new}")
    assert "made without a plan" in page.text
    link = re.search(r'href="(/c/\d+/one%2Ftwo%20%C3%A4)"', page.text)
    assert link is not None
    page = device.get(link[1])
    answer = device.send(page, link[1].replace("/c/", "/score/"), **{"check:release": "pass"})
    assert "one/two ä is stored." in answer.text


def test_a_study_without_a_plan_says_what_to_do(desk):
    record = desk.book.study(STUDY)
    new = desk.book.add_study(replace(record.study, name="bare"), stack=record.stack.name, line=record.line.name)
    device = desk.device("ana")
    assert "No coupon is planned yet." in device.get(f"/s/{new}").text
    assert "No coupon is planned yet." in device.get(f"/list/{new}").text
    assert device.get("/").text.count("<li>") >= 2


def test_a_round_that_is_made_names_the_step_that_comes_next(desk_with):
    from doe.acts.study.standing import standing_of

    desk = desk_with(None)
    page = words(desk.device("ana").get("/s/1"))
    assert "Everything is made: nothing waits at oven or press." in page
    assert standing_of(desk.book, STUDY).steps[0].step == "recommend"
    assert 'Next: doe recommend "new powder on the heavy tee"' in html.unescape(page)


def test_an_empty_book_says_what_to_do(desk_with, tmp_path):
    path = tmp_path / "empty.sqlite"
    Book.open(path, who="x").close()
    device = desk_with(path=path).device("ana")
    assert "No study is in the book yet." in device.get("/").text


def test_cautions_stand_on_every_page(desk):
    device = desk.device("ana")
    for path in ("/", "/s/1", "/c/1/R1-01", "/wash/1", "/list/1", "/hint/1", "/undo/1/R1-01", "/more", "/name", "/x"):
        text = words(device.get(path))
        for caution in ("Burns at a touch", "Fumes:", "Powder dust", "data sheets", "licensed people", "local codes"):
            assert caution in text, (path, caution)
    assert "Burns at a touch" in desk.device().get("/pair").text


def test_no_word_in_a_name_opens_an_explanation(desk):
    record = desk.book.study(STUDY)
    line = replace(record.line, name="back room & coupon corner")
    desk.book.save_line(line)
    new = desk.book.add_study(
        replace(record.study, name="the setpoint of Ana's batch"), stack=record.stack.name, line=line.name
    )
    device = desk.device("ana")
    device.client.as_sent = True
    page = device.get(f"/s/{new}").text.partition("<footer")[0]
    assert "on back room &amp; coupon corner</p>" in page
    assert "the setpoint of Ana&#39;s batch" in page
    assert 'class="tap"' in page  # other words do


@pytest.mark.parametrize("path", ["/s/1", "/hint/1", "/wrong/1/R1-02"])
def test_words_of_ours_open_their_explanation_where_they_stand(desk, path):
    device = desk.device("ana")
    device.client.as_sent = True
    page = device.get(path).text
    places = set(re.findall(r'class="tap" popovertarget="([^"]*)"', page.partition("<footer")[0]))
    assert places
    for place in places:
        assert f'id="{place}" popover>' in page
    assert "popovertarget" not in page.partition("<h1")[2].partition("</h1>")[0]
