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
    gc.set_threshold(200_000)
    gc.disable()  # what is loaded stays; `doe.cli.tree` sets it aside and begins to collect when the command is called
    try:
        app()
    finally:
        gc.freeze()  # Python would look through everything once more before it ends
