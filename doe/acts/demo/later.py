"""The demo after its answer: the confirmation, the release, and what is printed for both."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from doe.acts.base import today
from doe.acts.comparison.verdict import write_comparison
from doe.acts.confirmation.plan import ClaimWishes, ConfirmationPlanned, plan_confirmation
from doe.acts.confirmation.verdict import confirm_study
from doe.acts.demo.comparisons import read_comparisons, tell_comparison
from doe.acts.demo.story import Story, entry_of, packaged, rows_of
from doe.acts.recipe.release import Released, Wishes, release_study
from doe.domain.score import ScoreEntry
from doe.domain.units import Shown
from doe.words.wording import count
from reports.files import write_whole
from reports.recipe.card import recipe_card

if TYPE_CHECKING:
    from doe.book.book import Book

CONFIRMATION = "confirmation.csv"
CLAIM, ASSURANCE = 0.90, 0.90
"""What the demo's confirmation is to show: 22 coupons without a failure."""


def plan_the_confirmation(book: Book, story: Story) -> ConfirmationPlanned:
    """Fix the rule of the demo's confirmation and store its coupons."""
    return plan_confirmation(book, story.study.name, ClaimWishes((CLAIM,), ASSURANCE))


def scores_from(story: Story, text: str) -> tuple[ScoreEntry, ...]:
    """Scores of a data file."""
    return tuple(entry_of(story, row) for row in rows_of(text))


def confirm(book: Book, story: Story) -> str:
    """Plan the confirmation, and record what came of it; its verdict in words."""
    plan_the_confirmation(book, story)
    book.record(story.study.name, scores_from(story, packaged(CONFIRMATION)))
    found = confirm_study(book, story.study.name).confirmed
    return f"Confirmation, {count(found.counts.coupons, 'coupon')}: {found.verdict}."


def release(book: Book, story: Story) -> Released:
    """Release the confirmed answer as the first revision of a recipe."""
    return release_study(book, story.study.name, Wishes(**story.data["release"]), now=datetime.now(UTC))


def write_card(book: Book, released: Released, output: Path, *, shown: Shown) -> None:
    """Print the recipe card."""
    write_whole(output, recipe_card(book.recipe(released.recipe.name), today(), shown))


def release_words(released: Released) -> str:
    """The release in a sentence."""
    return f"Released: {released.recipe.name}, revision {released.recipe.revision}."


def compare(
    book: Book, story: Story, released: Released, files: Sequence[Path], *, shown: Shown, made_by: str
) -> tuple[str, ...]:
    """Compare each new material of the story with the recipe, and write its page; the verdicts in words."""
    said = []
    for told, output in zip(read_comparisons(), files, strict=True):
        found = tell_comparison(book, released.recipe.name, told, story)
        write_comparison(book, found, output, shown=shown, made_by=made_by)
        said.append(f"Compared, {told.name}: {found.comparison.verdict}.")
    return tuple(said)
