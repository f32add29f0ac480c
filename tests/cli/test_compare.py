"""`doe compare` at the command line: what it says, what it refuses, and the page it writes."""

from __future__ import annotations

import re

import pytest

from doe.words.typography import NO_BREAK
from tests.acts.comparison.samples import NAME, all_pass, release, score

LOT = ("compare", NAME, "--powder", "lot=P-04")


@pytest.fixture
def shop(shop_with):
    made = shop_with(2)
    with made.open() as book:
        release(book)
    return made


def begun(shop, *more, failing=0, shift=None):
    """Begin a comparison and score it."""
    made = shop.good(*LOT, "--begin", "--as", "lot P-04", *more, "--json").json
    with shop.open() as book:
        coupons = book.plan_coupons("lot P-04")
        new = coupons[(coupons["material"] == "new") & (coupons["role"] == "setpoint")]["coupon"]
        book.record("lot P-04", all_pass(coupons, tuple(new[:failing])) if shift is None else score(coupons, shift))
    return made


def test_sizes_stand_side_by_side_and_nothing_is_stored(shop):
    found = shop.good(*LOT)
    assert "Nothing is stored yet." in found.out
    assert "powder: fine powder" in found.out
    for points in ("10 points", "15 points", "20 points"):
        assert len(re.findall(rf"^{points} ", found.out, flags=re.MULTILINE)) == 2
    whole = shop.good(*LOT, "--more").out
    assert "same recipe holds: if only the new material fails" in whole
    assert "retune: from" in whole
    assert f'doe compare "{NAME}" --powder "lot=P-04" --begin' in found.out
    assert max(map(len, found.out.splitlines())) <= 80
    data = shop.good(*LOT, "--json").json
    assert data["plan"]["assurance"] == 0.9
    assert {s["power"] for s in data["sizes"]} == {0.8, 0.9}
    hold, retune, _ = data["facts"]["verdicts"]
    assert (hold["code"], hold["values"]["strokes"]) == ("may_hold", data["plan"]["strokes"])
    assert data["verdicts"][1].startswith(f"retune: from {retune['values']['worse']} strokes")
    assert shop.good("study", "list", "--json").json["studies"][0]["name"] != "lot P-04"


def test_a_lot_alone_keeps_the_rest_of_the_material(shop):
    begun(shop)
    stack = shop.good("study", "show", "lot P-04", "--json").json["stack"]
    assert stack["powder"] == {
        "name": "fine powder",
        "supplier": "Pellmere (invented)",
        "lot": "P-04",
        "detail": "new in the range",
        "facts": None,
    }


def test_other_margins_and_powers_are_taken(shop):
    data = shop.good(*LOT, "--margin", "20%", "--power", "0.9", "--looks", "1", "--edge-strokes", "0", "--json").json
    assert (data["plan"]["rate_margin"], data["plan"]["power"], data["plan"]["looks"]) == (0.2, 0.9, 1)
    assert data["plan"]["edges"] == []
    assert "No edge of the window is tested" in " ".join(data["notes"])
    assert data["coupons"] == 2 * data["plan"]["strokes"]


def test_the_verdict_its_page_and_the_recipes_story(shop):
    begun(shop)
    found = shop.good("compare", "lot P-04", "-o", "comparison.html")
    assert found.out.startswith("Same recipe holds.")
    assert "with 90 % assurance" in " ".join(found.out.split())
    page = (shop.folder / "comparison.html").read_text(encoding="utf-8").replace(NO_BREAK, " ")
    assert "Same recipe holds" in page
    assert page.count("°F") > 6
    story = shop.good("compare", NAME)
    assert "1 comparison with recipe" in story.out
    assert "same recipe holds" in story.out
    assert shop.good("compare", "heavy").out == story.out  # a part of the name finds the same
    data = shop.good("compare", "lot P-04", "--json").json
    assert data["verdict"] == "same recipe holds"
    shown = data["comparison"]["facts"]["reasons"][0]
    assert (shown["code"], shown["values"]["rate_margin"]) == ("rate_shown", 0.15)
    assert "no more than 15 points below" in data["comparison"]["reasons"][0]
    assert shop.good("study", "list", "--json").json["studies"][0]["verdict"] == "same recipe holds"


def test_an_open_verdict_leads_to_the_next_round(shop):
    begun(shop, failing=2)
    found = shop.good("compare", "lot P-04")
    assert found.out.startswith("Not enough coupons yet.")
    assert 'doe compare "lot P-04" --next-round' in found.out
    more = shop.good("compare", "lot P-04", "--next-round")
    assert "Round 2 of the comparison lot P-04" in more.out
    assert shop.run("compare", "lot P-04", "--next-round").code == 2


def test_a_retune_starts_from_the_verdict(shop):
    begun(shop, shift=14.0)
    found = shop.good("compare", "lot P-04")
    assert found.out.startswith("Retune.")
    assert 'doe compare "lot P-04" --retune' in found.out
    made = shop.good("compare", "lot P-04", "--retune", "--coupons", "16", "--as", "retuned")
    assert "each for 0.3 of a coupon" in " ".join(made.out.split())
    assert "from the comparison, counted in full" in " ".join(made.out.split())
    data = shop.good("compare", "lot P-04", "--retune", "--discount", "0", "--as", "alone", "--json").json
    assert (data["discount"], data["earlier_coupons"]) == (0, 0)
    answer = shop.good("recommend", "retuned", "--more")
    assert "count here, each for 0.3 of a coupon" in " ".join(answer.out.split())


