"""A new lot beside a recipe, by pages alone: what differs, the offer, coupons, verdict; the command agrees."""

from __future__ import annotations

import re

import pytest

from doe.acts.comparison.plan import Wanted, begin_comparison
from doe.acts.study.standing import standing_of
from doe.book.book import Book
from doe.domain.score import ScoreEntry
from doe.words.typography import NO_BREAK
from tests.office.walk import Walk, everything_in
from tests.shared import untapped
from tests.shop import Shop

RECIPE = "fine powder on the heavy tee"


def test_a_new_lot_is_compared_and_its_verdict_stands_on_its_page(office_over, demo_book):
    office = office_over(demo_book)
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
    with Book.open(demo_book, who="Ana") as book:
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
    known = standing_of(office.book, number)
    assert (known.said.code, known.rests) == ("comparing decided", False)  # the material is not in the recipe yet
    walk.send(f"/also/{number}", approved_by="Kim")
    known = standing_of(office.book, number)
    assert (known.said.code, known.rests) == ("comparing added", True)
    with Book.open(demo_book, who="Ana") as book:
        kept = book.recipe(RECIPE)
        assert (kept.recipe.revision, kept.recipe.approved_by) == (2, "Kim")
        assert kept.recipe.stacks[-1].powder.lot == "P-09"
    walk.go(f"/study/{number}")
    assert "Add it to the recipe" not in walk.page.text
    # the very same by the act that the command calls
    with Book.open(demo_book, who="Ana") as book:
        mine = book.plan_coupons(number)
        powder = record.stack.powder
        made = begin_comparison(book, RECIPE, Wanted(parts={"powder": powder}, name="by hand"))
        theirs = book.plan_coupons(made.record.id)
    assert len(mine) == len(theirs)
    assert set(mine["role"]) == set(theirs["role"])


def test_limits_of_a_new_maker_are_asked_with_their_source(office_over, demo_book):
    walk = Walk(office_over(demo_book).device("Ana"))
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


TELLS = re.compile("new material|material in use|NEW, pair|IN USE, pair")


def fails(material: str, pair: int) -> bool:
    """What a lot that is hardly worse does: one print of the first eight will not let go of its film."""
    return (material, pair) == ("new", 3)


def passed_of(row: dict[str, object]) -> dict[str, bool]:
    """Checks of a coupon of the new lot's story."""
    if fails(str(row["material"]), int(str(row["pair"]))):
        return {"release": False}
    return dict.fromkeys(("release", "stretch", "wash_1", "wash_5"), True)


def by_pages(office, *, blind):
    """From the recipe to the lot on it, by pages alone; what they said."""
    walk, base = Walk(office.device("Ana")), f"/recipe/{RECIPE.replace(' ', '%20')}"
    walk.tap(RECIPE)
    walk.tap("A new lot, blank, powder or film")
    walk.send(f"{base}/offer", powder_lot="P-09", way="staged", **({"blind": "yes"} if blind else {}))
    offered = walk.page.text
    walk.send(f"{base}/begin")
    number = office.book.studies()[0].id
    said = [offered]
    for round_number in (1, 2):
        pages = [f"/s/{number}", f"/list/{number}", f"/paper/{number}/sheet"]
        telling = [path for path in pages if TELLS.search(office_text(office, path))]
        assert telling == ([] if blind else [pages[0], pages[2]])
        if blind:
            assert TELLS.search(office_text(office, f"/paper/{number}/key"))
        else:  # whoever makes the prints unfolds it at the oven; the page, from which pairs are scored, does not tell
            shut = re.sub(r'(?s)<details class="key">.*?</details>', "", office_text(office, pages[0]))
            assert re.search(r"<small>pair \d+</small>", shut)
            assert not TELLS.search(shut)
        frame = office.book.plan_coupons(number)
        for row in frame[frame["round"] == round_number].sort_values("coupon").to_dict("records"):
            checks = {f"check:{n}": "pass" if good else "fail" for n, good in passed_of(row).items()}
            hand = {} if "fail" in checks.values() else {"hand": "4"}
            walk.go(f"/c/{number}/{row['coupon']}")
            assert not TELLS.search(walk.page.text.partition('<details class="words">')[0])
            walk.send(f"/score/{number}/{row['coupon']}", **checks, **hand)
        walk.go(f"/study/{number}")
        said.append(walk.page.text)
        walk.send(f"/judged/{number}")
        if round_number == 1:
            walk.send(f"/more-strokes/{number}")
            walk.go(f"/study/{number}")
    walk.send(f"/also/{number}", approved_by="Kim")
    walk.tap("Card")
    return [*said, walk.page.text]


def office_text(office, path):
    """A page of the shop, as another device sees it."""
    found = office.device("Ben").get(path)
    assert found.status_code == 200, path
    return found.text.partition('<details class="words">')[0]  # what words mean in general tells nothing


def by_commands(shop, *, blind):
    """The same, at the terminal."""

    def good(*words):
        return shop.good(*words, env={"DOE_WHO": "Ana"}).out

    lot = ("compare", RECIPE, "--powder", "lot=P-09", "--staged", *(["--blind"] if blind else []))
    said = [good(*lot)]
    good(*lot, "--begin")
    with shop.open() as book:
        name, number = book.studies()[0].name, book.studies()[0].id
    for round_number in (1, 2):
        with shop.open() as book:
            frame = book.plan_coupons(number)
        for row in frame[frame["round"] == round_number].sort_values("coupon").to_dict("records"):
            checks = [part for n, is_good in passed_of(row).items() for part in ("--pass" if is_good else "--fail", n)]
            hand = [] if "--fail" in checks else ["--hand", "Ana=4"]
            good("record", name, "--coupon", row["coupon"], *checks, *hand)
        said.append(good("compare", name))
        if round_number == 1:
            good("compare", name, "--next-round")
    good("recipe", "add", name, "--approved-by", "Kim")
    good("recipe", "card", RECIPE, "-o", str(shop.folder / "card.html"))
    return [*said, (shop.folder / "card.html").read_text(encoding="utf-8").replace(NO_BREAK, " ")]


@pytest.mark.parametrize("blind", [False, True], ids=["seen", "blind"])
def test_a_powder_lot_goes_from_the_recipe_to_the_recipe_in_stages_by_pages_and_by_commands(
    office_over, demo_book, tmp_path, blind
):
    places = [tmp_path / "pages.sqlite", tmp_path / "commands.sqlite"]
    for place in places:
        place.write_bytes(demo_book.read_bytes())
    office = office_over(places[0])
    pages = [re.sub(r"\s+", " ", text.replace(NO_BREAK, " ")) for text in by_pages(office, blind=blind)]
    shop = Shop(tmp_path, places[1])
    commands = [re.sub(r"\s+", " ", untapped(text)) for text in by_commands(shop, blind=blind)]
    for offered, first, second, card in (pages, commands):
        assert "Of 100 such comparisons" in offered
        assert "of 100" in offered
        assert "More pairs." in first
        assert "6 pairs judged: only the new material failed in 1" in first
        assert "Go on carefully." in second
        assert "up to 35 of 100 prints may fail with the new material" in second
        assert "go on carefully, by the staged comparison" in card
    assert "Compare it fully" in pages[2]
    with shop.open() as book:
        there, here = everything_in(book), everything_in(office.book)
    assert [act["verb"] for act in here["acts"]] == [act["verb"] for act in there["acts"]]
    for row in (*here["recipes"], *there["recipes"]):
        row["data"].pop("approved_at")
        for also in row["data"].get("also", ()):
            also.pop("since")
    for table, rows in there.items():
        assert here[table] == rows, table
