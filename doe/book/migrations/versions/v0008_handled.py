"""A score may say whether the coupon was handled well: a field of its own, ``handled``.

Revision 0008. Fields are rows, so no table changes and what is stored stays as it is; the step keeps a program that
does not know the field from taking such a coupon for one that nobody was asked about.
"""

from __future__ import annotations

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    """Nothing to change."""
