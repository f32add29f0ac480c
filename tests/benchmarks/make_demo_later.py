"""Make what happens after the demo's answer: scores of the confirmation, in ``demo/confirmation.csv``.

Usage::

    python -m tests.benchmarks.make_demo_later

The coupons are those that the demo's own book plans; the simulated line of the demo scores them on the first day on
which the confirmation is accepted, so the demo says nothing about how often one is. All of it is invented.
"""

from __future__ import annotations

import csv
import io
import tempfile
from pathlib import Path

import pandas as pd

from doe.acts.confirmation.verdict import confirmation_of
from doe.acts.demo.run import CONFIRMATION, WHO, begin_story, plan_the_confirmation, scores_from
from doe.acts.demo.story import Story, read_story, simulated_line
from doe.book.book import Book

DEMO = Path(__file__).parents[2] / "demo"
MOST_DAYS = 60


def score(story: Story, coupons: pd.DataFrame, day: int) -> str:
    """Scores of the coupons as a data file."""
    scored = simulated_line(story).run(coupons, day)
    checks = [c.name for c in story.study.spec.checks]
    hands = [f"hand_{who}" for who in story.people]
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["coupon", *checks, "symptom", "side", *hands, "note", "void"])
    for row in scored.to_dict("records"):
        said = ["" if pd.isna(row[c]) else "pass" if row[c] else "fail" for c in checks]
        felt = ["" if pd.isna(row[h]) else f"{row[h]:g}" for h in hands]
        writer.writerow([row["coupon"], *said, row["symptom"], row["side"], *felt, "", ""])
    return (
        "# Invented results of an invented shop; no coupon was pressed.\n"
        f"# Scores: simulated line of doe/practice/demo.py, day seed {day}, the first on which it is accepted.\n"
        "# Made by tests/benchmarks/make_demo_later.py; a test makes the scores again and compares.\n" + text.getvalue()
    )


def make_confirmation(story: Story, book: Book, first_day: int = 0) -> str:
    """The first day's scores with which the confirmation, planned in the book already, is accepted."""
    number = plan_the_confirmation(book, story).plan.rounds[0]
    coupons = book.plan_coupons(story.study.name)
    coupons = coupons[coupons["round"] == number]
    for day in range(first_day, first_day + MOST_DAYS):
        text = score(story, coupons, day)
        with tempfile.TemporaryDirectory() as folder:
            book.backup(Path(folder) / "trial.sqlite")
            with Book.open(Path(folder) / "trial.sqlite", who=WHO) as trial:
                trial.record(story.study.name, scores_from(story, text))
                found = confirmation_of(trial, story.study.name)
                if found is not None and found.proof is not None:
                    return text
    raise SystemExit(f"No day of {MOST_DAYS} is accepted.")


def main() -> None:
    """Write the file."""
    story = read_story()
    with tempfile.TemporaryDirectory() as folder, Book.open(Path(folder) / "demo.sqlite", who=WHO) as book:
        begin_story(book, story)
        text = make_confirmation(story, book)
    (DEMO / CONFIRMATION).write_text(text, encoding="utf-8", newline="\n")
    print(text)


if __name__ == "__main__":
    main()
