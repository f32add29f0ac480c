"""Who is let in, from where a form may come, how much may be sent, and what every answer carries."""

from __future__ import annotations

import asyncio
import re

import pytest

from doe.bench.devices import (
    CODE_DIGITS,
    CODE_MINUTES,
    COOKIE,
    MOST_SESSIONS,
    SESSION_HOURS,
    TRIES_A_MINUTE,
    TRIES_ALTOGETHER,
    VIEWER_HOURS,
    Pairing,
)
from doe.bench.door import MOST_PER_ADDRESS, MOST_STRANGERS, Door
from doe.bench.guard import FORM_BYTES, Hosts, same_origin
from doe.bench.web import coupon_url, local_path
from doe.book.page_state import PageState
from tests.bench.shop import ADDRESS, PORT, hidden_fields

LOOKED_AT = (
    "/",
    "/s/1",
    "/c/1/R1-01",
    "/undo/1/R1-01",
    "/wash/1",
    "/list/1",
    "/hint/1",
    "/more",
    "/name",
    "/nowhere",
    "/c/1/R9-99",
    "/s/99",
)
NASTY = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>{{7*7}}"


def audit(desk) -> int:
    return len(desk.book.audit(None))


# what every answer carries


@pytest.mark.parametrize("path", [*LOOKED_AT, "/pair", "/static/bench.css", "/alive"])
def test_every_answer_carries_the_headers_that_protect_it(desk, path):
    for device in (desk.device("ana"), desk.device()):
        headers = device.client.get(path, follow_redirects=False).headers
        policy = headers["content-security-policy"]
        assert "unsafe" not in policy
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
        assert headers["referrer-policy"] == "same-origin"
        assert "server" not in headers


def test_pages_hold_nothing_that_their_policy_forbids(desk_with):
    desk = desk_with(6)
    device = desk.device("ana")
    for path in (*LOOKED_AT, "/pair"):
        html = device.get(path).text
        assert "<style" not in html
        assert not re.search(r"\sstyle=", html)
        assert not re.search(r"\son[a-z]+=", html)
        assert re.findall(r"<script[^>]*>", html) == ['<script src="/static/bench.js" defer>']
        assert not re.search(r'(?:src|href|action)="(?:https?:)?//', html)


def test_only_the_files_of_the_page_can_be_asked_for(desk):
    device = desk.device()
    for name in ("bench.css", "paper.css", "faces.css", "bench.js"):
        assert device.get(f"/static/{name}").status_code == 200
    for name in ("report.html", "..%2f..%2fpyproject.toml", "../app.py", "%2e%2e/x", "bench.css%00", ""):
        assert device.get(f"/static/{name}").status_code == 404


# names, origins, tokens


def test_names_of_other_sites_are_refused(desk):
    device = desk.device("ana")
    for host in (
        "evil.example",
        f"evil.example:{PORT}",
        "192.168.7.2",
        "192.168.7.2:80",
        f"192.168.7.2.evil:{PORT}",
        f"localhost.evil:{PORT}",
        "",
        f"[::1:{PORT}",
        f"192.168.7.2:{PORT}x",
    ):
        assert device.get("/", headers={"Host": host}).status_code == 421, host
    for host in (f"192.168.7.2:{PORT}", f"bench-tablet:{PORT}", f"LOCALHOST:{PORT}", f"[fe80::1]:{PORT}"):
        assert device.get("/alive", headers={"Host": host}).status_code == 204, host


def test_a_page_for_one_machine_answers_to_no_other_address(desk_with):
    device = desk_with(is_local=True).device()
    assert device.get("/alive").status_code == 204
    assert device.get("/alive", headers={"Host": f"192.168.7.2:{PORT}"}).status_code == 421
    assert device.get("/alive", headers={"Host": f"bench-tablet:{PORT}"}).status_code == 204


