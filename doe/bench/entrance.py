"""Letting devices in: pairing, the name on a device, the link for viewers, other tools."""

from __future__ import annotations

import secrets

from starlette.responses import Response

from doe.bench.forms import spelled
from doe.bench.pages import local_path
from doe.bench.pairing import CODE_MINUTES, spaced
from doe.bench.sessions import COOKIE, VIEWER_HOURS
from doe.bench.views import DeskPage, Link, MorePage, NamePage, PairPage, Tool
from doe.bench.web import Visit, go, page, plain, with_cookie
from doe.domain.entry import check_people
from doe.domain.errors import InputError
from doe.words.wording import count
from reports.drawing.qr import qr_svg

NETWORK_NOTE = (
    "The page is sent as it is, not encrypted: use it on the shop's own network, and not on one that guests share."
)


def desk(visit: Visit) -> Response:
    """The first page: studies to work on."""
    studies = visit.bench.shop.look.studies()
    links = tuple(
        Link(s.name, f"/s/{s.id}", f"{s.stack}: {s.scored} of {count(s.coupons, 'coupon')} scored") for s in studies
    )
    nothing = "" if links else "No study is in the book yet. Make one with doe study new, and a plan with doe plan."
    frame = visit.frame("What is on the bench", kicker="Bench page", links=here(visit))
    return page("bench_desk.html", DeskPage(frame, links, nothing))


def here(visit: Visit, *, practice: bool = False, more: bool = False) -> tuple[Link, ...]:
    """Ways from the first page."""
    path = visit.request.url.path
    first = Link("Studies", "/", is_here=path == "/")
    return (first, Link("Practice", "/practice", is_here=practice), Link("More", "/more", is_here=more))


def pair_form(visit: Visit) -> Response:
    """Ask for the code that stands in the terminal."""
    following = local_path(visit.query("next"))
    if visit.session is not None:
        return go(following)
    visit.bench.pairing.ask()
    return _pair_page(visit, following)


def _pair_page(visit: Visit, following: str, *problems: str, status: int = 200) -> Response:
    fresh = not visit.cookie
    if fresh:  # the form needs something of this device to be tied to
        visit.cookie = secrets.token_urlsafe(24)
    frame = visit.frame("Let this device in", kicker="Bench page", problems=problems)
    answer = page("bench_pair.html", PairPage(frame, following, following), status=status)
    return with_cookie(answer, visit.cookie) if fresh else answer


def pair(visit: Visit) -> Response:
    """Let a device in that knows the code."""
    following = local_path(visit.text("next"))
    wait = visit.bench.pairing.wait_seconds(visit.address)
    if wait:
        said = f"Too many wrong codes from this device. Wait {count(round(wait + 0.5), 'second')}, then try again."
        answer = _pair_page(visit, following, said, status=429)
        answer.headers["retry-after"] = str(round(wait + 0.5))
        return answer
    if not visit.bench.pairing.accept(visit.text("code"), visit.address):
        said = f"That is not the code. It stands in the terminal, for {CODE_MINUTES:g} minutes and for one device."
        return _pair_page(visit, following, said, status=403)
    cookie, _ = visit.bench.sessions.begin()
    return with_cookie(go(following), cookie)


def name_form(visit: Visit) -> Response:
    """Ask who scores on this device."""
    return _name_page(visit, local_path(visit.query("next")))


def _name_page(visit: Visit, following: str, typed: str = "", *problems: str) -> Response:
    names = dict.fromkeys((*visit.bench.sessions.names(), *visit.bench.shop.people()))
    frame = visit.frame("Who scores on this device?", kicker="Bench page", problems=problems)
    people = tuple(list(names)[:12])
    return page("bench_name.html", NamePage(frame, following, people, typed), status=422 if problems else 200)


def name(visit: Visit) -> Response | str:
    """Keep the name with the session; what is stored from now on is stored in it."""
    following = local_path(visit.text("next"))
    typed = visit.text("typed") or visit.text("name")
    known = (*visit.bench.sessions.names(), *visit.bench.shop.people())
    chosen = spelled(typed, known)
    try:
        check_people([chosen])
    except InputError:
        allowed = "Write a name of at most 40 characters on one line that does not start with =, +, - or @."
        return _name_page(visit, following, typed, f"{'No name was given.' if not chosen else ''} {allowed}".strip())
    assert visit.session is not None
    visit.session.who = chosen
    return following


def viewer(visit: Visit) -> Response:
    """Let people look who have the link; they can store nothing."""
    if not visit.bench.sessions.is_viewer_token(visit.word("token")):
        lines = ("This link is too old or not whole. Ask for a new one: it stands under More on a device that scores.",)
        return plain(visit, "This link lets nobody in", lines, status=403)
    if visit.session is not None and not visit.session.only_looks:
        return go("/")  # a device that may score loses nothing by the link
    cookie, _ = visit.bench.sessions.begin(only_looks=True)
    return with_cookie(go("/"), cookie)


def more(visit: Visit, *said: str) -> Response:
    """Other things: the link for viewers, another device, another name."""
    bench = visit.bench
    link, code = "", None
    tools: tuple[Tool, ...] = ()
    notes: tuple[str, ...] = ("Only this machine reaches this address.",) if bench.is_local else (NETWORK_NOTE,)
    if visit.can_post:
        link = f"{bench.link}/look/{bench.sessions.viewer_token()}"
        code = qr_svg(link, name="viewer", title="QR code of the link for viewers")
        notes = (f"Whoever has this link can look for {VIEWER_HOURS:g} hours, and can store nothing.", *notes)
        tools = (
            Tool(f"This device stores in the name of {visit.who}.", "Choose another name", "/name", posts=False),
            *(() if bench.is_local else (Tool("Another device wants to score.", "Show a pairing code", "/code"),)),
            Tool("Nobody scores on this device any more.", "Let it out", "/leave"),
        )
    elif not bench.is_local:
        tools = (Tool("This device only looks.", "Let it in with a pairing code", "/leave"),)
    frame = visit.frame("More", kicker="Bench page", links=here(visit, more=True), said=" ".join(said))
    return page("bench_more.html", MorePage(frame, link, code, notes, tools))


def code(visit: Visit) -> Response:
    """Show a new pairing code on a device that is let in already."""
    fresh = spaced(visit.bench.pairing.renew())
    return more(visit, f"Type {fresh} on the other device within {CODE_MINUTES:g} minutes.")


def leave(visit: Visit) -> Response:
    """Forget this device."""
    visit.bench.sessions.end(visit.cookie)
    answer = go("/" if visit.bench.is_local else "/pair")
    answer.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
    return answer
