"""One visit: who asks, with which session, for what; and how acts become answers."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from functools import cache
from typing import TYPE_CHECKING, Any, BinaryIO, Literal
from urllib.parse import quote, urlencode, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from doe.bench.devices import COOKIE, Session
from doe.bench.guard import cut_off
from doe.bench.staff import Person, Right, rank
from doe.bench.state import new_mark, receipt_key
from doe.bench.views import Frame, Hidden, PlainPage
from doe.domain.errors import InputError, InputErrors
from doe.words.press import told
from reports import pages
from reports.pages import template_source

if TYPE_CHECKING:
    from doe.acts.scoring.making import Coupon, Making
    from doe.bench.state import Bench
    from doe.book.book import Book

_FILES = {
    "faces.css": "text/css",
    "paper.css": "text/css",
    "bench.css": "text/css",
    "bench.js": "text/javascript",
    "offline.js": "text/javascript",
}
_source = cache(template_source)


def render(template: str, view: Any) -> str:
    """Page of a view-model, its text as it stands: forms send it back."""
    return pages.render(template, view, names=view.frame.names, set_well=False)


async def static(request: Request) -> Response:
    """A style sheet or the script; nothing else can be asked for by name."""
    name = request.path_params["name"]
    if name not in _FILES:
        raise HTTPException(404)
    headers = {"cache-control": "private, max-age=600"}
    if name == "faces.css":  # the largest of them, and it stays as it is
        headers = {"cache-control": "private, max-age=604800"}
    if name == "offline.js":  # it may stand in for every page, though its file lies deeper
        headers |= {"service-worker-allowed": "/", "cache-control": "no-cache"}
    return Response(_source(name), media_type=_FILES[name], headers=headers)


def coupon_place(study: int, coupon: str) -> str:
    """Where a coupon is found in the addresses of its pages.

    >>> coupon_place(3, "a/b ?")
    '3/a%2Fb%20%3F'
    """
    return f"{study}/{quote(coupon, safe='')}"


def coupon_url(study: int, coupon: str) -> str:
    """Address of a coupon's form, as it stands in the codes on its label.

    >>> coupon_url(3, "R1-05")
    '/c/3/R1-05'
    """
    return f"/c/{coupon_place(study, coupon)}"


def local_path(text: str) -> str:
    """A place on this page to go on to; anything else becomes the first page.

    >>> local_path("/c/1/R1-01"), local_path("//elsewhere"), local_path("https://elsewhere")
    ('/c/1/R1-01', '/', '/')
    """
    good = text.startswith("/") and not text.startswith("//") and len(text) <= 600
    return text if good and text.isascii() and text.isprintable() and "\\" not in text else "/"


TOKEN, MARK = "token", "mark"
MOST_FIELDS = 300

Needs = Literal["name", "device", "nothing"]
"""What is asked of a device before it is answered: that somebody chose a name on it, that it is let in, or neither."""


@dataclass
class Visit:
    """One request.

    ``form`` holds what was sent, ``upload`` an open file if there was one, ``key`` is what the post is known by; all
    are empty when somebody only looks.
    Where people sign in (``signs_in``), ``person`` is who did on this device.
    """

    bench: Bench
    request: Request
    cookie: str
    session: Session | None
    form: FormData = field(default_factory=FormData)
    key: str = ""
    signs_in: bool = False
    person: Person | None = None

    @property
    def who(self) -> str:
        """Name chosen on the device."""
        return self.session.who if self.session is not None else ""

    @property
    def can_post(self) -> bool:
        """Whether this device may store something."""
        return self.may("scores")

    def may(self, right: Right) -> bool:
        """Whether whoever uses this device has a right; where nobody signs in, everybody has all of them."""
        if not self.is_let_in:
            return False
        return not self.signs_in or (self.person is not None and rank(self.person.right) >= rank(right))

    @property
    def is_let_in(self) -> bool:
        """Whether the device is one at which people work, not one that was given the viewers' link."""
        return self.session is not None and not self.session.only_looks

    @property
    def is_named(self) -> bool:
        """Whether it is known who uses the device."""
        return self.person is not None if self.signs_in else bool(self.who)

    @property
    def address(self) -> str:
        """Where the request comes from, for counting tries."""
        return self.request.client.host if self.request.client else ""

    def storing(self) -> AbstractContextManager[Book]:
        """The book in the name of whoever scores here, for storing something."""
        return self.bench.shop.storing(self.who)

    def query(self, name: str) -> str:
        """A part of the address, ``""`` if it is not there."""
        return self.request.query_params.get(name, "")

    def number(self, name: str) -> int:
        """A number in the address."""
        return int(self.request.path_params[name])

    def word(self, name: str) -> str:
        """A word in the address."""
        return str(self.request.path_params[name])

    def text(self, name: str) -> str:
        """A field of the form, without blanks around it; ``""`` if it was not sent."""
        value = self.form.get(name, "")
        return value.strip() if isinstance(value, str) else ""

    def texts(self, name: str) -> list[str]:
        """Every value of a field."""
        return [value.strip() for value in self.form.getlist(name) if isinstance(value, str) and value.strip()]

    def upload(self, name: str) -> BinaryIO | None:
        """A file that was sent; None if there was none."""
        value = self.form.get(name)
        return value.file if isinstance(value, UploadFile) and value.size else None

    def file_name(self, name: str) -> str:
        """Name of a file that was sent, fit to be shown and to stand beside others: its last part, no odd letters."""
        value = self.form.get(name)
        said = (value.filename or "") if isinstance(value, UploadFile) else ""
        return re.sub(r"[^\w .()-]", "_", re.split(r"[/\\]", said)[-1]).lstrip(".")[-60:]

    def making(self) -> Making:
        """Where every coupon of the study in the address is."""
        return self.bench.shop.making(self.number("study"))

    def coupon(self) -> tuple[Making, Coupon]:
        """The coupon in the address, and its study."""
        making = self.making()
        return making, making.coupon(self.word("coupon"))

    def frame(
        self,
        making: Making | None = None,
        coupon: Coupon | None = None,
        *,
        said: str = "",
        problems: tuple[str, ...] = (),
        saved: str = "",
    ) -> Frame:
        """The frame of a page for this device, about a study or a coupon of it."""
        hidden = (Hidden(TOKEN, self.bench.sessions.form_token(self.cookie)), Hidden(MARK, new_mark()))
        frame = Frame(
            self.who,
            self.can_post,
            hidden,
            said,
            problems,
            saved,
            names=(*self.bench.shop.names(), self.who),
            is_whole=self.bench.more_pages is not None,
        )
        if making is not None:
            frame = replace(frame, about=making.record.name, study=making.record.id)
        if coupon is not None:
            frame = replace(frame, coupon=coupon.name, at=coupon_place(frame.study, coupon.name))
        return frame