@pytest.mark.parametrize(
    "origin",
    [
        None,
        "null",
        "http://evil.example",
        f"https://192.168.7.2:{PORT}",
        "http://192.168.7.2",
        f"http://192.168.7.2:{PORT}.evil",
    ],
)
def test_forms_from_other_places_store_nothing(desk, origin):
    device = desk.device("ana")
    fields = hidden_fields(device.get("/c/1/R1-01").text, "/score/1/R1-01")
    before = audit(desk)
    headers = {} if origin is None else {"Origin": origin}
    answer = device.client.post("/score/1/R1-01", data={**fields, "check:release": "pass"}, headers=headers)
    assert answer.status_code == 403
    assert audit(desk) == before


def test_origins_are_compared_whole():
    assert same_origin("http://a:1", "a:1")
    assert same_origin("http://A", "a:80")
    assert not any(same_origin(o, "a:1") for o in ("http://a:2", "http://b:1", "https://a:1", "a:1", "http://a:1/x"))


def test_a_form_needs_the_token_of_its_own_device(desk):
    ana, ben = desk.device("ana"), desk.device("ben")
    page = ana.get("/c/1/R1-01")
    theirs = hidden_fields(ben.get("/c/1/R1-01").text, "/score/1/R1-01")["token"]
    before = audit(desk)
    for token in ("", "x", theirs, "\udc80".encode("utf-8", "surrogateescape").decode("latin-1")):
        answer = ana.send(page, "/score/1/R1-01", token=token, **{"check:release": "pass"})
        assert answer.status_code == 403
    assert audit(desk) == before


def test_other_methods_are_refused(desk):
    device = desk.device("ana")
    for method in ("PUT", "DELETE", "OPTIONS", "PATCH", "TRACE"):
        assert device.client.request(method, "/s/1").status_code == 405
    assert device.client.post("/s/1", headers={"Origin": device.origin}).status_code == 405


# letting devices in


def test_on_a_network_nothing_is_shown_before_pairing(desk):
    device = desk.device()
    for path in LOOKED_AT:
        if path == "/nowhere":
            continue
        answer = device.get(path)
        assert answer.url.path == "/pair", path
        assert "new powder" not in answer.text
    answer = device.client.post("/score/1/R1-01", data={"check:release": "pass"}, headers={"Origin": device.origin})
    assert answer.status_code == 401
    assert "still in your browser" in answer.text


def test_on_one_machine_only_the_name_is_asked_for(desk_with):
    desk = desk_with(is_local=True)
    device = desk.device("cleo")
    assert device.get("/s/1").status_code == 200
    assert desk.said == []
    assert "Show a pairing code" not in device.get("/more").text


def test_the_code_lets_in_one_device_and_leads_on_to_where_it_wanted(desk):
    device, other = desk.device(), desk.device(address="192.168.7.21")
    page = device.get("/c/1/R1-05")
    first = desk.code
    assert re.fullmatch(r"\d{8}", first)
    page = device.send(page, "/pair", code=f" {first[:4]}-{first[4:]} ")
    assert page.url.path == "/name"
    page = device.send(page, "/name", typed="ana")
    assert page.url.path == "/c/1/R1-05"
    assert desk.code != first
    assert other.send(other.get("/pair"), "/pair", code=first).status_code == 403


def test_a_code_is_good_for_ten_minutes_and_a_new_one_is_made_when_somebody_asks(desk):
    device = desk.device()
    page, old = device.get("/pair"), desk.code
    desk.now[0] += CODE_MINUTES * 60 + 1
    assert device.send(page, "/pair", code=old).status_code == 403
    device.get("/pair")
    assert desk.code != old
    assert device.send(device.get("/pair"), "/pair", code=desk.code).url.path == "/name"


def test_guessing_has_to_wait_and_waiting_is_told(desk):
    device = desk.device()
    page = device.get("/pair")
    for _ in range(TRIES_A_MINUTE):
        assert device.send(page, "/pair", code="00000000").status_code == 403
    answer = device.send(page, "/pair", code=desk.code)  # even the right one
    assert answer.status_code == 429
    assert int(answer.headers["retry-after"]) <= 61
    assert desk.device(address="192.168.7.30").send(page, "/pair", code="1").status_code == 403  # its own count
    desk.now[0] += 61
    assert device.send(device.get("/pair"), "/pair", code=desk.code).url.path == "/name"


