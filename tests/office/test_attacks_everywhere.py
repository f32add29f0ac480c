"""The attack list over every form there is: forms are found by going through the pages of a filled shop.

Every text field of every form is filled with markup and sent, and every page is searched for it afterwards; every
address that takes a post is sent forged ones, and those of a device that only looks.
"""

from __future__ import annotations

import io
import re
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any
from urllib.parse import unquote, urlsplit

import pytest
from PIL import Image
from starlette.routing import Match, Route

from doe.acts.study.fits import recommend_study
from doe.bench.devices import COOKIE
from doe.bench.guard import Hosts
from doe.bench.serve import make_app
from doe.book.book import Book
from doe.domain.errors import InputError
from doe.domain.factors import KNOWN_FACTORS
from tests.bench.shop import PORT, Device, PageUnderTest
from tests.bench.test_security import viewer_path
from tests.office.every_form import fill
from tests.office.test_people import RECIPE, ana, every_post, state_of
from tests.office.walk import Walk

__all__ = ["ana"]  # a fixture

MARKUP = "mk\"onfocus=a '</script><img src=x>"
"""Ends an attribute, a script and an element, where it is not escaped; short enough for a name."""
RAW = ('mk"onfocus', "<img src=x")
USABLE = {
    "code": "4821",
    "seed": "12",
    "display": "150",
    "measured": "148",
    "review_months": "12",
    "cure_temp": "115..135",
    "cure_time": "90..210",
    "press_temp": "140..165",
    "dwell": "8..18",
    "pass_rate": "90%",
    "assurance": "90%",
    "hand_min": "",
    "discount": "",
    "earlier": "",
    "wash": "40",
    "until": "2031-03-05",
    "since": "2026-01-05",
    "powder_melting": "",
    "fabric_weight": "",
    "set_cure_temp": "120",
    "set_press_temp": "150",
    "prints": "20",
    "failed": "20",
}
"""What a field takes that takes no words: without it nothing beside it would be stored."""
SETTINGS = set(KNOWN_FACTORS) - {"fabric"}  # which is asked of materials too
LEFT_OUT = {
    "/pair": "on a network only, where nothing is shown before it: tests/bench/test_security.py",
    "/code": "on a network only; takes nothing that is typed",
    "/name": "ends the walk; names are typed in tests/bench/test_security.py",
    "/sign-out": "on a network only; takes nothing that is typed",
    "/leave": "ends the walk; takes nothing that is typed",
}
"""Addresses that no form is sent to here, and why."""
LAST = ("/put-away/", "/take-out/", "/withdraw-plan/", "/forget/", "/people-off", "/retire")
"""Parts of addresses whose forms take others away: they are sent when all others are."""
SHEET = f"Press C;dwell s;{MARKUP};Result\n" + "".join(
    f"{140 + 3 * n};{8 + n % 4};{MARKUP};{'pass' if n % 3 else 'fail'}\n" for n in range(9)
)
EACH = 1
"""Pages of a kind that are looked at."""


def usable(name: str) -> str:
    """What a text field is filled with so that its form is taken: markup wherever words are."""
    if name.endswith("_max"):
        return "175"
    if name.startswith("min_"):
        return "5"
    numbers = ("surface", "max_", "set_", "display_", "recovery", "actual")
    is_number = name.startswith(numbers) or name.endswith(("_wait", "_weight", "_grain", "_opened")) or name in SETTINGS
    return USABLE.get(name, "" if is_number else MARKUP)


@dataclass
class FormSeen:
    """A form of a page: where it goes, hidden fields and those that stand, and the names of text and file fields."""

    action: str
    stands: dict[str, str] = field(default_factory=dict)
    texts: list[str] = field(default_factory=list)
    files: list[str] = field(default_factory=list)

    def tries(self) -> list[dict[str, str]]:
        """What it is filled with: markup everywhere, and wherever words are; where none are typed, in what is sent."""
        if self.texts:
            taken = {name: usable(name) for name in self.texts}
            if "name" in taken:  # no two studies have the same
                taken["name"] += f" {len(self.action)}"
            if "earlier" in self.stands:  # no study here varied the same
                taken["earlier"] = ""
            return [dict.fromkeys(self.texts, MARKUP), taken]
        return [{name: MARKUP for name in self.stands if name not in ("token", "mark")}, {}]

    def uploads(self) -> dict[str, tuple[str, bytes]] | None:
        """A file for each field that takes one, with markup in its name and, in a sheet, in its cells."""
        if not self.files:
            return None
        picture = io.BytesIO()
        Image.new("RGB", (8, 8)).save(picture, "PNG")
        sent = {"file": (f"{MARKUP}.csv", SHEET.encode()), "photo": (f"{MARKUP}.png", picture.getvalue())}
        return {name: sent[name] for name in self.files}


