"""The command `doe`: thin typer commands, one module a group."""

from __future__ import annotations

import gc
import os

from doe.acts.base import THREADS
from doe.cli.app import app


def main() -> None:
    """Entry point of the command `doe`."""
    for name in THREADS:  # matrices are small: more threads only wait for each other, at three times the processor time
        os.environ.setdefault(name, "1")
    gc.set_threshold(200_000)  # most of what a command makes is code that it loads, of which nothing can be collected
    app()