def test_guesses_are_limited_altogether_and_do_not_cost_the_code_its_life():
    said: list[str] = []
    now = [5.0]
    pairing = Pairing(PageState.in_memory(), lambda: now[0], said.append)
    code = pairing.renew()
    wrong = f"{(int(code) + 1) % 10**CODE_DIGITS:0{CODE_DIGITS}d}"
    for number in range(TRIES_ALTOGETHER + 500):
        assert not pairing.accept(wrong, f"10.0.{number // 250}.{number % 250}")
    assert len(said) == 1
    assert pairing.wait_seconds("10.9.9.9") > 0
    assert not pairing.accept(code, "10.9.9.9")  # nobody is heard now, whatever they send
    now[0] += 61
    for nonsense in ("", "x", "９" * 8, code + "0", " " * 9):
        assert not pairing.accept(nonsense, "10.0.2.1")
    assert pairing.accept(code, "10.9.9.9")
    assert len(said) == 2


def test_of_many_who_send_the_same_code_one_gets_in():
    state, now = PageState.in_memory(), 5.0
    several = [Pairing(state, lambda: now, lambda code: None) for _ in range(3)]
    code = several[0].renew()
    assert [pairing.accept(code, f"10.0.0.{i}") for i, pairing in enumerate(several)] == [True, False, False]


def test_the_memory_for_wrong_codes_does_not_grow_without_end():
    now, state = [0.0], PageState.in_memory()
    pairing = Pairing(state, lambda: now[0], lambda code: None)
    for number in range(500):
        now[0] += 1.0
        pairing.accept("1", f"10.{number // 256}.{number % 256}.1")
    kept = state.get("wrong")
    assert kept is not None
    assert len(kept[0]) <= TRIES_ALTOGETHER + 1


def test_cookies_are_out_of_reach_and_new_after_pairing(desk):
    device = desk.device()
    planted = "planted-by-somebody-else"
    device.client.cookies.set(COOKIE, planted)
    page = device.get("/pair")
    fields = hidden_fields(page.text, "/pair")
    answer = device.client.post(
        "/pair", data={**fields, "code": desk.code}, headers={"Origin": device.origin}, follow_redirects=False
    )
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "samesite=strict" in cookie.lower()
    assert "Path=/" in cookie
    assert planted not in cookie
    desk.device().client.cookies.set(COOKIE, planted)
    assert desk.bench.sessions.find(planted) is None


def test_a_link_on_another_site_asks_once_more_before_a_session_is_begun_anew(desk_with):
    desk = desk_with(0, is_local=True)
    device, elsewhere = desk.device("ana"), {"Sec-Fetch-Site": "cross-site"}
    assert device.get("/s/1", headers=elsewhere).url.path == "/s/1"  # with its cookie there is nothing to ask
    stranger = desk.device()  # as a browser that keeps its cookie back
    for path, on in (("/s/1", "/s/1"), ("/s/1?saved=R1-01", "/s/1?saved=R1-01"), ("//elsewhere.example/x", "/")):
        answer = stranger.client.get(f"{ADDRESS}{path}", headers=elsewhere, follow_redirects=False)
        if answer.status_code == 404:
            continue  # no page of ours
        assert answer.status_code == 200
        assert f'<meta http-equiv="refresh" content="0;url={on}">' in answer.text
        assert "set-cookie" not in answer.headers
    assert stranger.get("/s/1", headers={"Sec-Fetch-Site": "same-origin"}).url.path == "/name"


def test_a_session_ends_when_it_is_not_used_for_a_shift(desk):
    device = desk.device("ana")
    desk.now[0] += SESSION_HOURS * 3600 - 10
    assert device.get("/s/1").url.path == "/s/1"
    desk.now[0] += SESSION_HOURS * 3600 + 10
    assert device.get("/s/1").url.path == "/pair"


