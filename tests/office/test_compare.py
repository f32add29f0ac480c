"""A new lot beside a recipe, by pages alone: what differs, the offer, coupons, verdict; the command agrees."""

from __future__ import annotations

import re

from doe.acts.comparison.plan import Wanted, begin_comparison
from doe.book.book import Book
from doe.domain.score import ScoreEntry
from tests.office.test_onboarding import Walk

RECIPE = "fine powder on the heavy tee"


def test_a_new_lot_is_compared_and_its_verdict_stands_on_its_page(office_over, demo_book, tmp_path):
    place = tmp_path / "shop.sqlite"
    place.write_bytes(demo_book.read_bytes())
    office = office_over(place)
    walk = Walk(office.device("Ana"))
    walk.tap(RECIPE)
    walk.tap("A new lot, blank, powder or film")
    # the recipe's own materials are no comparison
    walk.send(f"/recipe/{RECIPE.replace(' ', '%20')}/offer", expect=422)
    assert "at least one part that differs" in walk.page.text
    walk.send(f"/recipe/{RECIPE.replace(' ', '%20')}/offer", powder_lot="P-09")
    assert "lot P-09" in walk.page.text
    walk.send(f"/recipe/{RECIPE.replace(' ', '%20')}/begin")
    assert "Comparison: two materials side by side" in walk.page.text
    number = office.book.studies()[0].id
    record = office.book.study(number)
    with Book.open(place, who="Ana") as book:
        checks = {c.name: True for c in record.study.spec.checks}
        rows = book.plan_coupons(number).to_dict("records")
        hands = {str(r["coupon"]): 4.0 + 0.5 * ((i // 3) % 2) for i, r in enumerate(rows)}
        book.record(number, [ScoreEntry(name, checks=checks, hand={"Ana": hand}) for name, hand in hands.items()])
    before = office.bench.shop.last_act()
    walk.go(f"/study/{number}")
    assert f"A comparison of materials: {len(rows)} of {len(rows)} coupons scored" in walk.page.text
    assert "Same recipe holds." in walk.page.text
    assert "Add it to the recipe" in walk.page.text
    walk.tap("See the comparison")
    assert "Back to the tool" in walk.page.text
    walk.go(f"/study/{number}")
    # a look stores nothing; the verdict is kept when somebody says so
    assert office.bench.shop.last_act() == before
    assert office.book.latest_analysis(number, "comparison") is None
    walk.send(f"/judged/{number}")
    kept = office.book.latest_analysis(number, "comparison")
    assert kept is not None
    assert (kept.verdict, kept.made_by) == ("same recipe holds", "Ana")
    assert "Keep this verdict" not in walk.page.text
    walk.send(f"/also/{number}", approved_by="Kim")
    with Book.open(place, who="Ana") as book:
        kept = book.recipe(RECIPE)
        assert (kept.recipe.revision, kept.recipe.approved_by) == (2, "Kim")
        assert kept.recipe.stacks[-1].powder.lot == "P-09"
    walk.go(f"/study/{number}")
    assert "Add it to the recipe" not in walk.page.text
    # the very same by the act that the command calls
    with Book.open(place, who="Ana") as book:
        mine = book.plan_coupons(number)
        powder = record.stack.powder
        made = begin_comparison(book, RECIPE, Wanted(parts={"powder": powder}, name="by hand"))
        theirs = book.plan_coupons(made.record.id)
    assert len(mine) == len(theirs)
    assert set(mine["role"]) == set(theirs["role"])


def test_limits_of_a_new_maker_are_asked_with_their_source(office_over, demo_book, tmp_path):
    place = tmp_path / "shop.sqlite"
    place.write_bytes(demo_book.read_bytes())
    walk = Walk(office_over(place).device("Ana"))
    base = f"/recipe/{RECIPE.replace(' ', '%20')}"
    walk.go(f"{base}/compare")
    walk.send(f"{base}/offer", powder="another powder", powder_supplier="Someone", powder_lot="1")
    asked = re.findall(r'name="((?:powder_max|min_cure_time))"', walk.page.text)
    assert sorted(asked) == ["min_cure_time", "powder_max"]
    walk.send(f"{base}/begin", expect=422, powder_max="180", min_cure_time="60")
    assert "Say on which sheet it stands" in walk.page.text
    walk.send(
        f"{base}/begin", powder_max="180", powder_max_source="sheet", min_cure_time="60", min_cure_time_source="sheet"
    )
    assert "Comparison: two materials side by side" in walk.page.text