Handler = Callable[[Visit], Response | str]


def page(template: str, view: Any, *, status: int = 200) -> HTMLResponse:
    """Answer with a page."""
    return HTMLResponse(render(template, view), status_code=status)


def go(path: str) -> RedirectResponse:
    """Answer with another address to be looked at."""
    return RedirectResponse(path, status_code=303)


def problem_lines(error: InputError) -> tuple[str, ...]:
    """An error as lines for a page: every problem of a form, ten at most."""
    problems = error.problems if isinstance(error, InputErrors) else (error,)
    further = (told("more_problems", further=len(problems) - 10),) if len(problems) > 10 else ()
    return (*map(str, problems[:10]), *further)


def with_cookie(visit: Visit, response: Response, cookie: str) -> Response:
    """Give the device its cookie: out of reach of scripts, and never sent along from other sites."""
    is_secret = visit.request.url.scheme == "https"
    response.set_cookie(COOKIE, cookie, path="/", httponly=True, samesite="strict", secure=is_secret)
    return response


def plain(visit: Visit, code: str, *more: str, status: int, pair: str = "") -> Response:
    """A page that says something: the text of a code, its first line as the heading, and ``more`` below."""
    heading, *lines = told(f"page_{code}").splitlines()
    return page("bench_plain.html", PlainPage(visit.frame(), heading, (*lines, *more), pair), status=status)


