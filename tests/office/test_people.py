"""Who may do what on a network: signing in with a short code, and every post held against the right it needs."""

from __future__ import annotations

import re

import pytest
from starlette.routing import Route

from doe.bench.guard import Hosts
from doe.bench.serve import make_app
from doe.bench.staff import TRIES_A_MINUTE, TRIES_IN_A_ROW, Staff
from doe.book.page_state import PageState
from doe.domain.errors import InputError
from tests.bench.shop import PORT, Device, PageUnderTest, hidden_fields
from tests.office.test_attacks import FIELDS

CODES = {"Ana": "4821", "Ben": "730264", "Cleo": "9157"}
RECIPE = "fine powder on the heavy tee"
ADDRESSES = {"Ana": "192.168.7.20", "Ben": "192.168.7.21", "Cleo": "192.168.7.22"}


@pytest.fixture
def office(office_over, demo_book):
    return office_over(demo_book, is_local=False)


def paired(office: PageUnderTest, who: str = "Ana") -> Device:
    """A device that is let in; nobody has signed in on it."""
    device = office.device(address=ADDRESSES.get(who, "192.168.7.30"))
    device.send(device.get("/"), "/pair", code=office.code)
    return device


def signed_in(office: PageUnderTest, who: str, code: str = "") -> Device:
    device = paired(office, who)
    page = device.send(device.get("/name"), "/name", name=who, code=code or CODES[who])
    assert page.status_code == 200, page.text
    assert page.url.path == "/", page.text
    return device


@pytest.fixture
def ana(office) -> Device:
    """The first person, who names two others."""
    device = paired(office)
    page = device.get("/")
    assert page.url.path == "/name"
    assert "Whoever comes first may release" in page.text
    page = device.send(page, "/name", typed="Ana", code=CODES["Ana"])
    assert page.url.path == "/"
    for name, right in (("Ben", "scores"), ("Cleo", "looks")):
        page = device.send(device.get("/people"), "/people", name=name, right=right, code=CODES[name])
    assert "Ben scores." in page.text
    assert "Cleo only looks." in page.text
    return device


def every_post(office: PageUnderTest) -> list[str]:
    """Every address that is posted to, of the press too, but for those that let in and out."""
    app = make_app(office.bench, Hosts(False, PORT, ()))
    values = {"study": "1", "draft": "x", "recipe": RECIPE, "line": "back room", "coupon": "R1-01", "exercise": "tune"}
    paths = [r.path for r in app._app.routes if isinstance(r, Route) and "POST" in (r.methods or ())]
    paths = [p for p in paths if p not in ("/pair", "/name", "/leave", "/sign-out")]
    assert len(paths) > 30
    return [re.sub(r"\{(\w+)(?::\w+)?\}", lambda found: values[found[1]], path) for path in paths]


def post(device: Device, path: str, **fields: str):
    """A forged form with a token that this device was truly given."""
    token = hidden_fields(device.get("/more").text, "/leave")["token"]
    return device.client.post(path, data={**fields, "token": token}, headers={"Origin": device.origin})


def state_of(office: PageUnderTest) -> tuple:
    drafts = office.book.page_state().all("draft")
    return office.bench.shop.last_act(), drafts, office.bench.staff.everybody()


def test_who_only_looks_sees_every_page_and_can_post_nothing(office, ana):
    cleo = signed_in(office, "Cleo")
    before = state_of(office)
    for path in (
        "/",
        "/study/1",
        "/begin",
        "/limits/1",
        f"/recipe/{RECIPE}",
        "/line/back room",
        "/s/1",
        "/people",
        "/paper/1/confirmation",
    ):
        page = cleo.get(path)
        assert page.status_code == 200, path
        assert re.findall(r'<form method="post" action="([^"]*)"', page.text) == [], path
    for path in every_post(office):
        for fields in ({}, {**dict.fromkeys(FIELDS, "1"), "approved_by": "Ana", "who": "Ana", "right": "releases"}):
            answer = post(cleo, path, **fields)
            assert answer.status_code == 403, (path, answer.text)
            assert "Nothing was stored" in answer.text, path
    assert state_of(office) == before


def releasing(office: PageUnderTest) -> list[str]:
    return [p for p in every_post(office) if re.match(r"/(release/|also/|recipe/.*/retire|people)", p)]


def test_who_scores_cannot_release_retire_or_name_people(office, ana):
    ben = signed_in(office, "Ben")
    before = state_of(office)
    paths = releasing(office)
    assert len(paths) == 5
    for path in paths:
        fields = {"name": "Ben", "right": "releases", "code": "739164", "why": "x", "approved_by": "Ana", "gap": "x"}
        answer = post(ben, path, **fields)
        assert answer.status_code == 403, path
        assert "belong to those who may release" in answer.text, path
    assert state_of(office) == before
    text = ben.get(f"/recipe/{RECIPE}").text
    assert "/retire" not in text
    assert "Take it out of use" in ana.get(f"/recipe/{RECIPE}").text


def test_who_scores_scores_and_the_act_carries_the_name(office, ana):
    ben = signed_in(office, "Ben")
    page = ben.get("/c/2/C1-01" if "C1-01" in ben.get("/list/2").text else "/c/1/R1-01")
    action = re.search(r'<form[^>]*action="(/score/[^"]*)"', page.text)[1]
    answer = ben.send(page, action, note="seen by daylight", who="Ana", name="Ana")
    assert answer.status_code == 200, answer.text
    assert office.book.audit(1)[0].who == "Ben"


