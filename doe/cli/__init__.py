"""The command `doe`: thin typer commands, one module a group."""

from __future__ import annotations


def main() -> None:
    """Entry point of the command `doe`."""
    from doe.cli.app import app

    app()
