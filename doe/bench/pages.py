"""Rendering: view-models into HTML, style sheets and the script, and addresses of pages."""

from __future__ import annotations

from functools import cache
from typing import Any
from urllib.parse import quote

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
