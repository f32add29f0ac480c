"""Recipes refuse what must not be released, and the nearest stack is found."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import pytest

from doe.domain.errors import InputError
from doe.domain.recipe import (
    ConfirmationRecord,
    KeptRecipe,
    Recipe,
    RecipeSetting,
    nearest_recipes,
    parts_of,
    stack_differences,
)
from doe.domain.stack import DEFAULT_LINE, Material, Stack

WHEN = datetime(2030, 1, 1, tzinfo=UTC)
STACK = Stack("invented", Material("jersey 180", "mill a", "L1"), Material("film x"), Material("powder y", lot="7"))
PROOF = ConfirmationRecord(0.9, 0.9, 0, 22, "coupon", 22, 0, 0.9006, 1.0, WHEN)
GOOD: dict[str, Any] = {
    "name": "jersey white",
    "revision": 1,
    "stack": STACK,
    "line": DEFAULT_LINE,
    "settings": (
        RecipeSetting("press_temp", "press temperature", "degC", 150, 154, 1.3, 145, 156),
        RecipeSetting("dwell", "press dwell", "s", 13, 13.0, None, 11, 15),
        RecipeSetting("peel_mode", "peel", "", "hot"),
    ),
    "pass_rate": 0.95,
    "pass_rate_low": 0.88,
    "study": "white on jersey",
    "approved_by": "kim",
    "approved_at": WHEN,
    "review_on": date(2031, 1, 1),
    "confirmation": PROOF,
}


def test_a_whole_recipe_is_taken() -> None:
    recipe = Recipe(**GOOD)
    assert recipe.setting("press_temp").dial == 154
    assert recipe.is_due(date(2031, 1, 1))
    assert not recipe.is_due(date(2030, 12, 31))
    with pytest.raises(InputError, match="found cure_temp; allowed: press_temp, dwell, peel_mode"):
        recipe.setting("cure_temp")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"name": " "}, "recipe, name: found nothing"),
        ({"approved_by": ""}, "recipe, approved by: found nothing"),
        ({"revision": 0}, "revision: found 0; allowed: 1 or more"),
        ({"revision": 2}, "a reason for the new revision"),
        ({"settings": ()}, "at least one"),
        ({"settings": (GOOD["settings"][1],) * 2}, "each setting once"),
        ({"pass_rate_low": 0.99}, "the bound below the rate"),
        ({"confirmation": None}, r"an accepted confirmation, or a reason without one\. Confirm the setpoint first"),
        ({"approved_at": datetime(2030, 1, 1)}, "approved at: .* a time with its zone"),
        ({"retired_at": datetime(2030, 1, 1)}, "retired at"),
        ({"review_on": date(2029, 12, 31)}, "after approval, by 2032-01-01"),
        ({"review_on": date(2033, 1, 1)}, "within two years"),
    ],
)
def test_what_must_not_be_released_is_refused(change: dict[str, Any], said: str) -> None:
    with pytest.raises(InputError, match=said):
        Recipe(**{**GOOD, **change})


def test_without_a_confirmation_a_reason_must_stand_in() -> None:
    assert Recipe(**{**GOOD, "confirmation": None, "exception": "trial order, kim answers for it"}).confirmation is None


@pytest.mark.parametrize(
    ("setting", "said"),
    [
        (("press_temp", "press temperature", "degC", 150.0, 201.0), "below 200 °C"),
        (("press_temp", "press temperature", "degC", 150.0, 152.0, None, 151.0, 160.0), "inside its window 151 to 160"),
        (("dwell", "press dwell", "min", 1.0), "unit: found 'min'"),
        (("dwell", "press dwell", "s", float("nan")), "found a missing number"),
    ],
)
def test_settings_that_cannot_be_given_are_refused(setting: tuple[Any, ...], said: str) -> None:
    with pytest.raises(InputError, match=said):
        RecipeSetting(*setting)


def test_a_confirmation_that_failed_is_no_proof() -> None:
    with pytest.raises(InputError, match="found 1 failed; allowed: at most 0 failed"):
        replace(PROOF, passed=21, failed=1)


def test_differences_of_stacks_go_from_lot_to_material() -> None:
    other = Stack("other", Material("Jersey  180", "Mill A", "L2"), Material("film x", "maker b"), Material("powder z"))
    kinds = {d.part: d.kind for d in stack_differences(STACK, other)}
    assert kinds == {"fabric": "lot", "film": "supplier", "powder": "material"}
    assert {d.kind for d in stack_differences(STACK, STACK)} == {"same"}
    inked = replace(STACK, ink=Material("white"))
    assert stack_differences(STACK, inked)[3].kind == "material"


def test_the_nearest_recipe_in_force_comes_first() -> None:
    new_lot = replace(STACK, fabric=Material("jersey 180", "mill a", "L2"))
    far = replace(STACK, fabric=Material("fleece"))
    recipes = [
        Recipe(**{**GOOD, "name": "far", "stack": far}),
        Recipe(**{**GOOD, "name": "near", "stack": new_lot}),
        Recipe(**{**GOOD, "name": "near", "stack": new_lot, "revision": 2, "why": "new platen"}),
        Recipe(**{**GOOD, "name": "gone", "retired_at": WHEN}),
    ]
    kept = [
        KeptRecipe(
            i, str(i), r, None, "kim", WHEN, "gone" if r.retired_at else "", "", superseded=r.name == "near" and i == 1
        )
        for i, r in enumerate(recipes)
    ]
    found = nearest_recipes(parts_of(STACK), kept)
    assert [(n.kept.recipe.name, n.kept.recipe.revision) for n in found] == [("near", 2), ("far", 1)]
    assert [d.kind for d in found[0].differences] == ["lot", "same", "same"]
    assert [d.part for d in nearest_recipes({"film": STACK.film}, kept)[0].differences] == ["film"]
    assert nearest_recipes({"film": STACK.film}, kept)[0].same


def test_texts_with_signs_that_do_not_show_are_refused() -> None:
    for change in (
        {"name": "jersey\nwhite"},
        {"handling": ("peel\x1b[31m cold",)},
        {"record": {"room climate": "a\tb"}},
    ):
        with pytest.raises(InputError, match="control characters"):
            Recipe(**{**GOOD, **change})
    with pytest.raises(InputError, match="at most 120"):
        Recipe(**{**GOOD, "name": "n" * 121})


def test_lists_read_from_a_file_become_tuples() -> None:
    recipe = Recipe(**{**GOOD, "handling": ["Peel cold."], "cautions": ["The oven was never measured."]})
    assert recipe.handling == ("Peel cold.",)
    assert recipe.cautions == ("The oven was never measured.",)
