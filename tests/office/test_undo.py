"""What is done on a page can be taken back there, or the page says before that it cannot."""

from __future__ import annotations

import re

import pytest
from starlette.routing import Route

from doe.bench.guard import Hosts
from doe.bench.serve import make_app
from doe.book.book import Book
from doe.office.steps import told
from reports.pages import template_source
from tests.acts.recipe.samples import STUDY
from tests.bench.shop import PORT
from tests.office.walk import Walk, compares

UNDONE_BY = {
    "/begin-question": "/put-away/{study:int}",
    "/own-question": "/put-away/{study:int}",
    "/recipe/{recipe:path}/begin": "/put-away/{study:int}",
    "/retune/{study:int}": "/put-away/{study:int}",
    "/put-away/{study:int}": "/take-out/{study:int}",
    "/take-out/{study:int}": "/put-away/{study:int}",
    "/plan/{study:int}": "/withdraw-plan/{study:int}",
    "/withdraw-plan/{study:int}": "/plan/{study:int}",
    "/own-sheet": "/forget/{draft}",
    "/own-columns": "/forget/{draft}",
    "/begin-limits": "/forget/{draft}",
    "/recipe/{recipe:path}/day": "/recipe/{recipe:path}/day-back",
    "/recipe/{recipe:path}/explained": "/recipe/{recipe:path}/day-back",
    "/line/{line:path}": "/withdraw-reading/{line:path}",
    "/score/{study:int}/{coupon:path}": "/undo/{study:int}/{coupon:path}",
    "/step/{study:int}": "/undo/{study:int}/{coupon:path}",
    "/photo/{study:int}/{coupon:path}": "/undo/{study:int}/{coupon:path}",
    "/people": "/people-off",
    "/people-off": "/people",
    "/pair": "/leave",
    "/leave": "/pair",
    "/name": "/sign-out",
    "/sign-out": "/name",
}
"""Posts, each with the one that takes it back."""

SAID_BEFORE = {
    "/begin-materials": "begin_materials_lead",
    "/begin-machines": "begin_machines_lead",
    "/forget/{draft}": "draft_forget_lead",
    "/extend/{study:int}": "extend_lead",
    "/confirm/{study:int}": "confirm_lead",
    "/again/{study:int}": "again_lead",
    "/release/{study:int}": "release_lead",
    "/also/{study:int}": "also_lead",
    "/judged/{study:int}": "judged_lead",
    "/more-strokes/{study:int}": "more_lead",
    "/recipe/{recipe:path}/retire": "retire_lead",
    "/withdraw-reading/{line:path}": "withdraw_lead",
    "/fails/kept": "bench_wrong.html",
    "/fails/closed": "office_fails.html",
    "/case/{study:int}/{coupon:path}": "bench_wrong.html",
}
"""Posts that are not undone, each with the text of its form that says so."""

SAID_AGAIN = {
    "/limits/{study:int}": "the same form holds what was typed, and takes it otherwise; both stay on record",
    "/undo/{study:int}/{coupon:path}": "what was taken back is typed again",
    "/recipe/{recipe:path}/day-back": "what was taken back is typed again",
    "/conditions/{study:int}": "the same form takes it otherwise; both stay on record",
    "/certificate/{line:path}": "the same",
    "/changed-machine/{line:path}": "the same; a machine that was moved is moved back, with all its readings",
    "/answer/{study:int}": "an answer is worked out from the scores, which are not touched",
    "/recipe/{recipe:path}/offer": "nothing is stored",
    "/class": "the next line set for the class takes its place",
    "/practice/{exercise}": "an exercise is played again; the best counts",
    "/code": "the next code takes its place",
}
"""Posts that the same form puts right, or that store nothing which could be."""


def test_every_post_is_undone_or_says_before_that_it_is_not(office_over):
    app = make_app(office_over().bench, Hosts(True, PORT, ()))
    posts = {r.path for r in app._app.routes if isinstance(r, Route) and "POST" in (r.methods or ())}
    known = [*UNDONE_BY, *SAID_BEFORE, *SAID_AGAIN]
    assert sorted(known) == sorted(posts)
    assert set(UNDONE_BY.values()) <= posts
    for path, text in SAID_BEFORE.items():
        said = template_source(text) if text.endswith(".html") else str(_raw(text))
        assert re.search(r"not undone|never adjusted or undone|Once planned they stay", said), path


def _raw(code: str) -> str:
    from doe.words.facts import texts_of

    return texts_of("office")[code]


