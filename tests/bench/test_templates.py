"""Templates and view-models fit one another: nothing missing, nothing unused, no logic, everything escaped."""

from __future__ import annotations

import types
from dataclasses import fields, is_dataclass
from typing import Any, get_args, get_type_hints

import pytest
from jinja2 import meta, nodes
from markupsafe import Markup

from doe.bench import views
from doe.office import views as office
from reports.pages import environment, template_source

PAGES = {
    "bench_desk.html": views.DeskPage,
    "bench_pair.html": views.PairPage,
    "bench_name.html": views.NamePage,
    "bench_study.html": views.MachinesPage,
    "bench_list.html": views.ListPage,
    "bench_wash.html": views.ListPage,
    "bench_exercises.html": views.ListPage,
    "bench_coupon.html": views.CouponPage,
    "bench_differ.html": views.DifferPage,
    "bench_undo.html": views.UndoPage,
    "bench_hint.html": views.HintPage,
    "bench_wrong.html": views.WrongPage,
    "bench_practice.html": views.DrillPage,
    "bench_class.html": views.ClassPage,
    "bench_more.html": views.MorePage,
    "bench_plain.html": views.PlainPage,
    "office_today.html": office.TodayPage,
    "office_ask.html": office.AskPage,
    "office_study.html": office.JobPage,
    "office_recipe.html": office.RecipePage,
    "office_fails.html": office.FailsPage,
    "office_working.html": office.WorkingPage,
}
SHARED = ("bench.html", "bench_parts.html", "office.html", "office_parts.html")


def tree(name: str) -> nodes.Template:
    source = template_source(name)
    assert source is not None, name
    return environment(set_well=False).parse(source)


def with_parents(name: str) -> list[str]:
    """A template and those that it extends."""
    above = [n.template.value for n in tree(name).find_all(nodes.Extends) if isinstance(n.template, nodes.Const)]
    return [name, *(part for parent in above for part in with_parents(parent))]


def views_in(hint: Any) -> set[type]:
    """View-models named in a type hint, and those inside them."""
    if is_dataclass(hint) and isinstance(hint, type):
        return {hint}.union(*(views_in(sub) for sub in get_type_hints(hint).values()))
    return {v for part in get_args(hint) if part is not types.NoneType for v in views_in(part)}


def test_every_page_template_has_its_view_model():
    from importlib.resources import files

    names = {f.name for f in files("doe.templates").iterdir() if f.name.startswith(("bench", "office"))}
    assert {n for n in names if n.endswith(".html")} == {*PAGES, *SHARED}


@pytest.mark.parametrize("name", PAGES)
def test_variables_of_a_template_are_the_fields_of_its_view_model(name):
    wanted = set[str]().union(*(meta.find_undeclared_variables(tree(part)) for part in with_parents(name)))
    # macros that are imported at the top of a page count as undeclared in its blocks
    macros = {
        made.name
        for part in (name, "bench_parts.html", "office_parts.html", "strips.html")
        for made in tree(part).find_all(nodes.Macro)
    }
    assert wanted - macros == {f.name for f in fields(PAGES[name])} - macros


def test_attributes_in_the_templates_are_the_fields_of_the_views_inside():
    asked = {
        n.attr
        for name in (*PAGES, *SHARED, "strips.html")
        for n in tree(name).find_all(nodes.Getattr)
        if not (isinstance(n.node, nodes.Name) and n.node.name == "self")  # blocks of the page itself
    }
    inside = {f.name for page in PAGES.values() for v in views_in(page) - {page} for f in fields(v)}
    assert asked | {"names"} == inside  # those of a frame are for whoever sets the page, see `doe.bench.web.render`


def test_every_field_of_a_view_model_is_documented():
    for page in PAGES.values():
        for view in views_in(page):
            lines = view.__doc__ or ""
            plain = ("frame", "facts", "dials", "cautions", "reasons", "title", "heading")  # said by their name
            missing = [f.name for f in fields(view) if f.name not in lines and f.name not in plain]
            assert not missing, (view, missing)


def test_templates_only_loop_and_test_flags():
    forbidden = (nodes.Compare, nodes.Add, nodes.Sub, nodes.Mul, nodes.Div, nodes.Filter)
    for name in (*PAGES, *SHARED):
        assert not any(list(tree(name).find_all(kind)) for kind in forbidden), name


def test_only_our_own_drawings_are_marked_safe():
    safe = {
        (view.__name__, name)
        for page in PAGES.values()
        for view in views_in(page)
        for name, hint in get_type_hints(view).items()
        if hint is Markup or Markup in get_args(hint)
    }
    assert safe == {
        ("SymptomBox", "svg"),
        ("MadeView", "svg"),
        ("MorePage", "viewer_code"),
        ("MorePage", "pair_code"),
        ("Field", "drawing"),
        ("RecipePage", "charts"),
        ("Picture", "svg"),
        ("RoomStrip", "svg"),
    }


def test_text_is_sent_back_as_it_was_typed():
    # a page for reading may set its text well; here a form sends it back
    text = '150 °C - 5 bar "x"  y'
    assert environment(set_well=False).from_string("{{ text }}").render(text=text) == "150 °C - 5 bar &#34;x&#34;  y"
