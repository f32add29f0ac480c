"""Known settings on a page: what was claimed, how it was confirmed, what is not known, and what it was released as."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime

from doe.assure.days import Days
from doe.domain.recipe import KeptRecipe, RecipeSetting, RecordItem
from doe.domain.stack import Line, Stack
from doe.domain.standing import StudyStanding
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.words.confirmation.verdict import ConfirmationFacts
from doe.words.recipe.card import confirmation_sentence, recipe_cautions, state_words
from doe.words.recipe.days import day_lines
from doe.words.recipe.known import claim_lines, not_known_lines
from doe.words.recipe.record import found_words, item_label
from doe.words.study.standing import frame, headline, meaning
from doe.words.wording import date_and_time, day, held
from reports.confirmation.page import confirmation_section
from reports.names import given_names
from reports.pages import render
from reports.recipe.card import CardSetting, card_setting
from reports.recipe.story import record_sentence, revisions_table
from reports.sheet.page import Pair, limit_pairs, stack_pairs
from reports.study.inputs import HistoryRow
from reports.study.proof import history_table, target_pairs
from reports.views import ConfirmationSection, PageTable, heads


@dataclass(frozen=True)
class KnownStory:
    """Inputs of `known_page`.

    ``settings`` as a recipe would have them today; ``revision`` and ``revisions`` of the recipe, None and empty before
    a release; ``deviations`` and ``history`` of the study, ``readings`` of its line, ``later`` what was compared and
    diagnosed since the release; ``conditions`` in words by name; ``newest`` is where the newest revision stands;
    ``seal`` closes the history of the book.
    """

    study: Study
    stack: Stack
    line: Line
    standing: StudyStanding
    settings: tuple[RecipeSetting, ...]
    made_at: datetime
    shown: Shown
    confirmation: ConfirmationFacts | None
    readings: tuple[HistoryRow, ...]
    cautions: tuple[str, ...]
    deviations: tuple[HistoryRow, ...]
    history: tuple[HistoryRow, ...]
    items: tuple[RecordItem, ...]
    on: date
    seal: str = ""
    revision: KeptRecipe | None = None
    revisions: tuple[KeptRecipe, ...] = ()
    conditions: Mapping[str, str] = field(default_factory=dict)
    days: Days | None = None
    later: tuple[HistoryRow, ...] = ()
    newest: StudyStanding | None = None


@dataclass(frozen=True)
class KnownPage:
    """Everything on the page.

    Attributes
    ----------
    page_title, name : str
    facts : tuple of str
        Revision, stack, line, study; sentences.
    standing, standing_kind, meaning : str
        What is known of it, the style of its frame, and what it means.
    settings : tuple of CardSetting
    proof_lines : tuple of str
        What the recipe was confirmed with, and who approved it; empty before a release.
    warnings : tuple of str
    claim_lines : tuple of str
        What is claimed, from whom, by which rule.
    not_known_lines : tuple of str
    handling, voids : tuple of str
    confirmation : ConfirmationSection or None
    target_pairs, stack_pairs, held_pairs, limit_pairs, record_pairs : tuple of Pair
    readings_table, deviations_table, history_table, later_table, revisions_table : PageTable or None
    days_lines : tuple of str
    record_line : str
    items_table : PageTable
    seal_line : str
    """

    page_title: str
    name: str
    facts: tuple[str, ...]
    standing: str
    standing_kind: str
    meaning: str
    settings: tuple[CardSetting, ...]
    proof_lines: tuple[str, ...]
    warnings: tuple[str, ...]
    claim_lines: tuple[str, ...]
    not_known_lines: tuple[str, ...]
    handling: tuple[str, ...]
    voids: tuple[str, ...]
    confirmation: ConfirmationSection | None
    target_pairs: tuple[Pair, ...]
    stack_pairs: tuple[Pair, ...]
    held_pairs: tuple[Pair, ...]
    limit_pairs: tuple[Pair, ...]
    record_pairs: tuple[Pair, ...]
    readings_table: PageTable | None
    deviations_table: PageTable | None
    later_table: PageTable | None
    revisions_table: PageTable | None
    history_table: PageTable | None
    days_lines: tuple[str, ...]
    record_line: str
    items_table: PageTable
    seal_line: str


def known_page(story: KnownStory) -> str:
    """Known settings as one HTML document that needs no network."""
    return render("known.html", _view(story), names=given_names(story))


def _view(story: KnownStory) -> KnownPage:
    study, shown, kept = story.study, story.shown, story.revision
    recipe = None if kept is None else kept.recipe
    stack, line = (story.stack, story.line) if recipe is None else (recipe.stack, recipe.line)
    name = study.name if recipe is None else recipe.name
    first: tuple[str, ...] = ()
    proof: tuple[str, ...] = ()
    if recipe is not None and kept is not None:
        first = (f"Revision {recipe.revision}, {state_words(kept, story.on, story.newest)}.",)
        proof = (
            confirmation_sentence(recipe.confirmation, recipe.exception),
            f"Approved by {recipe.approved_by} on {day(recipe.approved_at)}; entered by {kept.who}. Review by "
            f"{day(recipe.review_on)}.",
        )
    constant = study.held if recipe is None else recipe.held
    return KnownPage(
        page_title=f"Known settings: {name}",
        name=name,
        facts=(
            *first,
            f"For {stack.name} on {line.name}. Study: {study.name}.",
            f"Told from the book alone on {date_and_time(story.made_at)}.",
        ),
        standing=headline(story.standing, shown),
        standing_kind=frame(story.standing),
        meaning=meaning(story.standing, shown),
        settings=tuple(
            card_setting(s, shown, is_held=s.factor in constant)
            for s in (story.settings if recipe is None else recipe.settings)
        ),
        proof_lines=proof,
        warnings=tuple(dict.fromkeys((*story.cautions, *(() if recipe is None else recipe_cautions(recipe))))),
        claim_lines=claim_lines(study, story.confirmation),
        not_known_lines=not_known_lines(study, line.name),
        handling=() if recipe is None else recipe.handling,
        voids=() if recipe is None else recipe.voids,
        confirmation=None if story.confirmation is None else confirmation_section(story.confirmation, shown=shown),
        target_pairs=target_pairs(study),
        stack_pairs=stack_pairs(stack, line),
        held_pairs=tuple(Pair(*held(n, v, shown)) for n, v in constant.items()),
        limit_pairs=limit_pairs(study, shown),
        record_pairs=tuple(
            Pair(n, text) for n, text in (story.conditions if recipe is None else recipe.record).items()
        ),
        readings_table=history_table(story.readings, "What the machines showed and what was measured", what="Reading"),
        deviations_table=history_table(story.deviations, "What did not go as planned"),
        later_table=history_table(story.later, "Compared and diagnosed since then"),
        revisions_table=revisions_table(story.revisions, story.on, story.newest) if story.revisions else None,
        history_table=history_table(story.history),
        days_lines=() if story.days is None else day_lines(story.days, shown),
        record_line=record_sentence(story.items),
        items_table=PageTable(
            "What a record must hold",
            heads("Item | State | What there is"),
            tuple((item_label(item), item.state, found_words(item)) for item in story.items),
        ),
        seal_line=f"Seal of the book: {story.seal}." if story.seal else "",
    )
