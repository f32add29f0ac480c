"""The log of what went wrong in the program itself: a person sees one line, the rest is kept here."""

from __future__ import annotations

import logging
import logging.handlers
import sys
from pathlib import Path

from platformdirs import user_log_path

PROGRAM = "doe"


def keep_log(error: BaseException) -> Path | None:
    """Append the traceback to the log; its place, or None where it cannot be written."""
    try:
        path = user_log_path(PROGRAM, appauthor=False, ensure_exists=True) / "doe.log"
        handler = logging.handlers.RotatingFileHandler(path, maxBytes=1_000_000, backupCount=2, encoding="utf-8")
    except OSError:
        return None
    handler.setFormatter(logging.Formatter("%(asctime)s %(message)s"))
    logger = logging.Logger(PROGRAM)  # one of its own: no other program part listens
    logger.addHandler(handler)
    logger.error("doe %s", " ".join(sys.argv[1:2]), exc_info=error)
    handler.close()
    return path