def test_a_restart_or_another_process_logs_nobody_out(desk_with):
    desk = desk_with(0)
    device, fresh = desk.device("ana"), desk.device()
    page = device.get("/c/1/R1-05")
    other = desk_with(path=desk.place)  # with memory of its own, over the same book
    moved = other.device(cookies=device.client.cookies)
    assert moved.get("/s/1").url.path == "/s/1"
    fields = {"check:release": "pass", "note": "from the page of the first process"}
    assert moved.send(page, "/score/1/R1-05", **fields).url.path == "/s/1"
    before = audit(desk)
    assert device.send(page, "/score/1/R1-05", **fields).url.path == "/s/1"  # the receipt is known here too
    assert audit(desk) == before
    assert fresh.send(fresh.get("/pair"), "/pair", code=other.code).url.path == "/name"  # so is the code
    device.send(device.get("/more"), "/leave")
    assert moved.get("/s/1").url.path == "/pair"


def test_all_devices_can_be_put_out_at_a_start(desk_with):
    desk = desk_with(0)
    device = desk.device("ana")
    desk.bench.sessions.forget_all()
    assert device.get("/s/1").url.path == "/pair"


def test_a_device_can_be_let_out(desk):
    device = desk.device("ana")
    assert device.send(device.get("/more"), "/leave").url.path == "/pair"
    assert device.get("/s/1").url.path == "/pair"


def test_a_device_sees_the_others_and_puts_a_lost_one_out(desk):
    ana, ben = desk.device("ana"), desk.device("ben")
    page = ana.get("/more")
    assert "ben: last used 1 minute ago." in page.text
    assert "ana: last used" not in page.text
    (key,) = re.findall(r'name="device" value="([0-9a-f]{64})"', page.text)
    looker = desk.device()
    looker.get(viewer_path(page))
    shown = looker.get("/more")
    assert key not in shown.text
    assert looker.send(shown, "/leave", device=key).status_code == 403
    assert ben.get("/s/1").url.path == "/s/1"
    assert "That device is put out." in ana.send(page, "/leave", device=key).text
    assert ben.get("/s/1").url.path == "/pair"
    assert ana.get("/s/1").url.path == "/s/1"


def test_a_paired_device_shows_a_code_for_another_one(desk):
    device = desk.device("ana")
    page = device.send(device.get("/more"), "/code")
    shown = re.search(r"Type (\d{4} \d{4}) on", page.text)
    assert shown is not None
    other = desk.device()
    assert other.send(other.get("/pair"), "/pair", code=shown[1]).url.path == "/name"


# people who only look


def viewer_path(page) -> str:
    found = re.search(r'class="mono">http://[^/]*(/look/[^<]*)<', page.text)
    assert found is not None
    return found[1]


def test_viewers_look_and_store_nothing(desk):
    link = viewer_path(desk.device("ana").get("/more"))
    guest = desk.device()
    assert guest.get(link).url.path == "/"
    for path in ("/s/1", "/c/1/R1-01", "/undo/1/R1-01", "/wash/1", "/list/1", "/more"):
        answer = guest.get(path)
        assert answer.status_code == 200
        assert answer.url.path == path
        if path != "/more":
            assert "<form" not in answer.text
    before = audit(desk)
    token = desk.bench.sessions.form_token(guest.client.cookies[COOKIE])
    for path in ("/score/1/R1-01", "/step/1", "/photo/1/R1-01", "/undo/1/R1-01", "/code", "/name"):
        data = {"token": token, "check:release": "pass", "step": "cured", "coupon": "R1-01", "typed": "eve"}
        answer = guest.client.post(path, data=data, headers={"Origin": guest.origin})
        assert answer.status_code == 403, path
        assert "only looks" in answer.text
    assert audit(desk) == before
    assert "/look/" not in guest.get("/more").text  # who looks cannot hand the link on from here


