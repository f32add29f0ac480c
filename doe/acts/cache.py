"""The user's cache folder: what can be computed again, kept to spare the time."""

from __future__ import annotations

import os
from pathlib import Path

CACHE_DIR = "DOE_CACHE"
"""Environment variable that names another cache folder."""


def cache_folder() -> Path:
    """The user's cache folder, or the one that ``DOE_CACHE`` names."""
    named = os.environ.get(CACHE_DIR)
    if named:
        return Path(named)
    from platformdirs import user_cache_path  # noqa: PLC0415 - only where no folder is named

    return user_cache_path("doe", appauthor=False)
