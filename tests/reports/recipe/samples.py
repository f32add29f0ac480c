"""Recipes for the tests of cards and of words."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

from doe.domain.recipe import USUAL_VOIDS, ConfirmationRecord, KeptRecipe, Recipe, RecipeSetting
from doe.domain.stack import Line, Machine, Material, Stack

WHEN = datetime(2030, 3, 4, 15, 7, tzinfo=UTC)
UID = "0f3a9c41" * 4
STACK = Stack(
    "heavy tee",
    Material("heavy tee", "Halm (invented)", "A12", "cotton, black"),
    Material("cold film", "", "77"),
    Material("fine powder", "Pell (invented)", "P3"),
)
LINE = Line("back room", Machine("tunnel oven", 10, 15), Machine("swing press", 4, 12))
PROOF = ConfirmationRecord(0.9, 0.9, 0, 22, "coupon", 22, 0, 0.9006, 1.0, WHEN)


def recipe(**changes: object) -> Recipe:
    """A usual recipe, some of it changed."""
    usual = Recipe(
        name="heavy tee",
        revision=1,
        stack=STACK,
        line=LINE,
        settings=(
            RecipeSetting("cure_temp", "cure temperature", "degC", 124.0, 127.0, 1.2, 123.0, 127.0, 126.0, 130.0),
            RecipeSetting("cure_time", "cure time", "s", 135.0, None, None, 130.0, 145.0),
            RecipeSetting("press_temp", "press temperature", "degC", 163.0, 167.0, 1.3, 160.0, 164.0, 164.0, 168.0),
            RecipeSetting("dwell", "press dwell", "s", 15.0, None, None, 15.0, 15.0),
            RecipeSetting("pressure", "press pressure", "bar", 3.0),
        ),
        pass_rate=0.958,
        pass_rate_low=0.917,
        study="new powder",
        approved_by="Kim",
        approved_at=WHEN,
        review_on=date(2031, 3, 4),
        confirmation=PROOF,
        held={"pressure": 3.0, "peel_wait": 60.0},
        handling=(
            "Between cure and press: 10 s, flat.",
            "Peel: wait 60 s, cold, slow and low.",
            "Second press: 7 s under a cover sheet.",
        ),
        voids=(*USUAL_VOIDS, "a cliff: press temperature 16 °C (29 °F) cooler than here, where prints start to peel"),
        inputs_hash="ab" * 32,
        seed=7,
        version="0.1.0",
        verdict="ready",
    )
    return replace(usual, **changes)  # type: ignore[arg-type] # the tests name fields of a recipe


def kept(made: Recipe | None = None, *, retired_why: str = "", superseded: bool = False) -> KeptRecipe:
    """A revision as a book keeps it."""
    return KeptRecipe(1, UID, made or recipe(), 1, "ana", WHEN, retired_why, "", superseded)


def crowded() -> Recipe:
    """A recipe with about as much on it as a shop may want: many settings, cautions, steps and reasons to void it."""
    long = "x" * 3 + " a step that takes two lines on the card because a shop has its own way of doing it and says so"
    more = (
        RecipeSetting("powder_amount", "powder amount", "g/m2", 45.0, None, None, 40.0, 50.0),
        RecipeSetting("film_type", "film type", "", "cold"),
        RecipeSetting("peel_wait", "wait before peel", "s", 60.0, None, None, 45.0, 90.0),
    )
    base = recipe()
    return replace(
        base,
        name="heavy tee, black, fine powder of Pell, cold film, large fronts",
        settings=(*base.settings, *more),
        handling=(*base.handling, long, long, long),
        voids=(*base.voids, long, long),
        cautions=(f"The press: {long}.", f"The oven: {long}.", f"The window: {long}."),
        record={"care label": "wash at 40", "room climate": "21 °C (70 °F), 45 %"},
    )