def test_recording_and_showing_a_comparison_points_to_its_verdict(shop):
    begun(shop)
    assert 'doe compare "lot P-04"' in shop.good("study", "show", "lot P-04").out
    said = shop.good("record", "lot P-04", "--coupon", "R1-01", "--note", "fine")
    assert 'doe compare "lot P-04"' in said.out
    assert shop.run("fit", "lot P-04").code == 2
    assert shop.run("report", "lot P-04").code == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("compare", "nobody"), "recipe"),
        (("compare", NAME, "--next-round"), "--next-round"),
        (("compare", NAME, "--retune"), "--retune"),
        (("compare", NAME, "--begin"), "--fabric"),
        ((*LOT, "--margin", "0"), "--margin"),
        ((*LOT, "--margin", "nan"), "--margin"),
        ((*LOT, "--power", "2"), "--power"),
        ((*LOT, "--hand-margin", "nan"), "--hand-margin"),
        ((*LOT, "--strokes", "1"), "--strokes"),
        ((*LOT, "--stack", "tee"), "one of them"),
        ((*LOT, "-o", "page.html"), "--output"),
        (("compare", NAME, "--powder", "lot=P-03"), "at least one part that differs"),
        (("compare", NAME, "--powder", "colour=red"), "colour=red"),
        (("compare", NAME, "--fabric", "light tee", "--begin"), "fabric_max"),
        (("compare", NAME, "--fabric", "light tee", "--limit", "fabric_max=120@label"), "(284 °F)"),
        (("compare", NAME, "--fabric", "light tee", "--limit", "fabric_max=145@label"), "study of its own"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(shop, words, said):
    found = shop.run(*words)
    assert found.code == 2
    assert said in found.err
    assert len(found.errors) == 1
    assert "Traceback" not in found.err


@pytest.mark.parametrize("words", [("--looks", "3"), ("--power", "0.9"), ("--strokes", "5"), ("--discount", "1")])
def test_what_was_decided_before_the_first_coupon_is_not_changed_after(shop, words):
    begun(shop)
    found = shop.run("compare", "lot P-04", *words)
    assert found.code == 2
    assert words[0] in found.err


def test_a_comparison_without_any_score_says_so(shop):
    shop.good(*LOT, "--begin", "--as", "lot P-04")
    found = shop.good("compare", "lot P-04", "-o", "empty.html")
    assert found.out.startswith("Not enough coupons yet.")
    assert "Nothing is judged at the setpoint yet" in (shop.folder / "empty.html").read_text(encoding="utf-8")
    assert shop.run("compare", "lot P-04", "-o", ".").code == 2


def test_rates_of_a_staged_comparison_stand_on_one_screen_before_anything_is_made(shop):
    found = shop.good(*LOT, "--staged")
    lines = found.out.splitlines()
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80
    assert "Of 100 such comparisons, beside a recipe that passes 97 %:" in lines
    rows = {line[:9].strip(): line.split()[-4:] for line in lines if re.match(r"(alike|\d+ points) ", line)}
    assert list(rows) == ["alike", "5 points", "10 points", "20 points", "30 points"]
    assert all(sum(map(int, row[:3])) == 100 for row in rows.values())
    assert int(rows["alike"][0]) <= 3
    assert int(rows["30 points"][0]) >= 80
    assert re.search(r"6 pairs +none +3 or more +over 1 +32 of 100", found.out)
    assert f'doe compare "{NAME}" --powder "lot=P-04" --staged --begin' in found.out
    data = shop.good(*LOT, "--staged", "--strokes", "10", "--json").json
    assert [stage["pairs"] for stage in data["plan"]["stages"]] == [10, 20, 30]
    assert [round(chance["loss"], 2) for chance in data["chances"]] == [0, 0.05, 0.1, 0.2, 0.3]


@pytest.mark.parametrize(
    "option", [("--margin", "0.10"), ("--power", "0.9"), ("--looks", "3"), ("--edge-strokes", "2")]
)
def test_a_staged_comparison_takes_no_option_of_a_full_one(shop, option):
    found = shop.run(*LOT, "--staged", *option)
    assert (found.code, len(found.errors)) == (2, 1)
    assert f"found {option[0]}" in found.err
    assert "leave out --staged" in found.err


def test_a_staged_comparison_scored_blind_from_its_sheets_to_its_page(shop):
    begun = shop.good(*LOT, "--staged", "--blind", "--begin", "--as", "lot P-04").out
    assert "Sheet and pages carry codes only" in begun
    assert "lot P-04-round-1-key.html".replace(" ", "-").lower() in shop.good("sheet", "lot P-04", "-o", "sheets").out
    with shop.open() as book:
        coupons = book.plan_coupons("lot P-04")
        book.record("lot P-04", all_pass(coupons, tuple(coupons[coupons["material"] == "new"]["coupon"][:3])))
    found = shop.good("compare", "lot P-04", "-o", "lot.html")
    assert found.out.startswith("Clearly worse.")
    assert 'doe compare "lot P-04" --retune' in found.out
    page = (shop.folder / "lot.html").read_text(encoding="utf-8").replace(NO_BREAK, " ")
    for words in ("Of 100 such comparisons", "Can still hide", "Scored blind", "only the new material failed in 3"):
        assert words in page
