"""The recipe card: one printed page for the machine, with everything that has to be known to work by it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from markupsafe import Markup

from doe.domain.recipe import (
    CARE_LABEL,
    GAUGE_CERTIFICATE,
    PARTS,
    ROOM,
    WASH,
    KeptRecipe,
    Recipe,
    RecipeSetting,
)
from doe.domain.standing import StudyStanding, standing_of_revision
from doe.domain.units import METRIC, Shown
from doe.words.recipe.card import (
    COVERED,
    also_sentences,
    both,
    confirmation_sentence,
    expected_sentence,
    material_words,
    other_amount,
    recipe_cautions,
    set_window,
    setting_amount,
    state_words,
    window_words,
)
from doe.words.study.standing import frame, headline, meaning
from doe.words.wording import day, held, sentence
from reports.drawing.qr import qr_svg
from reports.names import given_names
from reports.pages import render
from reports.sheet.page import Pair

QR_BYTES = 400

ON_CARD = (CARE_LABEL, WASH, ROOM, GAUGE_CERTIFICATE)
"""What of a recipe's record stands on its card."""

ROOMY = 1500
"""Characters of free text up to which a card keeps its large type; a fuller one is set smaller, to stay on its page."""


@dataclass(frozen=True)
class CardSetting:
    """One setting, large.

    ``label``; ``big`` what to set, in the reader's unit; ``other`` in the other unit, empty where there is none;
    ``is_dial`` whether it is a dial value; ``window`` of what is set, in words; ``surface`` the surface temperature
    behind a dial value with its window, empty otherwise.
    """

    label: str
    big: str
    other: str
    is_dial: bool
    window: str
    surface: str


@dataclass(frozen=True)
class CardPage:
    """Everything on a recipe card.

    Attributes
    ----------
    page_title, name : str
    is_dense : bool
        Whether so much stands on it that the type must be smaller.
    standing, standing_kind : str
        What is known of it, a headline, and the style of its frame.
    revision_line : str
        Revision, line and state.
    code : Markup
        QR code of the id.
    code_text : str
        What it says.
    settings : tuple of CardSetting
    handling : tuple of str
        Steps in order.
    materials, held : tuple of Pair
        Stack with lots, and what else it is for; what was held constant.
    expected, confirmation, approval, review : str
        Sentences.
    record : tuple of Pair
        Care label, wash, climate of the room and certificate of the gauge, as they were at release.
    warnings : tuple of str
        Why it must not be worked by, or not without asking.
    remarks : tuple of str
        What its user must know of this recipe.
    voids : tuple of str
    """

    page_title: str
    name: str
    is_dense: bool
    standing: str
    standing_kind: str
    revision_line: str
    code: Markup
    code_text: str
    settings: tuple[CardSetting, ...]
    handling: tuple[str, ...]
    materials: tuple[Pair, ...]
    held: tuple[Pair, ...]
    expected: str
    confirmation: str
    approval: str
    review: str
    record: tuple[Pair, ...]
    warnings: tuple[str, ...]
    remarks: tuple[str, ...]
    voids: tuple[str, ...]


def recipe_card(
    kept: KeptRecipe,
    on: date,
    shown: Shown = METRIC,
    standing: StudyStanding | None = None,
    cautions: tuple[str, ...] = (),
) -> str:
    """Printable card of a recipe, one page of A4 or Letter.

    Parameters
    ----------
    kept : KeptRecipe
        The QR code says its id, the same in every book.
    on : date
        The day it is printed, for whether its review is due.
    shown : Shown
        The reader's units; temperatures and pressures stand in both.
    standing : StudyStanding, optional
        What is known of the revision by its book; by itself alone when left out.
    cautions : tuple of str, optional
        What is to be said of its gauge that day.
    """
    return render("recipe.html", card_page(kept, on, shown, standing, cautions), names=given_names(kept))


def card_page(
    kept: KeptRecipe,
    on: date,
    shown: Shown = METRIC,
    standing: StudyStanding | None = None,
    cautions: tuple[str, ...] = (),
) -> CardPage:
    """View-model of `recipe_card`, same parameters."""
    known = standing or standing_of_revision(kept)
    recipe, state = kept.recipe, state_words(kept, on, known)
    doubt = (meaning(known, shown),) if known.state == "doubtful" else ()
    must_stop = not kept.in_force
    not_in_use = (sentence(f"do not work by this card, it is not in force: {state}"),) if must_stop else ()
    due = (sentence(f"review was due on {day(recipe.review_on)}"),) if not must_stop and recipe.is_due(on) else ()
    code = code_text(recipe, kept.uid)
    said = {*(s.factor for s in recipe.settings), *COVERED}  # as settings, or as steps of handling
    warnings = (*doubt, *not_in_use, *due, *cautions)
    remarks = tuple(text for text in recipe_cautions(recipe) if text not in warnings)  # still so, and said above
    return CardPage(
        page_title=f"Recipe {recipe.name}, revision {recipe.revision}",
        name=recipe.name,
        is_dense=sum(map(len, (*recipe.handling, *recipe.voids, *warnings, *remarks))) > ROOMY
        or len(recipe.settings) > 5,
        standing=headline(known, shown),
        standing_kind=frame(known),
        revision_line=f"Revision {recipe.revision}, for {recipe.line.name} ({recipe.line.oven.name}, "
        f"{recipe.line.press.name}), {state}.",
        code=qr_svg(code, name="recipe-id"),
        code_text=code,
        settings=tuple(card_setting(s, shown, is_held=s.factor in recipe.held) for s in recipe.settings),
        handling=recipe.handling,
        materials=(
            *(Pair(p, text) for p in PARTS if (text := material_words(getattr(recipe.stack, p)))),
            *(Pair("also for", text) for text in also_sentences(recipe)),
        ),
        held=tuple(Pair(*held(n, v, shown)) for n, v in recipe.held.items() if n not in said),
        expected=expected_sentence(recipe),
        confirmation=confirmation_sentence(recipe.confirmation, recipe.exception),
        approval=f"Approved by {recipe.approved_by}, {day(recipe.approved_at)}. Study: {recipe.study}."
        + (f" Seal of the book: {kept.seal}." if kept.seal else ""),
        review=f"Review by {day(recipe.review_on)}.",
        record=tuple(Pair(name, recipe.record[name]) for name in ON_CARD if recipe.record.get(name)),
        warnings=warnings,
        remarks=remarks,
        voids=recipe.voids,
    )


def code_text(recipe: Recipe, uid: str) -> str:
    """What the QR code of a card says: name, revision and id; only the id where the name is too long for a code."""
    text = f"recipe {recipe.name}, revision {recipe.revision}, id {uid}"
    return text if len(text.encode()) <= QR_BYTES else f"recipe id {uid}"


def card_setting(setting: RecipeSetting, shown: Shown, *, is_held: bool) -> CardSetting:
    """One setting of a recipe, large: the dial value where there is one."""
    value = setting.surface if setting.dial is None else setting.dial
    window, here = window_words(setting, shown), set_window(setting, shown)
    on_dial = setting.dial_low is not None and setting.dial_high is not None
    return CardSetting(
        label=sentence(setting.label).rstrip("."),
        big=setting_amount(setting, value, shown),
        other=other_amount(setting, value, shown),
        is_dial=setting.dial is not None,
        window="held constant: keep exactly this" if is_held else f"window {here}",
        surface=""
        if setting.dial is None
        else f"surface {both(setting, setting.surface, shown)}"
        + ("" if is_held or not on_dial else f", window {window}"),
    )
