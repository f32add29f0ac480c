"""Rendering: view-models into HTML, style sheets and the script, and addresses of pages."""

from __future__ import annotations

from functools import cache
from typing import Any
from urllib.parse import quote, urlencode

from reports import pages
from reports.pages import template_source

STYLES = ("paper.css", "bench.css")
SCRIPT = "bench.js"


def render(template: str, view: Any) -> str:
    """Page of a view-model, its text as it stands: forms send it back."""
    return pages.render(template, view, set_well=False)


@cache
def static(name: str) -> tuple[bytes, str] | None:
    """A style sheet or the script with its media type; nothing else can be asked for by name."""
    if name not in (*STYLES, SCRIPT):
        return None
    source = template_source(name)
    kind = "text/javascript" if name == SCRIPT else "text/css"
    return None if source is None else (source.encode(), f"{kind}; charset=utf-8")


def study_url(study: int, **query: str) -> str:
    """Address of a study's page."""
    return f"/s/{study}{_query(query)}"


def coupon_url(study: int, coupon: str, **query: str) -> str:
    """Address of a coupon's form, as it stands in the codes on its label.

    >>> coupon_url(3, "R1-05"), coupon_url(3, "a/b ?")
    ('/c/3/R1-05', '/c/3/a%2Fb%20%3F')
    """
    return f"/c/{study}/{quote(coupon, safe='')}{_query(query)}"


def act_url(act: str, study: int, coupon: str = "", **query: str) -> str:
    """Address of another page or act of a study or a coupon."""
    place = f"/{quote(coupon, safe='')}" if coupon else ""
    return f"/{act}/{study}{place}{_query(query)}"


def _query(query: dict[str, str]) -> str:
    given = {name: value for name, value in query.items() if value}
    return f"?{urlencode(given)}" if given else ""


def local_path(text: str) -> str:
    """A place on this page to go on to; anything else becomes the first page.

    >>> local_path("/c/1/R1-01"), local_path("//elsewhere"), local_path("https://elsewhere")
    ('/c/1/R1-01', '/', '/')
    """
    good = text.startswith("/") and not text.startswith("//") and len(text) <= 600
    return text if good and text.isascii() and text.isprintable() and "\\" not in text else "/"
