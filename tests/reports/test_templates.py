from __future__ import annotations

import types
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, get_args, get_type_hints

import pytest
from jinja2 import UndefinedError, meta, nodes
from markupsafe import Markup

from reports import views as study_views
from reports.confirmation.page import ConfirmationPage
from reports.gauges.map import PlatenPage
from reports.pages import STANDING, environment, render, template_source
from reports.practice import PracticePage
from reports.sheet.key import KeyPage
from reports.sheet.labels import LabelsPage
from reports.sheet.page import SheetPage
from reports.views import StudyPage

PAGES = [
    ("sheet.html", SheetPage),
    ("report.html", StudyPage),
    ("practice.html", PracticePage),
    ("labels.html", LabelsPage),
    ("key.html", KeyPage),
    ("platen.html", PlatenPage),
    ("confirmation_page.html", ConfirmationPage),
]


def trees(name: str) -> dict[str, nodes.Template]:
    """The template with everything it extends, includes and imports."""
    found: dict[str, nodes.Template] = {}
    waiting = [name]
    while waiting:
        part = waiting.pop()
        if part in found:
            continue
        source = template_source(part)
        assert source is not None, part
        found[part] = environment().parse(source)
        waiting += [other for other in meta.find_referenced_templates(found[part]) if other]
    return found


def views_in(hint: Any) -> set[type]:
    """View-models named in a type hint."""
    if is_dataclass(hint) and isinstance(hint, type):
        inner = {v for sub in get_type_hints(hint).values() for v in views_in(sub)}
        return {hint, *inner}
    return {v for part in get_args(hint) if part is not types.NoneType for v in views_in(part)}


@pytest.mark.parametrize(("template", "view"), PAGES)
def test_variables_of_a_template_are_the_fields_of_its_view_model(template, view):
    wanted = {name for tree in trees(template).values() for name in meta.find_undeclared_variables(tree)}
    assert wanted - set(STANDING) == {field.name for field in fields(view)} - set(STANDING)


def asked_and_inside(template: str, view: type) -> tuple[set[str], set[str]]:
    """Attributes that a template asks for, and the fields of the views inside its own."""
    of_loops = {"index", "index0", "last"}
    asked = {node.attr for tree in trees(template).values() for node in tree.find_all(nodes.Getattr)} - of_loops
    return asked, {f.name for v in views_in(view) - {view} for f in fields(v)}


@pytest.mark.parametrize(("template", "view"), PAGES)
def test_attributes_in_a_template_are_fields_of_the_views_inside(template, view):
    asked, inside = asked_and_inside(template, view)
    assert asked <= inside


def test_every_field_of_the_views_inside_is_printed():
    both = [asked_and_inside(template, view) for template, view in PAGES]
    # the report leaves what a confirmation says at its head to its own head; the confirmation's page prints it
    for (asked, inside), (template, _) in zip(both, PAGES, strict=True):
        elsewhere = {"verdict_kind", "headline", "steps"} if template == "report.html" else set()
        assert inside - asked == elsewhere


@pytest.mark.parametrize(("template", "view"), PAGES)
def test_every_field_of_a_view_model_is_documented(template, view):
    del template
    for each in views_in(view):
        missing = [f.name for f in fields(each) if f.name not in (each.__doc__ or "")]
        assert not missing, (each, missing)


def test_only_our_own_svg_is_marked_safe():
    safe = {
        (view.__name__, name)
        for view in views_in(StudyPage) | views_in(SheetPage)
        for name, hint in get_type_hints(view).items()
        if hint is Markup or Markup in get_args(hint)
    }
    ours = ("Drawn", "Picture", "RoomStrip", "SymptomKey")
    assert safe == {*((name, "svg") for name in ours), ("WhatIf", "data")}
    for name in {part for template, _ in PAGES for part in trees(template)}:
        assert "|safe" not in (template_source(name) or "").replace(" ", "")


def test_a_missing_variable_is_an_error():
    @dataclass(frozen=True)
    class Empty:
        pass

    with pytest.raises(UndefinedError):
        render("sheet.html", Empty(), names=())


def test_text_is_escaped():
    assert environment().from_string("{{ text }}").render(text="<b>&") == "&lt;b&gt;&amp;"


def test_templates_only_loop_and_test_flags():
    # comparisons and arithmetic belong in tested Python
    forbidden = (nodes.Compare, nodes.Add, nodes.Sub, nodes.Mul, nodes.Div, nodes.Filter)
    for name in {part for template, _ in PAGES for part in trees(template)}:
        tree = environment().parse(template_source(name) or "")
        assert not any(list(tree.find_all(kind)) for kind in forbidden), name


def test_view_models_are_frozen():
    for view in views_in(StudyPage) | views_in(SheetPage):
        assert view.__dataclass_params__.frozen, view  # type: ignore[attr-defined]
    assert study_views.__doc__