def looking(bench: Bench, path: str, act: Handler, needs: Needs = "name") -> Route:
    """An address to look at. Without a session it leads to pairing, without a name to choosing one."""

    async def endpoint(request: Request) -> Response:
        visit = await _visit(bench, request)
        if needs != "nothing":
            following = request.url.path + (f"?{request.url.query}" if request.url.query else "")
            if visit.session is None and request.headers.get("sec-fetch-site") == "cross-site":
                # a cookie is not sent along a link on another site, nor on a page made for keeping, which runs without
                # access to ours: the browser asks once more, from a page of ours, before anything is begun anew
                again = local_path(following)
                return page("bench_plain.html", PlainPage(visit.frame(), told("from_elsewhere"), (), "", again))
            if visit.session is None and bench.is_local:
                # only this machine can ask, so there is nothing to pair
                visit.cookie, visit.session = await run_in_threadpool(bench.sessions.begin)
                return with_cookie(visit, go(_onward("/name", following)), visit.cookie)
            if visit.session is None:
                return go(_onward("/pair", following))
            if needs == "name" and visit.is_let_in and not visit.is_named:
                return go(_onward("/name", following))
        return await _run(visit, lambda: _looked(visit, act))

    return Route(path, endpoint)


def _looked(visit: Visit, act: Handler) -> Response | str:
    """An answer made of one look at the book."""
    with visit.bench.shop.look.reading():
        return act(visit)


def posting(bench: Bench, path: str, act: Handler, needs: Needs = "name", right: Right | None = "scores") -> Route:
    """An address to post to: only from a device that may, with the token of its own pages, and once a form.

    Where people sign in, whoever did needs the ``right``; None is for what those may do too who only look.
    """

    async def endpoint(request: Request) -> Response:
        visit = await _visit(bench, request)
        if visit.session is None and needs != "nothing":
            # back to the page of ours that the form stood on
            back = local_path(urlsplit(request.headers.get("referer", "")).path or "/")
            return plain(visit, "not_let_in", status=401, pair=_onward("/pair", back))
        if visit.session is not None and visit.session.only_looks and right is not None:
            return plain(visit, "only_looks", status=403)
        try:
            async with request.form(max_files=2, max_fields=MOST_FIELDS) as form:
                visit.form = form
                if not bench.sessions.is_form_token(visit.text(TOKEN), visit.cookie):
                    return plain(visit, "old_form", status=403)
                if needs == "name" and not visit.is_named:
                    return go("/name")
                if needs == "name" and right is not None and not visit.may(right):
                    return plain(visit, f"no_right_{right}", status=403)
                visit.key = receipt_key(visit.text(MARK), _parts(visit))
                return await _run(visit, lambda: bench.receipts.once(visit.key, lambda: act(visit)))
        except ClientDisconnect:  # nobody is there to hear it
            return Response(status_code=400)

    return Route(path, endpoint, methods=["POST"])


async def _visit(bench: Bench, request: Request) -> Visit:
    cookie = request.cookies.get(COOKIE, "")
    session, (signs_in, person) = await run_in_threadpool(bench.device, cookie)
    visit = Visit(bench, request, cookie, session, signs_in=signs_in, person=person)
    if visit.is_let_in:
        bench.door.know(visit.address)
    return visit


def _parts(visit: Visit) -> Iterator[str]:
    """Everything in a post that makes it the same as another one."""
    yield from (visit.request.url.path, visit.who)
    for name, value in sorted(visit.form.multi_items(), key=lambda item: item[0]):
        if isinstance(value, UploadFile):
            yield name + hashlib.file_digest(value.file, "sha256").hexdigest()  # type: ignore[arg-type] # spooled
            value.file.seek(0)
        elif name != TOKEN:
            yield from (name, value)


async def _run(visit: Visit, act: Callable[[], Response | str]) -> Response:
    """Carry out an act beside the event loop, and put into words what goes wrong."""
    try:
        answer = await run_in_threadpool(act)
    except InputError as error:
        is_missing = str(error.found).startswith("no such") or error.where == "study"
        return plain(visit, "refused", *problem_lines(error), status=404 if is_missing else 422)
    except HTTPException:
        raise
    except Exception as error:
        visit.bench.log(error)
        return plain(visit, "mistake", status=500)
    return answer if isinstance(answer, Response) else go(answer)


def _onward(page_path: str, following: str) -> str:
    return f"{page_path}?{urlencode({'next': following})}" if following not in ("", "/") else page_path


async def on_http_error(request: Request, error: Exception) -> Response:
    """What the framework itself refuses, as a page of ours."""
    assert isinstance(error, HTTPException)
    bench: Bench = request.app.state.bench
    if error.status_code in (408, 413):  # cut off while it arrived: what is still on its way is not read
        return cut_off(error.status_code, str(request.url.path))
    code = str(error.status_code) if error.status_code in (400, 404, 405) else "refused"
    return plain(await _visit(bench, request), code, status=error.status_code)
