"""What is wrong with a field stands beside it, and speaks of it by the name it has on its page."""

from __future__ import annotations

import re
from html import unescape

import pytest

from tests.acts.recipe.samples import confirmed
from tests.bench.shop import hidden_fields
from tests.office.walk import as_it_stands

RECIPE = "/recipe/fine%20powder%20on%20the%20heavy%20tee"
LINE, KNOWN = "/line/back%20room", "/begin/{known}"
NEW = {"stack_chosen": "new", "film": "f", "powder": "p"}
CASES = (
    ("/begin", "/begin-materials", {**NEW, "fabric": ""}, "Fabric or garment"),
    ("/begin", "/begin-materials", {**NEW, "fabric": "f", "powder_melting": "hot"}, "Melting range by its data sheet"),
    ("/begin/{draft}", "/begin-machines", {"line_chosen": "new", "line_name": ""}, "Name of the line"),
    ("/begin/{draft}?step=question", "/begin-question", {"name": "n", "cure_temp": "hot..140"}, "Cure temperature, °C"),
    ("/begin/{draft}?step=question", "/begin-question", {"name": "n", "cure_temp": "10..900"}, "Cure temperature, °C"),
    ("/begin/{draft}?step=question", "/begin-question", {"name": "n", "pass_rate": "200"}, "Share of prints"),
    ("/begin/{draft}?step=question", "/begin-question", {"name": "n", "hand_min": "9"}, "Least mean hand-feel"),
    ("/begin/{draft}?step=question", "/begin-question", {"name": "n", "assurance": "3"}, "How sure"),
    ("/begin/{draft}?step=question", "/begin-question", {"name": ""}, "What is being tuned"),
    ("/begin/{draft}?step=question", "/begin-question", {"name": "blank of Orrin"}, "What is being tuned"),
    ("/limits/1", "/limits/1", {"film_max": "999"}, "Film: highest temperature"),
    ("/limits/1", "/limits/1", {"film_max": "179", "film_max_source": ""}, "Where it stands"),
    ("/line/back%20room", "/line/back%20room", {"display": "x", "measured": "150"}, "Set to, °C"),
    ("/line/back%20room", "/line/back%20room", {"display": "150", "measured": ""}, "The gauge read, °C"),
    ("/line/back%20room", "/withdraw-reading/back%20room", {"reading": "1", "why": ""}, "Why it does not count"),
    (RECIPE, f"{RECIPE}/day", {"prints": "1", "failed": "2"}, "Of them failed"),
    (RECIPE, f"{RECIPE}/day", {"set_cure_temp": "x"}, "cure temperature, dialled"),
    (RECIPE, f"{RECIPE}/retire", {"why": ""}, "Why"),
    (f"{RECIPE}/compare", f"{RECIPE}/offer", {"powder_lot": "x", "margin": "77"}, "Fully: which drop of the pass rate"),
    ("/people", "/people", {"name": "", "right": "scores", "code": "4821"}, "Name"),
    ("/people", "/people", {"name": "Ana", "right": "scores", "code": "1234"}, "Code"),
    ("/study/1", "/put-away/1", {"put_away_why": ""}, "Why it is put away"),
    ("/study/1", "/conditions/1", {"wash": "hot", "programme": "short"}, "Wash, temperature in °C"),
    (LINE, "/certificate/back%20room", {"number": "", "issuer": "x", "until": "2031-03-05"}, "Number"),
    (LINE, "/certificate/back%20room", {"number": "7", "issuer": "x", "until": "soon"}, "Valid until"),
    (KNOWN, "/begin-question", {"name": "n", "source": "sheet", "press_temp": "hot"}, "Press temperature, °C"),
    (KNOWN, "/begin-question", {"name": "n", "source": "", "press_temp": "150"}, "Where these settings come from"),
    (KNOWN, "/begin-question", {"name": "", "source": "sheet", "press_temp": "150"}, "What is being tuned"),
    ("/begin/{draft}?step=question", "/begin-question", {"name": "n", "discount": "7"}, "What one of its coupons"),
)
BESIDE = re.compile(
    r'<(?:label for="[^"]*"|legend)>([^<]*)</(?:label|legend)>\s*<p class="wrong-line"[^>]*>(.*?)</p>', re.DOTALL
)


def said_beside(html: str) -> list[tuple[str, str]]:
    """Every field with something wrong: its name on the page, and what is said."""
    return [(unescape(label), unescape(said)) for label, said in BESIDE.findall(html)]


def check(html: str) -> list[tuple[str, str]]:
    found = said_beside(html)
    assert len(found) == html.count('class="wrong-line"')
    for label, said in found:
        assert said.startswith(f"{label}: found"), (label, said)
        assert "--" not in said
        assert "doe " not in said
    return found


@pytest.fixture(scope="module")
def at(made_demo, tmp_path_factory):
    """A device over a copy of the demo, in which a study was begun."""
    from doe.office.pages import pages
    from tests.bench.shop import make_desk

    place = tmp_path_factory.mktemp("fields") / "shop.sqlite"
    place.write_bytes(made_demo.read_bytes())
    office = make_desk(place, is_local=True, more_pages=pages)
    device = office.device("ana")
    sent = post(device, "/begin", "/begin-materials", {"stack_chosen": "heavy tee, fine powder"})
    draft = str(sent.url.path).removeprefix("/begin/")
    post(device, f"/begin/{draft}", "/begin-machines", {"line_chosen": "back room"})
    sent = post(device, "/begin?known=yes", "/begin-materials", {"stack_chosen": "heavy tee, fine powder"})
    known = str(sent.url.path).removeprefix("/begin/")
    post(device, f"/begin/{known}", "/begin-machines", {"line_chosen": "back room"})
    yield device, {"draft": draft, "known": known}
    office.bench.close()
    office.bench.shop.close()
    assert office.errors == []


def post(device, page: str, action: str, fields: dict[str, str]):
    html = device.get(page).text
    data = {**as_it_stands(html, action), **hidden_fields(html, action), **fields}
    return device.client.post(action, data=data, headers={"Origin": device.origin})


@pytest.mark.parametrize(("page", "action", "fields", "label"), CASES)
def test_an_error_calls_a_field_as_its_page_does(at, page, action, fields, label):
    device, drafts = at
    page = page.format_map(drafts)
    if "machines" in action:
        page += "?step=machines"
    answer = post(device, page, action, fields)
    assert answer.status_code == 422
    found = check(answer.text)
    assert len(found) == 1, found
    assert found[0][0].startswith(label)
    # nothing typed or chosen is lost, but a code and what was not among what is offered
    kept = as_it_stands(answer.text, action)
    lost = {name for name, text in fields.items() if kept.get(name) != text}
    assert lost <= {"code", "margin"}


def test_everything_missing_for_a_release_stands_beside_its_field(office_over, shop_with):
    office = office_over(confirmed(shop_with(2)).book)
    answer = post(
        office.device("ana"), "/study/1", "/release/1", {"name": "tee", "approved_by": "", "review_months": "0"}
    )
    assert answer.status_code == 422
    found = {label for label, _ in check(answer.text)}
    assert {"Approved by", "Looked at again in how many months"} <= found
    answer = post(office.device("ana"), "/study/1", "/release/1", {"name": "tee", "approved_by": "Kim"})
    found = {label for label, _ in check(answer.text)}
    assert {"From oven to press", "Care label", "Room while it was made"} <= found