class Reader(HTMLParser):
    """Links and forms of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.links: list[str] = []
        self.forms: list[FormSeen] = []
        self._form: FormSeen | None = None
        self._select = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = {name: value or "" for name, value in attrs}
        name, kind = told.get("name", ""), told.get("type", "text")
        if tag == "a" and told.get("href", "").startswith("/"):
            self.links.append(told["href"].partition("#")[0])
        elif tag == "form" and told.get("method") == "post":
            self._form = FormSeen(unquote(told["action"]))
            self.forms.append(self._form)
        elif self._form is None:
            return
        elif tag == "select":
            self._select = name
            self._form.stands[name] = ""
        elif tag == "option" and (("selected" in told) or not self._form.stands[self._select]):
            self._form.stands[self._select] = told.get("value", "")
        elif tag == "textarea" or (tag == "input" and kind in ("text", "password", "search")):
            self._form.texts.append(name)
            self._form.stands[name] = told.get("value", "")
        elif kind == "file":
            self._form.files.append(name)
        elif (
            kind == "hidden"
            or "checked" in told
            or (
                (kind == "radio" or name == "what") and name not in self._form.stands  # one at least is taken back
            )
        ):
            self._form.stands[name] = told.get("value", "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._form = None


class Crawl:
    """Goes through the pages of a shop, a few of each kind."""

    def __init__(self, office: PageUnderTest, device: Device, more: Sequence[str] = ()) -> None:
        self.device = device
        failed = office.book.results(1).query("symptom == symptom and symptom != ''")["coupon"].iloc[0]
        self.first = (
            *(
                "/own-sheet",
                "/",
                *more,
                "/study/1",
                "/study/2",
                "/study/3",
                "/limits/1",
                "/people",
                f"/recipe/{RECIPE}",
            ),
            *("/fails/found?symptom=film_lock&recipe=none", f"/wrong/1/{failed}", f"/undo/1/{failed}"),
        )
        self.routes = [r for r in routes_of(office) if isinstance(r, Route)]

    def kind(self, path: str, method: str) -> str:
        """The route that an address belongs to, and what tells pages of one route apart."""
        scope = {"type": "http", "path": unquote(urlsplit(path).path), "method": method}
        found = next((r.path for r in self.routes if r.matches(scope)[0] is Match.FULL), "")
        if method == "POST":
            return found
        return f"{found} {scope['path']}" if found in ("/paper/{study:int}/{paper}", "/practice/{exercise}") else found

    def get(self, path: str) -> Any:
        """A page, with what is worked out beside it."""
        answer = self.device.get(path)
        for _ in range(600):
            if 'http-equiv="refresh"' not in answer.text:
                break
            time.sleep(0.05)
            answer = self.device.get(str(answer.url.path))
        return answer

    def pages(self) -> dict[str, str]:
        """Text of every page that links lead to, by its address."""
        waiting, found = list(self.first), {}
        seen = set(waiting)
        kinds: Counter[str] = Counter()
        while waiting:
            path = waiting.pop(0)
            kind = self.kind(path, "GET")
            if (
                not kind
                or (kinds[kind] >= EACH and path not in self.first)
                or re.search(r"/(why|report|entry|artwork\w*)$|\.ics$|^/photo", path)
            ):
                continue
            kinds[kind] += 1
            answer = self.get(path)
            assert answer.status_code < 500, path
            if "text/html" not in answer.headers["content-type"]:
                continue
            found[path] = answer.text
            new = [link for link in dict.fromkeys(Reader(answer.text).links) if link not in seen]
            seen.update(new)
            waiting += new
        return found


def routes_of(office: PageUnderTest) -> list[object]:
    """Every address of the whole job and of the press."""
    return list(make_app(office.bench, Hosts(office.bench.is_local, PORT, ()))._app.routes)


@pytest.fixture
def filled(office_over, demo_book) -> PageUnderTest:
    """A shop with studies, recipes and comparisons."""
    return office_over(demo_book)


def assert_escaped(text: str, where: str) -> None:
    for raw in RAW:
        at = text.find(raw)
        assert at < 0, (where, text[max(0, at - 300) : at + 100])


def send_all(crawl: Crawl, sent: dict[str, int]) -> None:
    """Send a form of every address with markup in every text field, and in all but those that take no words.

    ``sent`` counts the posts of an address that were taken. Answers hold further forms, such as the next screen. What
    was stored offers others: they are looked for once more, and what takes forms away comes last.
    """
    tried = Counter[str]()
    for is_last in (False, True):
        send_those(crawl, sent, tried, is_last=is_last)


def send_those(crawl: Crawl, sent: dict[str, int], tried: Counter[str], *, is_last: bool) -> None:
    """Send the forms of all pages, with ``is_last`` those too that take others away; none is ``tried`` often."""
    waiting = list(crawl.pages().items())
    while waiting:
        path, text = waiting.pop(0)
        for form in Reader(text).forms:
            kind = crawl.kind(form.action, "POST")
            if kind in LEFT_OUT or (any(part in form.action for part in LAST) and not is_last):
                continue
            # the first screens of a study are those of a sheet and of a question
            if tried[kind] > 1 or (sent.get(kind) and not kind.startswith("/begin-")):
                continue
            tried[kind] += 1
            before = sent.setdefault(kind, 0)
            for fields in form.tries():
                # a form that was taken is another one the next time
                again = Reader(crawl.get(path).text).forms if path and sent[kind] > before else []
                fresh = next((f for f in again if f.action == form.action), form)
                data, home = {**fresh.stands, **fields}, {"Origin": crawl.device.origin}
                answer = crawl.device.client.post(fresh.action, data=data, files=form.uploads(), headers=home)
                assert answer.status_code < 500, (form.action, fields, answer.text[:2000])
                assert_escaped(answer.text, f"answer to {form.action}")
                if answer.status_code == 200:
                    sent[kind] += 1
                    is_page = crawl.kind(answer.url.path, "GET") != "" and "POST" not in str(answer.request.method)
                    waiting.insert(0, (answer.url.path if is_page else "", answer.text))


def nothing(*given: object, **more: object) -> None:
    """In the place of what shows no words that are typed here and takes a fit."""
    raise InputError("figures", "none", "none", "None are wanted.")


FITS = ("draw_study", "recommend_study", "extend_study", "plan_confirmation", "begin_retune", "write_story")


def test_markup_in_every_field_of_every_form_is_shown_as_it_was_typed(filled, capsys, monkeypatch):
    more = fill(filled.place, RECIPE)
    filled.bench.staff.begin("Zoe", "4821")
    filled.bench.staff.put("Yan", "releases", "730264")
    crawl, sent = Crawl(filled, filled.device("Ana"), more), dict[str, int]()
    with monkeypatch.context() as patch:
        for work in FITS:
            patch.setattr(f"doe.office.works.{work}", nothing)
        patch.setattr("doe.office.study.SIZES", (12,))
        send_all(crawl, sent)
    kinds = {r.path for r in crawl.routes if "POST" in (r.methods or ())}
    assert sorted(kinds - set(sent)) == sorted(LEFT_OUT)
    assert {kind for kind, taken in sent.items() if not taken} <= WITH_A_FIT
    pages = crawl.pages()
    for path, text in pages.items():
        assert_escaped(text, path)
    shown = [path for path, text in pages.items() if "mk&#34;onfocus" in text or "mk&quot;onfocus" in text]
    assert len(shown) > 5, shown
    # what a page for keeping holds for its script; the answer gave way to what was scored here
    with Book.open(filled.place, who="ana") as book:
        recommend_study(book, 1)
    walk = Walk(crawl.device)
    walk.go("/paper/1/report")
    assert "application/json" in walk.page.text
    assert_escaped(walk.page.text, "the report")
    with capsys.disabled():
        print(f"\nforms of {len(sent)} addresses, {sum(sent.values())} posts taken, {len(pages)} pages searched")


WITH_A_FIT = {"/answer/{study:int}", "/confirm/{study:int}", "/extend/{study:int}", "/retune/{study:int}"}
"""Addresses whose work is left out here, taken or not by when it ends; all others take what is typed."""


def test_forged_posts_store_nothing_at_any_address(filled):
    device, other = filled.device("Ana"), filled.device("Ben", address="192.168.7.21")
    token = Reader(device.get("/begin").text).forms[0].stands["token"]
    foreign = Reader(other.get("/begin").text).forms[0].stands["token"]
    home, before = {"Origin": device.origin}, state_of(filled)
    for path in every_post(filled):
        for name, data, headers in (
            ("no token", {}, home),
            ("an odd token", {"token": MARKUP}, home),
            ("the token of another device", {"token": foreign}, home),
            ("another origin", {"token": token}, {"Origin": "http://elsewhere.example"}),
            ("no origin known", {"token": token}, {"Origin": "null"}),
            ("another host", {"token": token}, {**home, "Host": "elsewhere.example"}),
        ):
            answer = device.client.post(path, data={"why": "x", **data}, headers=headers)
            assert answer.status_code in (400, 403, 421), (path, name, answer.status_code)
        stranger = filled.device()
        answer = stranger.client.post(path, data={"token": token, "why": "x"}, headers=home)
        assert answer.status_code in (401, 403), path
    assert state_of(filled) == before


@pytest.fixture
def office(office_over, demo_book) -> PageUnderTest:
    return office_over(demo_book, is_local=False)


def test_a_device_that_was_given_the_viewers_link_stores_nothing_at_any_address(office, ana):
    guest = office.device()
    assert guest.get(viewer_path(ana.get("/more"))).url.path == "/"
    token, before = office.bench.sessions.form_token(guest.client.cookies[COOKIE]), state_of(office)
    for path in every_post(office):
        answer = guest.client.post(path, data={"token": token, "who": "Ana"}, headers={"Origin": guest.origin})
        assert answer.status_code == 403, (path, answer.text)
    for path in ("/", "/study/1", f"/recipe/{RECIPE}", "/s/1", "/c/1/R1-01", "/fails", "/lines", "/people"):
        assert Reader(guest.get(path).text).forms == [], path
    assert state_of(office) == before
