"""Two devices, a program started anew and answers that got lost, over the whole job: nothing is stored twice."""

from __future__ import annotations

import re

import pytest

from doe.acts.study.fits import recommend_study
from tests.acts.recipe.samples import STUDY
from tests.bench.shop import hidden_fields
from tests.office.walk import Walk, as_it_stands


def resend(walk: Walk, stale, action: str, **fields: str):
    """Send a form of a page from before, as a browser does that never got its answer."""
    data = {**as_it_stands(stale.text, action), **hidden_fields(stale.text, action), **fields}
    return walk.device.client.post(action, data=data, headers={"Origin": walk.device.origin})


def verbs(office) -> list[str]:
    """What was done in the book so far."""
    return [act.verb for act in office.book.audit(None)]


def test_a_question_goes_on_elsewhere_after_a_restart_and_is_stored_once(office_over):
    first = office_over()
    ana = Walk(first.device("ana"))
    ana.tap("Find the settings")
    materials = ana.page
    ana.send("/begin-materials", fabric="cotton tee", film="cold-peel film", powder="fine powder")
    machines = ana.page
    # the program is started anew; the device that began is still known, another one goes on
    office = office_over(first.place)
    again = Walk(office.device(cookies=ana.device.client.cookies))
    ben = Walk(office.device("ben", address="192.168.7.21"))
    ben.tap("fine powder + cotton tee")
    assert "Screen 2 of 3" in ben.page.text
    ben.send("/begin-machines", line_name="back room", oven="tunnel", press="swing press")
    question = ben.page
    before = verbs(office)
    # what was sent before the restart, and whose answer got lost, comes again
    answer = resend(
        again, materials, "/begin-materials", fabric="cotton tee", film="cold-peel film", powder="fine powder"
    )
    assert answer.status_code == 200
    # the first device sends its own machines screen, which the other one has answered meanwhile
    resend(again, machines, "/begin-machines", line_name="back room", oven="tunnel", press="swing press")
    assert verbs(office) == before
    assert len(office.book.page_state().all("draft")) == 1
    again.go("/")
    again.tap("fine powder + cotton tee")
    typed = {"name": "tees", "cure_time": "90..210", "dwell": "8..18", "hand_min": "3"}
    mine = again.page
    ben.send("/begin-question", **typed)
    resend(ben, question, "/begin-question", **typed)
    answer = resend(again, mine, "/begin-question", **typed)
    assert answer.status_code == 200
    assert [s.name for s in office.book.studies()] == ["tees"]
    assert verbs(office).count("add study") == 1
    assert office.book.page_state().all("draft") == {}


@pytest.fixture
def answered(office_over, shop_with):
    """Pages over a book whose study has its answer, and two devices."""
    shop = shop_with(1)
    with shop.open() as book:
        recommend_study(book, STUDY)
    office = office_over(shop.book)
    return office, Walk(office.device("ana")), Walk(office.device("ben", address="192.168.7.21"))


def test_more_coupons_asked_for_on_two_devices_are_planned_once(answered, office_over):
    office, ana, ben = answered
    for walk in (ana, ben):
        walk.go("/study/1")
    rounds, stale = len(office.book.plan_info(1).rounds), ana.page
    ana.send("/extend/1", coupons="4")
    ben.send("/extend/1", expect=422, coupons="4")
    assert "others planned meanwhile" in ben.page.text
    assert resend(ana, stale, "/extend/1", coupons="4").status_code == 200  # the very same post once more
    assert len(office.book.plan_info(1).rounds) == rounds + 1
    # and once more after the program was started anew
    later = office_over(office.place)
    back = Walk(later.device(cookies=ana.device.client.cookies))
    assert resend(back, stale, "/extend/1", coupons="4").status_code == 200
    assert len(later.book.plan_info(1).rounds) == rounds + 1


def test_readings_first_articles_and_cases_whose_answer_was_lost_are_stored_once(office_over, demo_book):
    first = office_over(demo_book)
    ana, at = Walk(first.device("ana")), "/recipe/fine%20powder%20on%20the%20heavy%20tee"
    sent = []

    def send(page: str, action: str, **fields: str) -> None:
        ana.go(page)
        sent.append((ana.page, action, fields))
        ana.send(action, **fields)

    send("/line/back%20room", "/line/back%20room", machine="press", display="150", measured="147")
    send("/line/back%20room", "/certificate/back%20room", number="7", issuer="a laboratory", until="2031-03-05")
    dials = dict.fromkeys(re.findall(r'name="(set_\w+)"', ana.device.get(at).text), "")
    send(at, f"{at}/day", prints="2", failed="0", **dials)
    send("/fails/found?symptom=edge_lift_wash", "/fails/kept", cause="none")
    send("/study/1", "/conditions/1", wash="40", programme="short")
    before = verbs(first)
    office = office_over(demo_book)
    back = Walk(office.device(cookies=ana.device.client.cookies))
    for stale, action, fields in sent:
        for walk in (ana, back):
            assert resend(walk, stale, action, **fields).status_code == 200, action
    assert verbs(office) == before


def test_a_release_and_a_verdict_pressed_on_two_devices_are_stored_once(office_over, demo_book):
    office = office_over(demo_book)
    ana, ben = Walk(office.device("ana")), Walk(office.device("ben", address="192.168.7.21"))
    at = "/recipe/fine%20powder%20on%20the%20heavy%20tee"
    for walk in (ana, ben):
        walk.go(at)
    ana.send(f"{at}/retire", why="another powder")
    ben.send(f"{at}/retire", expect=422, why="another powder")
    assert sum(verb.startswith("retire") for verb in verbs(office)) == 1
