"""Names of coupons stay in one piece: a line may end at a hyphen, and half a name is another one."""

from __future__ import annotations

import re

_CODE = re.compile(r"[(\u201c]?\bR\d+-\d+\b[).,:;?\u201d]*")
"""A coupon's name with the marks that stand at it without a blank."""
_PIECE = re.compile(r"<!--.*?-->|<(style|script|head|option|textarea|title|pre)\b.*?</\1>|<[^>]*>", re.DOTALL)
"""Tags, and what takes no other element or is copied as it stands."""


def with_whole_codes(page: str) -> str:
    """A page on which no line ends within the name of a coupon; drawings set their own lines.

    >>> with_whole_codes('<body><p id="R1-04">Coupon R1-04, <b>R1-05</b></p>')
    '<body><p id="R1-04">Coupon <span class="tied">R1-04,</span> <b><span class="tied">R1-05</span></b></p>'
    """
    at = page.find("<body")
    if at < 0 or not _CODE.search(page, at):
        return page
    done, drawings = [page[:at]], 0  # drawings stand within drawings
    for piece in _PIECE.finditer(page, at):
        text = page[at : piece.start()]
        done += [text if drawings else _CODE.sub(r'<span class="tied">\g<0></span>', text), piece[0]]
        drawings += piece[0].startswith("<svg") - piece[0].startswith("</svg")
        at = piece.end()
    return "".join((*done, page[at:]))
