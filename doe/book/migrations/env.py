"""Run by Alembic for `doe.book.schema`, on the connection and inside the transaction it is given."""

from __future__ import annotations

from alembic import context

from doe.book.tables import VERSION_TABLE

context.configure(connection=context.config.attributes["connection"], version_table=VERSION_TABLE)
context.run_migrations()
