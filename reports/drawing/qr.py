"""QR codes as small inline drawings: what a phone or tablet reads off a label or a card."""

from __future__ import annotations

from html import escape
from itertools import groupby

import segno
from markupsafe import Markup

from doe.domain.errors import InputError

QUIET = 4
"""Empty modules around the code, as ISO/IEC 18004 asks; printed with it, so that no layout can eat them."""


def qr_svg(text: str, *, name: str, title: str = "") -> Markup:
    """QR code of a text as inline SVG, black on white, quiet zone included.

    Error correction level M (15 % of the code may be lost), or better when the code grows no larger by it.

    Parameters
    ----------
    text : str
        What the code says: a coupon id, an address. At most 400 bytes as UTF-8; more would need modules too fine for
        a shop printer.
    name : str
        Unique on its page; every id in the SVG starts with it.
    title : str, optional
        Text alternative; by default that it is a QR code and what it says.

    Raises
    ------
    InputError
        If the text is empty or too long.

    References
    ----------
    ISO/IEC 18004, QR code bar code symbology specification; made by the library segno.

    Examples
    --------
    >>> qr_svg("R1-01", name="q").startswith("<svg")
    True
    """
    rows = qr_modules(text)
    size = len(rows) + 2 * QUIET
    runs = []
    for y, row in enumerate(rows):
        x = 0
        for dark, group in groupby(row):
            length = len(list(group))
            if dark:
                runs.append(f"M{x + QUIET} {y + QUIET}h{length}v1h-{length}z")
            x += length
    # crispEdges: a reader needs square modules without grey seams between the rows
    return Markup(
        f'<svg xmlns="http://www.w3.org/2000/svg" class="qr" viewBox="0 0 {size} {size}" role="img" '
        f'aria-labelledby="{escape(name)}-title" shape-rendering="crispEdges">'
        f'<title id="{escape(name)}-title">{escape(title or f"QR code: {text}")}</title>'
        f'<path fill="#fff" d="M0 0h{size}v{size}H0z"/><path fill="#000" d="{"".join(runs)}"/></svg>'
    )


def qr_modules(text: str) -> tuple[tuple[bool, ...], ...]:
    """Modules of the code without quiet zone, row by row; True is dark. Errors as `qr_svg`."""
    size = len(text.encode())
    if not 1 <= size <= 400:
        raise InputError("QR code", f"{size} bytes", "1 to 400 bytes", "Use a shorter address.")
    code = segno.make(text, error="m", micro=False, boost_error=True)
    return tuple(tuple(bool(module) for module in row) for row in code.matrix)
