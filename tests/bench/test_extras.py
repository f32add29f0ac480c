"""What went wrong with a coupon, and practice, on the page as in the terminal."""

from __future__ import annotations

import html
import re

import pytest

from doe.acts.diagnosis import CASE
from doe.acts.practising import DONE, seed_for, set_lesson
from doe.practice.drill_fault import FindFault
from doe.words import practice
from tests.bench.shop import STUDY, hidden_fields
from tests.cli.test_practice import WALKS as WALKS_THERE
from tests.practice.replay import replay


def words(page) -> str:
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.text)))


def audit(desk) -> int:
    return len(desk.book.audit(None))


@pytest.fixture
def failed(desk):
    """A device, and a coupon on which something is seen."""
    device = desk.device("ana")
    device.score("R1-04", **{"check:release": "fail", "symptom": "no_transfer"})
    return device


def test_a_coupon_with_a_symptom_leads_to_its_causes(desk, failed):
    from doe.symptoms.diagnosis import Evidence, diagnose, shop_odds

    page = failed.get("/c/1/R1-04")
    assert 'href="/wrong/1/R1-04"' in page.text
    assert "/wrong/" not in failed.get("/c/1/R1-05").text
    assert failed.get("/wrong/1/R1-05").status_code in (404, 422)
    page = failed.get("/wrong/1/R1-04")
    # the order is that of the library for this evidence; its facts are those of the study
    chances = [int(n) for n in re.findall(r"(\d+) in 100", page.text)]
    assert chances == sorted(chances, reverse=True)
    assert len(chances) >= 2
    known = {c.fault.label for c in diagnose(Evidence(("no_transfer",)), shop_odds([])).causes}
    assert set(re.findall(r"<tr><td>([^<]+)</td>", html.unescape(page.text))) <= known
    assert "our guesses" in words(page)
    assert "not a fault of a machine" in words(page)


def test_every_outcome_of_a_check_leads_on_and_is_kept_in_the_address(desk, failed):
    page = failed.get("/wrong/1/R1-04")
    outcomes = re.findall(r'href="(/wrong/1/R1-04\?found=[^"]+)">([^<]+)<', page.text)
    assert len(outcomes) >= 4
    link, said = outcomes[0]
    page = failed.get(html.unescape(link))
    assert f"{said[0].upper()}{said[1:]}." in words(page).partition("Found so far")[2]
    further = re.findall(r'href="(/wrong/1/R1-04\?found=[^"]+)"', page.text)
    assert all(html.unescape(link).partition("?")[2] in html.unescape(other) for other in further)
    assert failed.get("/wrong/1/R1-04?found=nonsense:x").status_code == 422
    assert failed.get("/wrong/1/R1-04?found=<script>").status_code == 422


def test_what_it_turned_out_to_be_teaches_the_odds_once(desk, failed):
    page = failed.get("/wrong/1/R1-04?found=settings:usual")
    cause = re.search(r'name="cause" value="([a-z_]+)"', page.text)
    assert cause is not None
    assert failed.send(page, "/case/1/R1-04").status_code == 422  # nothing chosen
    done = failed.send(page, "/case/1/R1-04", cause=cause[1])
    assert "Kept; the shop's odds have learned from it." in words(done)
    (note,) = desk.book.notes(CASE)
    assert (note.data["cause"], note.data["symptoms"], note.data["found"], note.who) == (
        cause[1],
        ["no_transfer"],
        {"settings": "usual"},
        "ana",
    )
    failed.send(failed.get("/wrong/1/R1-04"), "/case/1/R1-04", cause=cause[1])
    assert len(desk.book.notes(CASE)) == 1
    assert failed.send(failed.get("/wrong/1/R1-04"), "/case/1/R1-04", cause="none").status_code == 422
    assert failed.send(failed.get("/wrong/1/R1-04"), "/case/1/R1-04", cause="nonsense").status_code == 422
    assert "1 case of this shop" in words(failed.get("/wrong/1/R1-04"))
    mended = {"cause": cause[1], "back": "passed", "note": "fuse"}
    failed.send(failed.get("/wrong/1/R1-04"), "/case/1/R1-04", **mended)
    (closed,) = desk.book.notes(CASE)
    assert (closed.data["back"], closed.data["note"], closed.data["found"]) == ("passed", "fuse", {"settings": "usual"})


def test_the_diagnosis_stores_nothing_by_itself(desk, failed):
    before = audit(desk)
    failed.get("/wrong/1/R1-04?found=settings:press_low")
    assert audit(desk) == before


# practice

WALKS = {**WALKS_THERE, "blank": ["everywhere 3", "cool 6", "setpoint 4", "hint", "= retune"]}


def play(device, exercise: str, *answers: str):
    """Start an exercise and give these answers; the last page."""
    page = device.send(device.get(f"/practice/{exercise}"), f"/practice/{exercise}", act="start")
    for text in answers:
        page = device.send(page, f"/practice/{exercise}", answer=text, act="answer")
    return page


def test_the_exercises_are_listed_with_what_the_class_does(desk):
    set_lesson(desk.book, "report", 12)
    text = words(desk.device("ana").get("/practice"))
    for title in ("Tune a new powder", "Find", "blank", "report"):
        assert title in text
    assert "set for the class" in text
    assert "An invented world" in text


