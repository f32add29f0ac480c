"""The page of known settings, gathered from the book alone: what was claimed, confirmed and released."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from doe.acts.conditions import certificate_cautions, conditions_of, gauges_behind
from doe.acts.confirmation.verdict import confirmation_facts, confirmation_of, weigh_confirmation
from doe.acts.gauges.line import dials_of
from doe.acts.recipe.days import days_of
from doe.acts.recipe.recipes import newest_for
from doe.acts.recipe.record_items import facts_of_study, record_items
from doe.acts.recipe.release import held_settings, settings_of
from doe.acts.recipe.story import case_rows, compared_rows, deviation_rows, items_of_recipe, reading_rows
from doe.acts.study.deviations import history_of
from doe.acts.study.standing import standing_of, standing_of_recipe
from doe.book.book import Book
from doe.book.records import StudyRecord
from doe.domain.recipe import KeptRecipe
from doe.domain.units import METRIC, Shown
from doe.words.conditions import condition_texts
from doe.words.facts import reader_of
from doe.words.gauges.cautions import caution_words
from doe.words.wording import local
from reports.files import write_whole
from reports.recipe.known import KnownStory, known_page


def tell_known(
    book: Book, record: StudyRecord, kept: KeptRecipe | None = None, *, shown: Shown = METRIC, now: datetime
) -> KnownStory:
    """Everything the book knows of known settings, with the recipe they became: the newest where none is named."""
    kept = newest_for(book, record.id) if kept is None else kept
    study = record.study
    on = now.astimezone(UTC).date()
    setpoint = {**held_settings(study), **study.settings}
    dials = dials_of(book, record, setpoint, {}, on=on)
    answered = confirmation_of(book, record.id)
    return KnownStory(
        study=study,
        stack=record.stack,
        line=record.line,
        standing=standing_of(book, record.id) if kept is None else standing_of_recipe(book, kept),
        settings=settings_of(record, study.settings, {}, dials),
        made_at=local(now),
        shown=shown,
        confirmation=None if answered is None else confirmation_facts(weigh_confirmation(book, record.id)),
        readings=reading_rows(book, record, now if kept is None else kept.at, shown),
        cautions=caution_words(
            dials.cautions if kept is None else certificate_cautions(book, record.line.name, on),
            reader_of(study, shown),
        ),
        conditions=condition_texts(conditions_of(book, record), gauges_behind(book, record.line.name), shown),
        deviations=deviation_rows(book, record, shown),
        history=history_of(book, record),
        items=record_items(facts_of_study(book, record, None))
        if kept is None
        else items_of_recipe(book, record, kept, None),
        on=on,
        seal=book.seal() if kept is None else kept.seal,
        revision=kept,
        revisions=() if kept is None else book.recipes(kept.recipe.name),
        days=None if kept is None else days_of(book, kept),
        newest=None if kept is None else standing_of_recipe(book, book.recipes(kept.recipe.name)[-1]),
        later=() if kept is None else (*compared_rows(book, kept), *case_rows(book, record, kept)),
    )


def write_known(
    book: Book,
    record: StudyRecord,
    output: Path,
    *,
    kept: KeptRecipe | None = None,
    shown: Shown = METRIC,
    now: datetime,
) -> tuple[Path, KnownStory]:
    """Write the page; where it is and what it tells. Nothing is stored.

    Raises
    ------
    InputError
        If the place cannot be written.
    """
    story = tell_known(book, record, kept, shown=shown, now=now)
    return write_whole(output, known_page(story)), story
