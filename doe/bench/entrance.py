"""Letting devices in: pairing, the name on a device, the link for viewers, other tools."""

from __future__ import annotations

import secrets

from markupsafe import Markup
from starlette.responses import Response

from doe.bench.coupon_page import spelled
from doe.bench.devices import CODE_DIGITS, CODE_MINUTES, COOKIE, VIEWER_HOURS, spaced
from doe.bench.views import Choice, DeskPage, Link, MorePage, NamePage, PairPage
from doe.bench.web import Visit, go, local_path, page, plain, problem_lines, with_cookie
from doe.domain.entry import check_people
from doe.domain.errors import InputError
from doe.words.press import minutes_words, told
from reports.drawing.qr import qr_svg


def desk(visit: Visit) -> Response:
    """The first page: studies to work on."""
    links = tuple(
        Link(s.name, f"/s/{s.id}", told("study_line", stack=s.stack, scored=s.scored, coupons=s.coupons))
        for s in visit.bench.shop.look.studies()
    )
    return page("bench_desk.html", DeskPage(visit.frame(), links))


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
    view = PairPage(visit.frame(problems=problems), following, _digits(visit.query("code")))
    answer = page("bench_pair.html", view, status=status)
    return with_cookie(visit, answer, visit.cookie) if fresh else answer


def _digits(text: str) -> str:
    return text if text.isdecimal() and text.isascii() and len(text) == CODE_DIGITS else ""


def pair(visit: Visit) -> Response:
    """Let a device in that knows the code."""
    following = local_path(visit.text("next"))
    wait = visit.bench.pairing.wait_seconds(visit.address)
    if wait:
        seconds = round(wait + 0.5)
        answer = _pair_page(visit, following, told("wait", seconds=seconds), status=429)
        answer.headers["retry-after"] = str(seconds)
        return answer
    if not visit.bench.pairing.accept(visit.text("code"), visit.address):
        return _pair_page(visit, following, told("wrong_code", minutes=CODE_MINUTES), status=403)
    cookie, _ = visit.bench.sessions.begin()
    return with_cookie(visit, go(following), cookie)


def name_form(visit: Visit, typed: str = "", *problems: str, status: int = 422) -> Response:
    """Ask who works on this device; where people sign in, for their code too."""
    following = local_path(visit.query("next") or visit.text("next"))
    everybody = visit.bench.staff.everybody() if visit.signs_in else ()
    names = tuple(person.name for person in everybody) if visit.signs_in else visit.bench.people()[:12]
    view = NamePage(
        visit.frame(problems=problems),
        following,
        people=tuple(Choice(each, each, each == typed) for each in names),
        typed=typed,
        is_signing=bool(everybody),
        is_first=visit.signs_in and not everybody,
    )
    return page("bench_name.html", view, status=status if problems else 200)


def name(visit: Visit) -> Response | str:
    """Keep the name with the session; what is stored from now on is stored in it."""
    if visit.signs_in:
        return _sign_in(visit)
    typed = visit.text("typed") or visit.text("name")
    chosen = spelled(typed, visit.bench.people())
    try:
        check_people([chosen])
    except InputError:
        return name_form(visit, typed, told("name_rule" if chosen else "name_missing"))
    return _used_by(visit, chosen)


def _used_by(visit: Visit, who: str, signed: str = "") -> str:
    assert visit.session is not None
    visit.session.who, visit.session.signed = who, signed
    visit.bench.sessions.keep(visit.session)
    return local_path(visit.text("next"))


def _sign_in(visit: Visit) -> Response | str:
    """Let a person in by the code; the first one of all names a code, and may release."""
    staff, who, code = visit.bench.staff, visit.text("name"), visit.text("code")
    if not staff.everybody():
        who = visit.text("typed")
        try:
            made = staff.begin(who, code)
        except InputError as error:
            return name_form(visit, who, *problem_lines(error))
        return _used_by(visit, made.name, made.mark)
    wait = staff.wait_seconds(who)
    if wait:
        return name_form(visit, who, told("wait_code", name=who, seconds=round(wait + 0.5)), status=429)
    found = staff.sign_in(who, code)
    if found is None:
        known = staff.find(who)
        is_blocked = known is not None and known.is_blocked
        return name_form(
            visit, who, told("blocked_code", name=who) if is_blocked else told("wrong_own_code"), status=403
        )
    return _used_by(visit, found.name, found.mark)


def sign_out(visit: Visit) -> str:
    """Nobody works on this device any more; it stays let in."""
    _used_by(visit, "")
    return "/name"


def viewer(visit: Visit) -> Response:
    """Let people look who have the link; they can store nothing."""
    if not visit.bench.sessions.is_viewer_token(visit.word("token")):
        return plain(visit, "no_way_in", status=403)
    if visit.session is not None and not visit.session.only_looks:
        return go("/")  # a device that may score loses nothing by the link
    cookie, _ = visit.bench.sessions.begin(only_looks=True)
    return with_cookie(visit, go("/"), cookie)


def more(visit: Visit, said: str = "", pair_code: Markup | None = None) -> Response:
    """Other things: the link for viewers, another device, another name."""
    bench = visit.bench
    link = f"{bench.link}/look/{bench.sessions.viewer_token()}" if visit.can_post else ""
    drawn = qr_svg(link, name="viewer", title=told("viewer_code")) if link else None
    others = tuple(
        (
            device.key,
            told(
                "device_looks" if device.only_looks else "device",
                who=device.who or told("device_nobody"),
                ago=minutes_words(ago),
            ),
        )
        for device, ago in (bench.sessions.others(visit.cookie) if visit.can_post else ())
    )
    view = MorePage(
        visit.frame(said=said),
        bench.is_local,
        link,
        drawn,
        f"{VIEWER_HOURS:g}",
        pair_code,
        others,
        is_signed=visit.person is not None,
        has_people=bench.more_pages is not None and visit.is_let_in,
    )
    return page("bench_more.html", view)


def code(visit: Visit) -> Response:
    """Show a new pairing code on a device that is let in already."""
    fresh = visit.bench.pairing.renew()
    drawn = qr_svg(f"{visit.bench.link}/pair?code={fresh}", name="pair", title=told("pair_code"))
    return more(visit, told("new_code", code=spaced(fresh), minutes=CODE_MINUTES), drawn)


def leave(visit: Visit) -> Response:
    """Forget this device, or another one that is named, as a tablet that was lost."""
    if other := visit.text("device"):
        if not visit.can_post:
            return plain(visit, "only_looks", status=403)
        visit.bench.sessions.put_out(other)
        return more(visit, told("put_out"))
    visit.bench.sessions.end(visit.cookie)
    answer = go("/" if visit.bench.is_local else "/pair")
    answer.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
    return answer