def test_a_viewer_link_that_was_changed_or_is_old_lets_nobody_in(desk):
    link = viewer_path(desk.device("ana").get("/more"))
    until, _, sign = link.removeprefix("/look/").partition(".")
    changed = (
        f"{int(until) + 1}.{sign}",
        f"{until}.{'0' * len(sign)}",
        until,
        ".y",
        "x.y",
        f"{until}.",
        "9" * 40 + ".a",
    )
    for token in changed:
        guest = desk.device()
        assert guest.get(f"/look/{token}").status_code == 403
        assert guest.get("/s/1").url.path == "/pair"
    desk.now[0] += VIEWER_HOURS * 3600 + 1
    assert desk.device().get(link).status_code == 403


def test_the_viewers_link_cannot_push_out_devices_that_score(desk):
    device = desk.device("ana")
    link = viewer_path(device.get("/more"))
    for _ in range(MOST_SESSIONS + 5):
        desk.device().client.get(link, follow_redirects=False)
    assert device.get("/s/1").url.path == "/s/1"


# how much may be sent


def test_a_form_too_large_is_refused_by_its_length(desk):
    device = desk.device("ana")
    page = device.get("/c/1/R1-01")
    answer = device.send(page, "/score/1/R1-01", note="x" * (FORM_BYTES + 1))
    assert answer.status_code == 413
    assert answer.headers["x-content-type-options"] == "nosniff"


def posted_to(desk, path, receive):
    """Send a form of a stranger as the server would, without a length; the answers, and what was raised."""

    async def run() -> list[dict]:
        answers: list[dict] = []

        async def send(message):
            answers.append(message)

        headers = [(b"host", f"127.0.0.1:{PORT}".encode()), (b"origin", f"http://127.0.0.1:{PORT}".encode())]
        headers.append((b"content-type", b"application/x-www-form-urlencoded"))
        scope = {"type": "http", "method": "POST", "path": path, "raw_path": path.encode(), "headers": headers}
        scope |= {
            "query_string": b"",
            "scheme": "http",
            "client": ("10.1.1.1", 5),
            "http_version": "1.1",
            "root_path": "",
        }
        await desk.app(scope, receive, send)
        return answers

    return asyncio.run(run())


def test_a_body_without_a_length_is_cut_off_while_it_streams(desk):
    taken = []

    async def receive():
        taken.append(1)
        return {"type": "http.request", "body": b"x" * 1024, "more_body": True}

    answers = posted_to(desk, "/pair", receive)
    assert answers[0]["status"] == 413
    assert len(taken) == FORM_BYTES // 1024 + 1


def test_a_body_that_never_ends_arriving_is_given_up(desk, monkeypatch):
    monkeypatch.setattr("doe.bench.guard.FORM_SECONDS", 0.05)

    async def receive():
        await asyncio.sleep(60)

    assert posted_to(desk, "/pair", receive)[0]["status"] == 408


def test_a_stranger_who_breaks_off_is_no_error_of_ours(desk):
    async def receive():
        return {"type": "http.disconnect"}

    assert posted_to(desk, "/pair", receive)[0]["status"] == 400
    assert desk.errors == []


# connections


def test_strangers_cannot_take_the_room_of_devices_that_were_let_in():
    door = Door(is_local=False)
    door.know("10.0.0.1")
    taken = sum(door.enter(f"10.1.{i // 250}.{i % 250}") for i in range(400))
    assert taken == MOST_STRANGERS
    assert all(door.enter("10.0.0.1") for _ in range(MOST_PER_ADDRESS))
    assert not door.enter("10.0.0.1")
    for i in range(400):
        door.leave(f"10.1.{i // 250}.{i % 250}")
    assert door.enter("10.1.0.0")
    assert all(Door(is_local=True).enter("127.0.0.1") for _ in range(300))


def test_an_encrypted_page_knows_its_own_origin():
    assert same_origin("https://A", "a:443", "https")
    assert same_origin("https://a:1", "a:1", "https")
    assert not same_origin("http://a:1", "a:1", "https")
    assert Hosts(False, 443, ("tablet",), "https").takes("tablet")
    assert not Hosts(False, 443, ("tablet",)).takes("tablet")


