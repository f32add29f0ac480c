"""Where a page and a command do the same, both are done on copies of one book, and the books are the same after."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from starlette.routing import Route

from doe.acts.study.fits import recommend_study
from doe.acts.study.standing import standing_of
from doe.bench.guard import Hosts
from doe.bench.serve import make_app
from doe.book.book import Book
from doe.domain.score import ScoreEntry
from doe.domain.stack import Material
from tests.acts.recipe.samples import NAME, STUDY, TYPED, confirmed
from tests.bench.shop import PORT
from tests.book.samples import RECIPE as SAMPLE
from tests.cli.test_practice import answers_to_the_fault
from tests.office import (
    test_conditions,
    test_days,
    test_fails,
    test_own_sheet,
    test_same_acts,
    test_shared_machines,
    test_undo,
)
from tests.office.walk import COMPARED, compares

RECIPE = "fine powder on the heavy tee"
AT = f"/recipe/{RECIPE.replace(' ', '%20')}"
HOLDS, RETUNED = 2, 3
"""Comparisons of the demo: one that came out as *same recipe holds*, one as *retune*."""

NO_COMMAND = {
    "/pair": "a device is let in; a terminal needs no code",
    "/name": "who uses a device; commands take it from --who",
    "/sign-out": "who uses a device",
    "/leave": "a device is forgotten",
    "/code": "a code for a device",
    "/people": "codes of people who use the pages; a terminal has the whole book",
    "/people-off": "the same",
    "/forget/{draft}": "what was typed and is not in the book yet",
    "/recipe/{recipe:path}/offer": "a look: nothing is stored",
    "/step/{study:int}": "noted as it happens at the press; sheets have tick boxes",
    "/photo/{study:int}/{coupon:path}": "taken by the camera of a phone",
}
"""Posts that no command does, and why."""


@pytest.fixture
def answered(shop_with) -> Path | str:
    shop = shop_with(2)
    with shop.open() as book:
        recommend_study(book, STUDY)
    return shop.book


@compares("/confirm/{study:int}", "/score/{study:int}/{coupon:path}", "/again/{study:int}")
def test_a_confirmation_given_up_for_another_its_void_coupons_made_again_and_its_verdict(twice, answered):
    both = twice(answered)
    walk, shop = both.walk, both.shop
    walk.go("/study/1")
    walk.send("/confirm/1", claim="0.8|0.9|0")
    shop.good("confirm", STUDY, "--plan", "--claim", "0.8", "--assurance", "0.9", "--allow", "0")
    # by mistake: it is given up for another, which says before that it stays on record
    walk.go("/study/1")
    walk.tap("Give this confirmation up")
    stale = walk.page
    assert "It is not undone" in stale.text
    walk.send("/confirm/1", expect=422, claim="0.9|0.9|0")
    assert "Say why it is given up" in walk.page.text
    assert re.search(r'value="0.9\|0.9\|0" checked', walk.page.text)
    walk.send("/confirm/1", claim="0.9|0.9|0", give_up="the claim was too low")
    plan = ("confirm", STUDY, "--plan", "--claim", "0.9", "--assurance", "0.9", "--allow", "0")
    shop.good(*plan, "--give-up", "the claim was too low")
    both.same()
    # another device still shows the rule that was given up: nothing is given up twice
    walk.page = stale
    walk.send("/confirm/1", expect=422, claim="0.9|0.9|0", give_up="the claim was too low")
    assert "another one by now" in walk.page.text
    both.same()
    with shop.open() as book:
        planned = book.plan_coupons(STUDY)
        planned = planned[planned["round"] == planned["round"].max()]
        mine = [*planned[planned["role"] == "setpoint"]["coupon"], *planned[planned["role"] != "setpoint"]["coupon"]]
        checks = [c.name for c in book.study(STUDY).study.spec.checks]
    walk.go(f"/c/1/{mine[0]}")
    walk.send(f"/score/1/{mine[0]}", void="film torn")
    shop.good("record", STUDY, "--coupon", mine[0], "--void", "film torn")
    walk.go(f"/c/1/{mine[1]}")
    walk.send(f"/score/1/{mine[1]}", **{f"check:{name}": "pass" for name in checks}, hand="4.5")
    passed = [part for name in checks for part in ("--pass", name)]
    shop.good("record", STUDY, "--coupon", mine[1], *passed, "--hand", "ana=4.5")
    both.same()
    good = [ScoreEntry(name, dict.fromkeys(checks, True), hand={"ana": 4.5}) for name in mine[2:]]
    both.in_both(lambda book: book.record(STUDY, good))
    walk.go("/study/1")
    walk.send("/again/1")
    shop.good("confirm", STUDY, "--replace")
    both.same()

    def finish(book: Book) -> None:
        left = [c.coupon for c in book.coupon_states(STUDY) if c.passed is None and not c.void]
        book.record(STUDY, [ScoreEntry(name, dict.fromkeys(checks, True), hand={"ana": 4.5}) for name in left])

    both.in_both(finish)
    # the page shows the verdict of the command, and a look stores nothing
    before = both.office.bench.shop.last_act()
    said = shop.good("confirm", STUDY, "--json").json
    assert said["verdict"] == "accepted"
    walk.go("/study/1")
    assert "Confirmed" in walk.page.text
    walk.go("/paper/1/confirmation")
    assert said["headline"] in re.sub(r"\s", " ", walk.page.text)
    assert both.office.bench.shop.last_act() == before


@compares("/release/{study:int}", "/recipe/{recipe:path}/retire")
def test_a_release_and_taking_it_out_of_use(twice, shop_with):
    both = twice(confirmed(shop_with(2)).book)
    typed = dict(zip((word.removeprefix("--").replace("-", "_") for word in TYPED[::2]), TYPED[1::2], strict=True))
    both.walk.go("/study/1")
    both.walk.send("/release/1", name=typed.pop("as"), **typed)
    both.shop.good("release", STUDY, *TYPED)
    both.same()
    both.walk.go(f"/recipe/{NAME}")
    both.walk.send(f"/recipe/{NAME.replace(' ', '%20')}/retire", why="another powder")
    both.shop.good("recipe", "retire", NAME, "--why", "another powder")
    both.same()


@compares("/extend/{study:int}")
def test_more_coupons(twice, shop_with):
    both = twice(shop_with(1).book)
    both.in_both(lambda book: recommend_study(book, STUDY))
    both.walk.go("/study/1")
    both.walk.send("/extend/1", coupons="4")
    both.shop.good("extend", STUDY, "--coupons", "4")
    both.same()


@compares("/recipe/{recipe:path}/begin", "/judged/{study:int}", "/more-strokes/{study:int}", "/also/{study:int}")
def test_a_comparison_its_verdict_more_pairs_and_the_material_in_the_recipe(twice, demo_book):
    both = twice(demo_book)
    walk, shop = both.walk, both.shop
    walk.go(AT)
    walk.tap("A new lot, blank, powder or film")
    walk.send(f"{AT}/offer", powder_lot="P-09")
    walk.send(f"{AT}/begin")
    shop.good("compare", RECIPE, "--powder", "lot=P-09", "--begin")
    both.same()
    with shop.open() as book:
        begun = book.studies()[0]
        checks = [c.name for c in book.study(begun.id).study.spec.checks]

    def some_fail(book: Book) -> None:
        rows = book.plan_coupons(begun.id).to_dict("records")
        bad = {row["coupon"] for row in rows if row["material"] == "new" and row["role"] == "setpoint"}
        bad = set(sorted(bad)[:3])
        book.record(
            begun.id,
            [
                ScoreEntry(name, dict.fromkeys(checks, name not in bad), hand={"ana": 4.0 + 0.5 * (i // 3 % 2)})
                for i, name in enumerate(str(row["coupon"]) for row in rows)
            ],
        )

    both.in_both(some_fail)
    walk.go(f"/study/{begun.id}")
    walk.send(f"/judged/{begun.id}")
    assert shop.good("compare", begun.name, "--json").json["verdict"] == "not enough coupons yet"
    both.same()
    walk.send(f"/more-strokes/{begun.id}")
    shop.good("compare", begun.name, "--next-round")
    both.same()
    walk.go(f"/study/{HOLDS}")
    walk.send(f"/also/{HOLDS}", approved_by="Kim")
    shop.good("recipe", "add", str(HOLDS), "--approved-by", "Kim")
    both.same()


@compares("/retune/{study:int}")
def test_a_retune(twice, demo_book):
    both = twice(demo_book)
    both.walk.go(f"/study/{RETUNED}")
    both.walk.send(f"/retune/{RETUNED}")
    both.shop.good("compare", str(RETUNED), "--retune")
    both.same()
    # the comparison waits for nothing more: its retune does, and is one tap away
    book, walk = both.office.book, both.walk
    known, made = standing_of(book, RETUNED), book.studies()[0]
    assert (known.said.code, known.said.values["retune"], known.rests) == ("comparing retuned", made.name, True)
    walk.go("/")
    tasks = walk.page.text.partition('class="tasks"')[2].partition("</ul>")[0]
    assert f'href="/study/{made.id}"' in tasks
    assert f'href="/study/{RETUNED}"' not in tasks
    walk.go(f"/study/{RETUNED}")
    assert f'action="/retune/{RETUNED}"' not in walk.page.text
    walk.tap("The retune")
    assert f"<h1>{made.name}</h1>" in walk.page.text
    # put away, it is none: the comparison waits again
    with Book.open(both.office.place, who="ana") as mine:
        mine.archive_study(made.id, "begun by mistake")
    assert not standing_of(book, RETUNED).rests


@compares("/begin-limits", "/begin-question")
def test_a_study_that_an_earlier_one_of_a_retired_material_helps(twice, shop_with):
    both = twice(shop_with(2).book)
    walk, shop = both.walk, both.shop
    with shop.open() as book:
        old = book.study(STUDY)
    both.in_both(lambda book: book.archive_study(STUDY, "the powder is no longer made"))
    both.in_both(lambda book: book.save_stack(replace(old.stack, name="next", powder=Material("next powder"))))
    walk.go("/begin")
    walk.send("/begin-materials", stack_chosen="next")
    walk.send("/begin-machines", line_chosen=old.line.name)
    walk.send("/begin-limits", film_max="180", film_max_source="its data sheet")
    assert "An earlier study that helps" in walk.page.text
    ranges = {"cure_temp": "110..140", "cure_time": "90..210", "press_temp": "140..170", "dwell": "8..18"}
    asked = {**ranges, "name": "next powder", "hand_min": "3", "earlier": STUDY, "discount": ""}
    for field, odd, said in (
        ("discount", "half", "a number"),
        ("discount", "2", "leaves the earlier coupons out"),
        ("pressure", "3..4", "a study without press pressure"),
    ):
        walk.send("/begin-question", expect=422, **{**asked, field: odd})
        assert said in walk.page.text
        assert f'<option value="{STUDY}" selected>' in walk.page.text  # nothing typed is lost
    walk.send("/begin-question", **{**asked, "discount": "0,5", "pressure": ""})
    factors = [part for name, text in ranges.items() for part in ("--factor", f"{name}={text}")]
    target = ("--pass-rate", "95%", "--hand-min", "3", "--assurance", "90%")
    begun = ("study", "new", "next powder", "--stack", "next", "--line", old.line.name, *factors, *target)
    shop.good(*begun, "--earlier", STUDY, "--discount", "0.5", "--limit", "film_max=180@its data sheet")
    both.same()


@compares("/recipe/{recipe:path}/explained")
def test_a_doubt_that_is_explained(twice, tmp_path):
    place, name = tmp_path / "doubt.sqlite", "first articles"
    with Book.open(place, who="ana") as book:
        book.save_line(SAMPLE.line)
        book.release_recipe(replace(SAMPLE, name=name), study=None)
    both = twice(place)
    at = f"/recipe/{name.replace(' ', '%20')}"
    for _ in range(9):
        both.walk.go(at)
        if f'action="{at}/explained"' in both.walk.page.text:
            break
        dials = dict.fromkeys(re.findall(r'name="(set_\w+)"', both.walk.page.text), "")
        both.walk.send(f"{at}/day", prints="1", failed="1", seen="release", **dials)
        both.shop.good("day", name, "--prints", "1", "--fail", "release")
    both.walk.send(f"{at}/explained", explained="a cold place, mended")
    both.shop.good("day", name, "--explained", "a cold place, mended")
    both.same()


@compares("/case/{study:int}/{coupon:path}", "/undo/{study:int}/{coupon:path}")
def test_what_a_coupon_suffers_from_and_a_score_taken_back(twice, shop_with):
    both = twice(shop_with(2).book)
    walk, shop = both.walk, both.shop
    with shop.open() as book:
        rows = book.results(STUDY).to_dict("records")
        row = next(r for r in rows if r["symptom"] and ";" not in r["symptom"])
    coupon, symptom = row["coupon"], row["symptom"]
    walk.go(f"/wrong/1/{coupon}")
    walk.send(f"/case/1/{coupon}", cause="none")
    settings = [part for f in ("cure_temp", "cure_time", "press_temp", "dwell") for part in ("--set", f"{f}={row[f]}")]
    shop.good("diagnose", STUDY, "--symptom", symptom, *settings, "--peel-wait", "30", "--turned-out", "none")
    with shop.open() as book:
        mine, theirs = both.office.book.notes("case")[-1], book.notes("case")[-1]
    # the page knows the coupon, the command only what is seen
    assert {k: v for k, v in mine.data.items() if k != "coupon"} == theirs.data
    assert mine.name == theirs.name

    both.in_both(lambda book: book.record(STUDY, [ScoreEntry(coupon, note="by daylight", hand={"eve": 2.0})]))
    walk.go(f"/undo/1/{coupon}")
    walk.send(f"/undo/1/{coupon}", what="hand:eve", why="another coupon")
    walk.go(f"/undo/1/{coupon}")
    walk.send(f"/undo/1/{coupon}", what="note", why="another coupon")
    shop.good("record", STUDY, "--coupon", coupon, "--take-back", "--why", "another coupon")
    # the page empties what was chosen, the command takes a whole recording back: what counts after is the same
    with shop.open() as book:
        here, there = both.office.book.result_columns(STUDY), book.result_columns(STUDY)
    assert here == there


@compares("/fails/closed")
def test_a_case_closed_by_a_coupon_back_at_the_recipe(twice, demo_book):
    both = twice(demo_book)
    both.walk.go(f"/fails/found?symptom=edge_lift_wash&recipe={RECIPE.replace(' ', '+')}")
    both.walk.send("/fails/kept", cause="none")
    both.shop.good("diagnose", "--recipe", RECIPE, "--symptom", "edge_lift_wash", "--turned-out", "none")
    both.walk.go("/fails")
    case = re.search(r'name="case" value="([^"]+)"', both.walk.page.text)[1]
    both.walk.send("/fails/closed", case=case, back="passed")
    both.shop.good("diagnose", "--close", case, "--coupon", "passed")
    both.same()


@compares("/class", "/practice/{exercise}")
def test_an_exercise_and_a_line_for_the_class(twice, tmp_path):
    place = tmp_path / "empty.sqlite"
    Book.open(place, who="ana").close()
    both = twice(place)
    both.walk.go("/class")
    both.walk.send("/class", exercise="fault", seed="12")
    both.shop.good("practice", "lesson", "fault", "--seed", "12")
    both.walk.go("/practice/fault")
    both.walk.send("/practice/fault", act="start")
    answers = answers_to_the_fault(12)
    for text in answers:
        both.walk.send("/practice/fault", answer=text, act="answer")
    both.shop.good("practice", "play", "fault", *(word for text in answers for word in ("--answer", text)))
    both.same()


def test_every_post_that_a_command_does_too_is_compared_with_it(office_over):
    office = office_over()
    app = make_app(office.bench, Hosts(True, PORT, ()))
    posts = {r.path for r in app._app.routes if isinstance(r, Route) and "POST" in (r.methods or ())}
    assert len(posts) >= 40
    assert all(
        module.__doc__
        for module in (
            test_conditions,
            test_days,
            test_fails,
            test_own_sheet,
            test_same_acts,
            test_shared_machines,
            test_undo,
        )
    )  # they mark theirs
    assert posts - set(COMPARED) == set(NO_COMMAND)
    assert set(COMPARED) <= posts
