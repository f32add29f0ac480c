"""Card and story of a recipe: templates use what their view-models have, and nothing else."""

from __future__ import annotations

from dataclasses import fields

import pytest
from jinja2 import meta, nodes

from reports.recipe.card import CardPage
from reports.recipe.story import StoryPage
from tests.reports.test_templates import trees, views_in

PAGES = [("recipe.html", CardPage), ("recipe_story.html", StoryPage)]


@pytest.mark.parametrize(("template", "view"), PAGES)
def test_variables_and_attributes_are_the_fields_of_the_view_model(template, view):
    wanted = {name for tree in trees(template).values() for name in meta.find_undeclared_variables(tree)}
    assert wanted == {field.name for field in fields(view)}
    # parts.html brings macros for tables and figures, which not every page uses
    own = trees(template)[template]
    asked = {node.attr for node in own.find_all(nodes.Getattr)} - {"index0", "last"}
    inside = {f.name for v in views_in(view) - {view} for f in fields(v)}
    assert asked <= inside


@pytest.mark.parametrize(("template", "view"), PAGES)
def test_every_field_is_documented_and_every_view_frozen(template, view):
    del template
    for each in views_in(view):
        assert [f.name for f in fields(each) if f.name not in (each.__doc__ or "")] == []
        assert each.__dataclass_params__.frozen


@pytest.mark.parametrize(("template", "view"), PAGES)
def test_templates_only_loop_and_test_flags(template, view):
    del view
    forbidden = (nodes.Compare, nodes.Add, nodes.Sub, nodes.Mul, nodes.Div, nodes.Filter)
    for name, tree in trees(template).items():
        assert not any(list(tree.find_all(kind)) for kind in forbidden), name
