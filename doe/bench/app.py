"""The addresses of the page, and the program that answers them."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route
from starlette.types import ASGIApp

from doe.bench import entrance, practice, scores, wrong
from doe.bench.guard import Guard
from doe.bench.hosts import Hosts
from doe.bench.pages import static
from doe.bench.state import Bench
from doe.bench.web import Handler, Needs, looking, on_http_error, posting


def make_app(bench: Bench, hosts: Hosts) -> ASGIApp:
    """The page for a book: give it to an ASGI server.

    Parameters
    ----------
    bench : Bench
    hosts : Hosts
        Names it answers to.
    """

    def look(path: str, act: Handler, needs: Needs = "name") -> Route:
        return Route(path, looking(bench, act, needs))

    def post(path: str, act: Handler, needs: Needs = "name") -> Route:
        return Route(path, posting(bench, act, needs), methods=["POST"])

    routes = [
        look("/", entrance.desk),
        look("/pair", entrance.pair_form, "nothing"),
        post("/pair", entrance.pair, "nothing"),
        look("/look/{token}", entrance.viewer, "nothing"),
        look("/name", entrance.name_form, "device"),
        post("/name", entrance.name, "device"),
        look("/more", entrance.more),
        post("/code", entrance.code),
        post("/leave", entrance.leave, "device"),
        look("/s/{study:int}", scores.study),
        look("/news/{study:int}", scores.news),
        look("/wash/{study:int}", scores.wash),
        look("/list/{study:int}", scores.everything),
        look("/hint/{study:int}", scores.hint),
        look("/c/{study:int}/{coupon:path}", scores.coupon),
        look("/undo/{study:int}/{coupon:path}", scores.undo_form),
        look("/photo/{study:int}/{photo:int}", scores.picture),
        post("/step/{study:int}", scores.step),
        post("/score/{study:int}/{coupon:path}", scores.score),
        post("/photo/{study:int}/{coupon:path}", scores.photo),
        post("/undo/{study:int}/{coupon:path}", scores.undo),
        look("/wrong/{study:int}/{coupon:path}", wrong.wrong),
        post("/case/{study:int}/{coupon:path}", wrong.keep),
        look("/practice", practice.exercises),
        look("/practice/{exercise}", practice.exercise),
        post("/practice/{exercise}", practice.answer),
        look("/practice/{exercise}/{picture:int}.svg", practice.picture),
        Route("/alive", _alive),
        Route("/static/{name}", _static),
    ]

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        del app
        yield
        bench.hints.close()

    app = Starlette(routes=routes, lifespan=lifespan, exception_handlers={HTTPException: on_http_error})
    app.state.bench = bench
    return Guard(app, hosts, photo_path="/photo/")


async def _alive(request: Request) -> Response:
    """Whether there is a connection: asked by a form before it is sent."""
    del request
    return Response(status_code=204)


async def _static(request: Request) -> Response:
    found = static(str(request.path_params["name"]))
    if found is None:
        raise HTTPException(404)
    content, kind = found
    return Response(content, media_type=kind, headers={"cache-control": "private, max-age=600"})