def test_an_exercise_is_played_as_in_the_terminal_and_kept_once(desk):
    set_lesson(desk.book, "report", 12)
    device = desk.device("ana")
    page = play(device, "report")
    drill = replay("report", 12, [])
    given: list[str] = []
    while (question := drill.question()) is not None:
        assert practice.asked(question)[0][:40] in words(page)
        answer = question.choices[0] if question.choices else "50"
        if question.choices:
            assert f'name="choice" value="{question.choices[0]}"' in page.text
            page = device.send(page, "/practice/report", choice=answer)
        else:
            page = device.send(page, "/practice/report", answer=answer, act="answer")
        assert page.status_code == 200, words(page)[:400]
        drill.answer(answer)
        given.append(answer)
    assert f"{drill.outcome.score} of 100 points, kept under ana." in words(page)
    (note,) = desk.book.notes(DONE)
    assert (note.name, note.data["score"], note.data["answers"]) == ("ana", drill.outcome.score, given)
    for line in practice.truth(drill.outcome):
        assert " ".join(line.split()) in words(page)
    assert page.text.count('class="plot map"') == 2
    assert "best" in words(device.get("/practice"))
    assert seed_for(desk.book, "report", "ana") != 12


def test_coupons_come_back_as_drawings_and_settings_are_read_in_the_units_shown(desk_with):
    from doe.domain.units import Shown

    desk = desk_with(0, shown=Shown(temperature="degF"))
    page = play(desk.device("ana"), "tune", "257 150 311 14 x2")
    assert page.status_code == 200, words(page)[:600]
    assert page.text.count('class="came-back"') == 2
    assert page.text.count("<svg") >= 1
    assert "C01:" in page.text
    assert "257 °F" in words(page)


def test_wrong_answers_change_nothing_and_are_given_back(desk):
    device = desk.device("ana")
    page = play(device, "tune", "1 2 3")
    assert page.status_code == 422
    assert 'value="1 2 3"' in page.text
    page = device.send(page, "/practice/tune", answer="", act="answer")
    assert page.status_code == 422
    assert "Answer the question" in page.text


def test_an_answer_sent_twice_counts_once_and_a_hint_costs(desk):
    device = desk.device("ana")
    page = play(device, "tune")
    fields = {**hidden_fields(page.text, "/practice/tune"), "answer": "125 150 155 14", "act": "answer"}
    for mark in ("a" * 20, "b" * 20):  # another form, the same step
        device.client.post("/practice/tune", data={**fields, "mark": mark}, headers={"Origin": device.origin})
    page = device.get("/practice/tune")
    assert page.text.count('class="came-back"') == 1
    page = device.send(page, "/practice/tune", act="hint")
    assert "hint" in words(page).lower()
    session = desk.bench.sessions.find(device.client.cookies["bench"])
    assert session is not None
    assert session.kept["tune"]["typed"] == ["125 150 155 14", "hint"]


def test_an_exercise_goes_on_after_a_restart(desk_with):
    desk = desk_with(0)
    device = desk.device("ana")
    page = play(device, "tune")
    device.send(page, "/practice/tune", answer="125 150 155 14", act="answer")
    again = desk_with(path=desk.place).device(cookies=device.client.cookies)
    before, after = (re.findall(r'class="came-back">.*', d.get("/practice/tune").text) for d in (device, again))
    assert len(after) == 1
    assert after == before


@pytest.mark.parametrize("exercise", WALKS)
def test_every_exercise_is_walked_to_its_end_on_the_page_and_stands_in_the_class(desk, exercise):
    set_lesson(desk.book, exercise, 2)
    device = desk.device("ana")
    page = play(device, exercise)
    for each in WALKS[exercise]:
        text = each.format(cause=FindFault(2).cause.key) if exercise == "fault" else each
        # a button where there is one with that answer, the field otherwise
        is_button = f'name="choice" value="{text.replace("= ", "=")}"' in page.text
        said = {"act": "hint"} if text == "hint" else {"answer": text, "act": "answer"}
        said = {"choice": text.replace("= ", "=")} if is_button else said
        page = device.send(page, f"/practice/{exercise}", **said)
        assert page.status_code in (200, 422), words(page)[:600]
    assert "of 100 points, kept under ana." in words(page)
    (note,) = desk.book.notes(DONE, "ana")
    assert note.data["exercise"] == exercise
    table = words(device.get("/class"))
    assert f"{note.data['score']} (1 time)" in table
    assert "Set for the class" in table


def test_a_trainer_sets_a_line_for_the_class_and_sees_everybody(desk):
    device = desk.device("ana")
    page = device.get("/class")
    assert "Nobody has done an exercise" in page.text
    for odd in ("", "-1", "x", "1" * 12):
        assert device.send(page, "/class", exercise="fault", seed=odd).status_code == 422
    assert device.send(page, "/class", exercise="nothing", seed="4").status_code == 422
    page = device.send(page, "/class", exercise="fault", seed="4")
    assert "line 4." in words(page)
    assert seed_for(desk.book, "fault", "ben") == 4


def test_exercises_that_do_not_exist_and_viewers_get_nowhere(desk):
    device = desk.device("ana")
    assert device.get("/practice/nonsense").status_code == 404
    assert device.get(f"/wrong/{STUDY}/R9-99").status_code == 404
    guest = desk.device()
    link = re.search(r'class="mono">http://[^/]*(/look/[^<]*)<', device.get("/more").text)
    assert link is not None
    guest.get(link[1])
    assert "<form" not in guest.get("/practice/tune").text