def test_a_recipe_is_approved_by_whoever_signed_in_whatever_the_form_says(office, ana):
    answer = post(ana, f"/recipe/{RECIPE}/retire", why="a new powder", approved_by="Ben")
    assert answer.status_code == 200
    assert office.book.audit(1)[0].who == "Ana"
    page = ana.get("/study/1")
    assert 'name="approved_by"' not in page.text


def test_a_name_alone_opens_nothing(office, ana):
    for fields in ({"name": "Ana"}, {"name": "Ana", "code": ""}, {"typed": "Ana"}, {"name": "Ana", "code": "0000"}):
        stranger = paired(office, "Zoe")
        answer = stranger.send(stranger.get("/name"), "/name", **fields)
        assert answer.status_code in (403, 429), fields
        assert stranger.get("/").url.path == "/name"
        assert post_unnamed(stranger, "/begin-materials").url.path == "/name"
        office.now[0] += 61


def post_unnamed(device: Device, path: str):
    token = hidden_fields(device.get("/name").text, "/name")["token"]
    return device.client.post(path, data={"token": token, "fabric": "x"}, headers={"Origin": device.origin})


def test_nobody_becomes_the_first_person_twice(office, ana):
    late = paired(office, "Zoe")
    answer = late.send(late.get("/name"), "/name", typed="Zoe", code="735915")
    assert answer.status_code == 403
    assert [p.name for p in office.bench.staff.everybody()] == ["Ana", "Ben", "Cleo"]


def test_guesses_are_few_and_end_for_good(office, ana):
    guesser = paired(office, "Zoe")
    page = guesser.get("/name")
    for number in range(TRIES_A_MINUTE):
        answer = guesser.send(page, "/name", name="Ben", code=f"{100000 + number}")
        assert answer.status_code == 403
    answer = guesser.send(page, "/name", name="Ben", code=CODES["Ben"])
    assert answer.status_code == 429
    assert "Too many wrong codes for Ben" in answer.text
    for number in range(TRIES_A_MINUTE, TRIES_IN_A_ROW):
        office.now[0] += 61
        assert guesser.send(page, "/name", name="Ben", code=f"{100000 + number}").status_code == 403
    office.now[0] += 61
    answer = guesser.send(page, "/name", name="Ben", code=CODES["Ben"])
    assert answer.status_code == 403
    assert "good for nothing" in answer.text
    assert "good for nothing" in ana.get("/people").text
    # a right code of one person opens nothing for another, and a new code opens again
    post(ana, "/people", name="ben", right="scores", code="918273")
    signed_in(office, "Ben", "918273")


def test_a_new_code_a_lost_right_and_a_lost_place_hold_at_once(office, ana):
    ben, cleo = signed_in(office, "Ben"), signed_in(office, "Cleo")
    post(ana, "/people", name="Ben", right="looks", code="")
    assert post(ben, "/begin-materials", fabric="x").status_code == 403
    post(ana, "/people", name="Ben", right="scores", code="918273")
    assert ben.get("/").url.path == "/name"
    post(ana, "/people-off", name="Cleo")
    assert cleo.get("/").url.path == "/name"
    # somebody who may release is always left
    for path, fields in (("/people-off", {"name": "Ana"}), ("/people", {"name": "Ana", "right": "scores"})):
        answer = post(ana, path, **fields)
        assert answer.status_code == 422
        assert "nobody who may release" in answer.text
    assert ana.get("/").url.path == "/"


def test_signing_out_leaves_the_device_let_in(office, ana):
    page = ana.send(ana.get("/more"), "/sign-out")
    assert page.url.path == "/name"
    assert ana.send(page, "/name", name="Ana", code=CODES["Ana"]).url.path == "/"


def test_codes_are_kept_as_slow_digests_and_shown_nowhere(office, ana):
    kept = str(office.book.page_state().all("staff"))
    assert not any(code in kept for code in CODES.values())
    assert not any(code in ana.get("/people").text for code in CODES.values())


def test_on_the_machine_itself_no_code_is_asked(office, ana, office_over):
    at_home = office_over(office.place)
    device = at_home.device("Zoe")
    assert device.get("/study/1").status_code == 200
    assert "nobody signs in" in device.get("/people").text
    assert "Take it out of use" in device.get(f"/recipe/{RECIPE}").text


def test_the_page_at_the_press_asks_for_codes_once_people_are_named(office, ana):
    office.bench.more_pages = None
    office.app = make_app(office.bench, Hosts(False, PORT, ()))
    device = paired(office, "Ben")
    assert "Your code" in device.get("/s/1").text
    assert device.send(device.get("/name"), "/name", name="Ben", code=CODES["Ben"]).url.path == "/"
    cleo = paired(office, "Cleo")
    cleo.send(cleo.get("/name"), "/name", name="Cleo", code=CODES["Cleo"])
    assert post(cleo, "/score/1/R1-01", note="x").status_code == 403


@pytest.mark.parametrize("code", ["", "12", "1234", "9876", "7777", "abcd", "12 34", "1" * 13, "١٢٣٥"])
def test_codes_that_are_easy_to_guess_are_refused(code):
    staff = Staff(PageState.in_memory(), lambda: 0.0)
    with pytest.raises(InputError, match=r"4 to 12 digits|nothing"):
        staff.put("Ana", "releases", code)
    assert staff.everybody() == ()


def test_of_many_tries_at_once_no_more_than_the_allowed_ones_are_looked_at():
    staff = Staff(PageState.in_memory(), lambda: 0.0)
    staff.begin("Ana", "4821")
    assert [staff.sign_in("Ana", "9999") for _ in range(TRIES_A_MINUTE)] == [None] * TRIES_A_MINUTE
    assert staff.sign_in("Ana", "4821") is None
    assert staff.wait_seconds("Ana") == 60
