"""Reading tables whose rows supersede one another."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from functools import cache

import sqlalchemy as sa

from doe.domain.errors import InputError


@cache
def is_current(table: sa.Table) -> sa.ColumnElement[bool]:
    """Condition: no later row supersedes this one."""
    later = table.alias(f"later_{table.name}")
    return ~sa.exists().where(later.c.supersedes == table.c.id)


def unknown(kind: str, key: object, names: Iterable[str], make: str) -> InputError:
    """The refusal of a name the book does not have, with the close ones."""
    known = list(names)
    close = get_close_matches(str(key), known, n=5, cutoff=0.5) or known[:5]
    allowed = ", ".join(close) if close else f"nothing yet: the book has no {kind}"
    return InputError(kind, repr(key), allowed, make)
