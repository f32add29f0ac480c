"""Every use in Chromium at three sizes, by taps with scripts and without, and by keys alone: taps and times.

Usage::

    python -m tests.benchmarks.stories

The walks are those of the tests (`tests/office/stories.py`): from an empty book to the last page of each use, or, of
two of them, from a book in which a powder was onboarded. Everything is done by what is seen on the page: a link is
tapped by its words, a field is found by its form, a fold is opened first; by keys alone with Tab, arrows, Space and
Enter. Of a round the first two coupons are scored in the browser, the others on a second device without scripts; taps
and forms count on both. A walk that does not get to its end stops the run. Times are those of the script, which
neither reads nor thinks; fits that another walk has made are found again, as a shop's own are.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

from doe.acts.cache import CACHE_DIR
from tests.benchmarks.results import arguments, table, written
from tests.browser import ARGUMENTS, NAMES
from tests.office.matrix import AFTER, ALL, MODES, SIZES, STORIES, Cell, Walked, empty_book, walked, whole_copy


def all_walks(folder: Path) -> dict[Cell, Walked]:
    """Every walk, each over a book of its own in a folder."""
    path = next(filter(None, map(shutil.which, NAMES)))
    found: dict[Cell, Walked] = {}
    onboarded = b""
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=path, args=ARGUMENTS)
        for number, cell in enumerate(ALL):
            room = folder / str(number)
            room.mkdir()
            place = room / "shop.sqlite"
            if STORIES[cell.story] in AFTER:
                place.write_bytes(onboarded)
            else:
                empty_book(place)
            found[cell] = walked(browser, place, cell)
            print(f"{cell}: {found[cell].seconds:.0f} s", file=sys.stderr)
            if not onboarded:
                onboarded = whole_copy(place).read_bytes()
        browser.close()
    return found


def show(found: dict[Cell, Walked]) -> None:
    """One row a story and size, one column a mode."""
    rows = [
        (
            story.replace("_", " "),
            f"{size}, {SIZES[size][0]} x {SIZES[size][1]}",
            *(f"{(w := found[Cell(story, size, mode)]).taps} / {w.seconds:.0f} s" for mode in MODES),
        )
        for story in STORIES
        for size in SIZES
    ]
    print(f"{len(found)} walks to their last page; taps and forms / seconds of the walk.\n")
    print(table(("use", "window", *MODES), rows))


def main() -> None:
    given: argparse.Namespace = arguments(__doc__).parse_args()
    with (
        written(given, __file__, __doc__, cases=f"{len(ALL)} walks") as figures,
        tempfile.TemporaryDirectory() as folder,
    ):
        os.environ[CACHE_DIR] = folder
        found = all_walks(Path(folder))
        show(found)
        figures["walks"] = len(found)
        figures["slowest_s"] = max(w.seconds for w in found.values())


if __name__ == "__main__":
    main()
