"""The command `doe`: thin typer commands, one module a group."""

from __future__ import annotations

from doe.cli.app import app


def main() -> None:
    """Entry point of the command `doe`."""
    app()
