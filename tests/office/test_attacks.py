"""Posts that no page of ours would send: forged, empty, odd, or from somebody who only looks."""

from __future__ import annotations

import re

import pytest
from starlette.routing import Route

from doe.bench.guard import Hosts
from doe.bench.serve import make_app
from doe.office.pages import pages
from reports.sheet.artwork import artwork_pdf
from tests.bench.shop import PORT, Device, hidden_fields

ODD = ("", "\x00", "<script>alert(1)</script>", "9" * 400, "nan", "../../etc", "é|ü|ß", "-1")
FIELDS = (
    "draft",
    "use_0",
    "people",
    "leave_1",
    "stack_chosen",
    "fabric",
    "film",
    "powder",
    "ink",
    "stack_name",
    "line_chosen",
    "line_name",
    "oven",
    "press",
    "gauge",
    "name",
    "cure_temp",
    "dwell",
    "pass_rate",
    "hand_min",
    "assurance",
    "film_max",
    "film_max_source",
    "plan",
    "coupons",
    "claim",
    "approved_by",
    "review_months",
    "why",
    "margin",
    "powder_lot",
    "machine",
    "display",
    "measured",
    "place",
    "reading",
    "cause",
    "symptom",
    "recipe",
    "earlier",
    "discount",
    "give_up",
    "attempt",
    "rounds",
    "found",
)


def addresses(bench) -> list[str]:
    """Every address that is posted to, filled in for the demo's study, recipe and line."""
    values = {"study": "1", "draft": "x", "recipe": "fine powder on the heavy tee", "line": "back room"}
    posted = [r.path for r in pages(bench) if isinstance(r, Route) and "POST" in (r.methods or ())]
    assert len(posted) > 15
    return [re.sub(r"\{(\w+)(?::\w+)?\}", lambda found: values[found[1]], path) for path in posted]


@pytest.fixture
def office(office_over, demo_book):
    return office_over(demo_book)


def token(device: Device) -> dict[str, str]:
    return hidden_fields(device.get("/begin").text, "/begin-materials")


@pytest.mark.parametrize("odd", [None, *ODD])
def test_odd_fields_are_refused_in_words(office, odd):
    device = office.device("Ana")
    mine = token(device)["token"]
    fields = {} if odd is None else dict.fromkeys(FIELDS, odd)  # each field, or none at all
    for path in addresses(office.bench):
        data = {**fields, "token": mine}
        answer = device.client.post(path, data=data, headers={"Origin": device.origin})
        assert answer.status_code < 500, (path, odd, answer.text[:2000])
        assert "<script>alert" not in answer.text, path


def test_what_is_not_sent_by_a_page_of_ours_stores_nothing(office):
    device = office.device("Ana")
    before = office.bench.shop.last_act()
    for path in addresses(office.bench):
        plain = {"Origin": device.origin}
        assert device.client.post(path, data={"why": "x"}, headers=plain).status_code == 403, path
        forged = {**token(device), "why": "x"}
        elsewhere = device.client.post(path, data=forged, headers={"Origin": "http://elsewhere.example"})
        assert elsewhere.status_code == 403, path
        stranger = office.device()
        assert stranger.client.post(path, data=forged, headers=plain).status_code in (401, 403), path
    assert office.bench.shop.last_act() == before


def test_a_study_thrown_away_meanwhile_is_asked_again_from_its_first_screen(office):
    device = office.device("Ana")
    answer = device.client.post(
        "/begin-question",
        data={**token(device), "draft": "gone", "name": "a study", "dwell": "8..18"},
        headers={"Origin": device.origin},
    )
    assert "Screen 1 of 4" in answer.text


def test_stored_markup_is_shown_as_it_was_typed(office):
    device = office.device("Ana")
    odd = "<img src=x onerror=alert(1)>"
    data = {**token(device), "stack_chosen": "new", "fabric": odd, "film": "f", "powder": "p", "stack_name": odd}
    answer = device.client.post("/begin-materials", data=data, headers={"Origin": device.origin})
    assert odd not in answer.text
    for path in ("/", "/begin"):
        text = device.get(path).text
        assert odd not in text
    assert "&lt;img src=x" in device.get("/begin").text


def test_pages_for_keeping_run_without_access_to_anything_of_ours(office):
    device = office.device("Ana")
    for path in ("/paper/1/sheet", "/recipe/fine powder on the heavy tee/card"):
        policy = device.get(path).headers["content-security-policy"]
        assert "sandbox allow-scripts allow-modals" in policy
        assert "allow-same-origin" not in policy
        assert "default-src 'none'" in policy


def test_the_test_image_is_linked_and_kept_as_the_command_writes_it(office):
    device = office.device("Ana")
    for name, mirrored in (("artwork", False), ("artwork_mirrored", True)):
        assert f'href="/paper/1/{name}"' in device.get("/study/1").text
        answer = device.get(f"/paper/1/{name}")
        assert answer.headers["content-type"] == "application/pdf"
        assert answer.content == artwork_pdf(mirrored=mirrored)


def test_the_page_at_the_press_has_none_of_these_addresses(office):
    office.bench.more_pages = None
    app = make_app(office.bench, Hosts(True, PORT, ("bench-tablet",)))
    office.app = app
    device = office.device("Ana")
    for path in ("/begin", "/study/1", "/lines", "/paper/1/report"):
        assert device.get(path).status_code == 404