def test_a_form_of_very_many_fields_is_refused(desk):
    device = desk.device("ana")
    page = device.get("/c/1/R1-01")
    before = audit(desk)
    files = {"photo": ("x.jpg", b"x", "image/jpeg")}
    many = {f"f{i}": "1" for i in range(400)}
    answer = device.send(page, "/photo/1/R1-01", files=files, **many)
    assert answer.status_code == 400
    assert audit(desk) == before


# text from people


def test_text_that_looks_like_code_is_shown_as_text(desk):
    device = desk.device("ana")
    device.send(device.get("/name"), "/name", typed="<b>eve</b>")
    device.score("R1-01", **{"check:release": "fail", "note": NASTY, "hand": "3", "other_person": "<i>x</i>"})
    device.score("R1-02", void=NASTY[:300])
    page = device.score("R1-01", **{"check:release": "pass", "actual:dwell": "12", "note": NASTY + "2"})
    assert page.status_code == 409
    for path in ("/s/1", "/c/1/R1-01", "/c/1/R1-02", "/undo/1/R1-01", "/list/1", "/name", "/"):
        html = device.get(path).text
        assert "<script>alert" not in html
        assert "<img src=x" not in html
        assert "<b>eve" not in html
        assert "<i>x" not in html
    assert "<script>alert" not in page.text
    assert "&lt;script&gt;" in page.text
    assert "&lt;script&gt;" in device.get("/c/1/R1-01").text
    assert "{{7*7}}" in device.get("/c/1/R1-01").text


@pytest.mark.parametrize("name", ["", "   ", "x" * 41, "=cmd", "a\u202eb", "@x"])
def test_names_that_cannot_stand_in_a_book_are_refused(desk, name):
    device = desk.device()
    page = device.send(device.get("/pair"), "/pair", code=desk.code)
    answer = device.send(page, "/name", typed=name)
    assert answer.status_code == 422
    assert device.get("/s/1").url.path == "/name"


def test_wrong_fields_of_the_form_are_named_and_kept(desk):
    device = desk.device("ana")
    before = audit(desk)
    for field, value, said in (
        ("check:release", "maybe", "pass or fail"),
        ("hand", "3.3", "half steps"),
        ("hand", "nan", "half steps"),
        ("symptom", "nonsense", "symptom"),
        ("actual:press_temp", "302", "Fahrenheit"),
        ("actual:press_temp", "<b>", "a number"),
        ("actual:dwell", "-3", "above 0"),
        ("note", "a\x00b", "without"),
        ("other_person", "=x", "people"),
    ):
        fields = {field: value, "note": "keep me"} | ({field: value} if field == "note" else {})
        if field == "other_person":
            fields["hand"] = "3"
        page = device.score("R1-01", **fields)
        assert page.status_code == 422, field
        assert said in page.text
        if field != "note":
            assert "keep me" in page.text
    assert device.score("R1-01").status_code == 422
    assert audit(desk) == before


def test_addresses_lead_only_to_this_page():
    for good in ("/", "/c/1/R1-01?x=1", coupon_url(1, "a/b ä?#&")):
        assert local_path(good) == good
    for bad in ("//evil", "https://evil", "/\\evil", "javascript:alert(1)", "/a\r\nSet-Cookie: x", "", "/" + "x" * 700):
        assert local_path(bad) == "/"


def test_the_place_to_go_on_to_cannot_be_another_site(desk):
    device = desk.device()
    page = device.get("/pair?next=//evil.example/x")
    answer = device.client.post(
        "/pair",
        data={**hidden_fields(page.text, "/pair"), "code": desk.code, "next": "https://evil.example"},
        headers={"Origin": device.origin},
        follow_redirects=False,
    )
    assert answer.headers["location"] == "/"


def test_our_own_mistake_shows_no_traceback_and_is_logged(desk, monkeypatch):
    device = desk.device("ana")

    def broken(study: int) -> None:
        raise RuntimeError("secret detail")

    monkeypatch.setattr(desk.bench.shop, "making", broken)
    answer = device.get("/s/1")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert "Traceback" not in answer.text
    assert [str(e) for e in desk.errors] == ["secret detail"]
    desk.errors.clear()
