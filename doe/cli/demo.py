from __future__ import annotations

import typer


def register(root: typer.Typer) -> None: ...