@compares("/withdraw-plan/{study:int}", "/put-away/{study:int}", "/take-out/{study:int}")
def test_a_plan_is_withdrawn_and_a_study_put_away_and_taken_out(twice, shop_with):
    shop = shop_with(0)
    both = twice(shop.book)
    walk, commands = both.walk, both.shop
    walk.go("/study/1")
    assert "/withdraw-plan/" not in walk.page.text
    walk.send("/plan/1", plan="optimal|20", grades="yes")
    commands.good("plan", STUDY, "--choose", "optimal", "--coupons", "20", "--grades")
    walk.go("/c/1/R1-01")
    assert 'name="grade"' in walk.page.text
    walk.go("/study/1")
    walk.send("/withdraw-plan/1", expect=422)
    assert "no reason" in walk.page.text
    walk.send("/withdraw-plan/1", withdraw_why="too many")
    assert "No coupon is planned yet" in walk.page.text
    found = commands.good("plan", STUDY, "--withdraw", "too many", "--json").json
    assert (found["study"], found["id"], found["was"], found["coupons"]) == (STUDY, 2, 1, 20)
    both.same()
    walk.go("/study/1")
    assert re.findall(r'action="/(?!take-out)[a-z-]+/1"', walk.page.text) == []
    # its coupons are not made any more, and the next plan is another
    assert walk.device.score("R1-01", **{"check:release": "pass"}).status_code == 422
    walk.go("/study/2")
    assert "As usual: asked for" not in walk.page.text  # what the withdrawn plan said stands, and can be changed
    assert re.search(r'value="yes" selected', walk.page.text)
    walk.send("/plan/2", plan="optimal|16", grades="no")
    commands.good("plan", STUDY, "--choose", "optimal", "--coupons", "16", "--no-grades")
    walk.go("/c/2/R1-01")
    assert 'name="grade"' not in walk.page.text
    walk.go("/study/2")
    walk.send("/put-away/2", put_away_why="another order")
    commands.good("study", "archive", STUDY, "--why", "another order")
    walk.go(f"/?find={STUDY.split()[1]}")
    assert "/study/2" in walk.page.text
    walk.go("/study/2")
    walk.send("/take-out/2", take_out_why="the order came back")
    commands.good("study", "restore", "2", "--why", "the order came back")
    both.same()
    commands.good("book", "check")


@pytest.mark.parametrize("made", ["score", "step", "photo"])
def test_a_plan_of_which_a_coupon_is_made_is_not_withdrawn(office_over, shop_with, made):
    from doe.acts.scoring.making import making_of, mark
    from doe.domain.score import ScoreEntry

    shop = shop_with(0)
    shop.good("plan", STUDY, "--choose", "optimal")
    office = office_over(shop.book)
    walk = Walk(office.device("ana"))
    walk.go("/study/1")
    assert 'action="/withdraw-plan/1"' in walk.page.text
    with Book.open(shop.book, who="ana") as book:
        if made == "score":
            book.record(STUDY, [ScoreEntry("R1-01", {"release": True})])
        elif made == "step":
            mark(book, making_of(book, STUDY), ["R1-01"], "cured")
        else:
            book.add_photo(1, "R1-01", b"\xff\xd8\xff\xe0", face="print", media_type="image/jpeg")
    before = office.bench.shop.last_act()
    walk.send("/withdraw-plan/1", expect=422, withdraw_why="too late")
    assert "nobody has made a coupon of" in walk.page.text
    refused = shop.run("plan", STUDY, "--withdraw", "too late")
    assert refused.code == 2
    assert "a plan that nobody has made a coupon of" in refused.err
    assert office.bench.shop.last_act() == before
    said = shop.good("plan", STUDY)
    assert len(said.out.splitlines()) <= 24
    assert "--withdraw" not in said.out
    assert shop.good("plan", STUDY, "--json").json["can_be_withdrawn"] is False


def test_plan_of_a_planned_study_says_what_is_planned_and_what_may_be_done(shop_with):
    shop = shop_with(0)
    shop.good("plan", STUDY, "--choose", "optimal")
    said = shop.good("plan", STUDY)
    assert len(said.out.splitlines()) <= 24
    for words in ("Round 1: 20 coupons", "--withdraw", "doe extend", "doe sheet"):
        assert words in said.out
    found = shop.good("plan", STUDY, "--json").json
    assert found["can_be_withdrawn"] is True
    assert found["standing"]["state"] == "making"
    again = shop.run("plan", STUDY, "--choose", "optimal")
    assert again.code == 2
    assert f'doe plan "{STUDY}"' in again.err
    assert told("plan_lead").count("withdrawn") == 1


@compares("/recipe/{recipe:path}/day-back")
def test_a_mistaken_first_article_is_taken_back(twice, demo_book):
    both = twice(demo_book)
    recipe = "fine powder on the heavy tee"
    at = f"/recipe/{recipe.replace(' ', '%20')}"
    both.walk.go(at)
    assert "/day-back" not in both.walk.page.text
    dials = dict.fromkeys(re.findall(r'name="(set_\w+)"', both.walk.page.text), "")
    both.walk.send(f"{at}/day", prints="2", failed="1", seen="release", **dials)
    both.shop.good("day", recipe, "--prints", "2", "--fail", "release")
    both.walk.send(f"{at}/day-back", expect=422)
    assert re.search(r"<details open>\s*<summary>What was kept last is a mistake", both.walk.page.text)
    both.walk.send(f"{at}/day-back", why="another recipe")
    both.shop.good("day", recipe, "--take-back", "another recipe")
    both.same()
    assert "/day-back" not in both.walk.page.text
