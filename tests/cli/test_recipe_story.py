"""Why a recipe was chosen, told from the book alone a year later, with the same figures."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from doe.acts.base import version
from doe.acts.recipe.release import kept_figures
from doe.acts.recipe.story import tell_story
from doe.domain.gauge import GaugeReading
from doe.domain.score import ScoreEntry
from reports.recipe.story import recipe_story, story_page
from tests.acts.recipe.samples import NAME, STUDY, confirmed, released
from tests.shared import untapped

EXCEPTION = ("--exception", "trial order; Kim answers for it")
LATER = datetime.now(UTC) + timedelta(days=365)


@pytest.fixture
def shop(shop_with):
    """A shop with one recipe, released with an exception."""
    made = shop_with(2)
    made.good("recommend", STUDY)
    released(made, *EXCEPTION)
    return made


def told(shop, **more):
    with shop.open() as book:
        return tell_story(book, book.recipe(NAME), now=LATER, **more)


def words(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", untapped(page).partition("<body")[2]).replace("&#39;", "'").split())


def test_two_runs_a_year_apart_give_the_same_figures(shop, stories_made_anew):
    first = told(shop)
    again = told(shop)
    assert first.repeat.outcome == again.repeat.outcome == "same"
    assert first.others == again.others
    with shop.open() as book:
        kept = book.recipe(NAME)
        record = kept_figures(book, kept.study_id, kept.recipe)
    assert first.others[0].pass_rate == record.payload["others"][0]["pass_rate"] == kept.recipe.pass_rate
    assert record.version == version()
    one, other = (words(recipe_story(s)) for s in (first, again))
    assert one == other
    assert "every figure below is the same as at release" in one


def test_another_version_says_so(shop, monkeypatch):
    monkeypatch.setattr("doe.acts.recipe.story.version", lambda: "99.0")
    story = told(shop)
    page = story_page(story)
    assert story.repeat.outcome == "same"
    assert page.repeat_line.endswith(f"Then it was version {version()}, now it is 99.0.")
    found = shop.good("report", "--recipe", NAME, "-o", "why.html", "--json").json["figures"]
    assert (found["version_then"], found["version_now"]) == (version(), "99.0")


def test_figures_that_come_out_otherwise_are_said_and_those_at_release_shown(shop, monkeypatch):
    from doe.setpoint import alternatives

    usual = alternatives.other_settings

    def moved(*given):
        return tuple(replace(o, pass_rate_low=o.pass_rate_low - 0.02) for o in usual(*given))

    before = told(shop)
    monkeypatch.setattr("doe.acts.recipe.story.other_settings", moved)
    story = told(shop)
    assert story.repeat.outcome == "other"
    assert story.repeat.largest == pytest.approx(0.02)
    assert story.others == before.others
    assert "rates differ by up to 2 points" in story_page(story).repeat_line


def test_a_correction_after_the_release_is_told_and_the_figures_stay(shop):
    before = told(shop)
    with shop.open() as book:
        book.record(STUDY, [ScoreEntry("R1-10", {"wash_5": False})], why="looked again")
    story = told(shop)
    assert story.repeat.outcome == "changed"
    assert story.others == before.others
    page = story_page(story)
    assert "cannot be made again" in page.repeat_line
    assert any(t.what == "Coupon R1-10, check wash 5: corrected from pass to fail." for t in story.deviations)
    assert page.lead == story_page(before).lead


def test_every_coupon_is_there_void_ones_too_and_the_reasons(shop):
    story = told(shop)
    page = story_page(story)
    (coupons,) = page.coupon_tables
    with shop.open() as book:
        names = list(book.results(STUDY, include_void=True)["coupon"])
    assert [row[0] for row in coupons.rows] == names
    void = next(row for row in coupons.rows if row[0] == "R1-14")
    assert "void, left out of the fit" in void
    assert any(t.what == "Coupon R1-14 was marked void." and t.why for t in story.deviations)
    assert page.deviations_line == f"{len(story.deviations)} entry, each with who, when and why."


def test_confirmation_coupons_stand_apart_with_their_rule(shop_with):
    shop = confirmed(shop_with(2))
    released(shop)
    story = told(shop)
    page = story_page(story)
    learned, judged = page.coupon_tables
    assert "only judged the answer" in judged.caption
    assert not {row[0] for row in learned.rows} & {row[0] for row in judged.rows}
    (attempt,) = page.attempts_table.rows
    assert attempt[0] == "1"
    assert attempt[2].startswith("90 % with 80 % assurance")
    assert attempt[-1] == "accepted"
    assert page.record_line == "The record is complete."


def test_the_plan_is_judged_again_from_its_seed_and_others_say_why_not(shop):
    story = told(shop)
    rows = story_page(story).plan_table.rows
    assert [row[1] for row in rows].count("Made.") == 1
    assert rows[0][1] == "Made."
    half = next(row for row in rows if row[0].startswith("half fraction"))
    assert "tells apart 9 of 15 ways in which settings may matter instead of 15" in half[1]
    assert story.plan.coupons == 20
    assert {x.kind for x in story.left_out} == {"quarter", "composite", "box-behnken"}


TEXTBOOK = re.compile(
    r"(?i)\b(quadratic|variances?|residuals?|alias\w*|confound\w*|regression|logit|posterior|coefficients?|estimates?|"
    r"standard deviations?|sd|terms?|likelihood|prior)\b"
)


def test_the_story_is_told_in_plain_words_and_the_textbook_stands_in_the_fold(shop):
    page = untapped(recipe_story(told(shop)))
    body = re.sub(r"(?s)<div class=.meaning.*?</div>|<(style|script|svg)\b.*?</\1>", "", page.partition("<body")[2])
    told_openly = " ".join(re.sub(r"(?s)<details.*?</details>|<[^>]+>", " ", body).split())
    textbook = [told_openly[max(found.start() - 60, 0) : found.end()] for found in TEXTBOOK.finditer(told_openly)]
    assert not textbook, "\n".join(textbook)
    (fold,) = re.findall(r'(?s)<details class="statistician">.*?</details>', body)
    assert "Quadratic terms" in fold
    assert "Prediction variance" in fold


def test_what_else_was_considered_says_why_not_by_the_numbers(shop):
    story = told(shop)
    rows = {row[0].split(" (")[0]: row for row in story_page(story).others_table.rows}
    assert rows["the setpoint"][1] == "Taken."
    chosen, quick = story.others[0], next(o for o in story.others if o.idea == "fastest that passed")
    assert quick.pass_rate < chosen.pass_rate
    assert rows["quickest coupon that passed"][1].startswith("Worse: ")
    fewer = round((chosen.pass_rate - quick.pass_rate) * 100)
    assert f"{fewer} points fewer pass" in rows["quickest coupon that passed"][1]
    best = next(o for o in story.others if o.idea == "best coupon")
    assert abs(best.pass_rate - chosen.pass_rate) < 0.005
    assert rows["best coupon: it passed and felt best"][1].startswith("As good within half a point. ")


def test_later_comparisons_and_cases_are_told_and_earlier_ones_are_not(shop):
    with shop.open() as book:
        data = {"symptoms": ["colour_shed"], "absent": [], "found": {}, "cause": "press_not_reached"}
        book.save_note("case", STUDY, data)
        book.save_note("case", "another study", data)
    story = told(shop)
    (case,) = story.cases
    assert case.what.startswith("colour shed: it turned out to be ")
    assert story_page(story).later_line == "Since then: 0 comparisons with another material, 1 case diagnosed."
    released(shop, *EXCEPTION, "--why", "tried the wait", "--gap", "20 s")
    story = told(shop)
    assert story.cases == ()
    page = story_page(story)
    assert page.later_line.startswith("No comparison with another material")
    assert len(page.revisions_table.rows) == 2
    assert page.changes_table.caption == "What changed from revision 1 to 2"
    with shop.open() as book:
        old = tell_story(book, book.recipe(NAME, 1), now=LATER)
    assert "superseded by a newer revision" in story_page(old).facts[0]
    assert len(old.cases) == 1


def test_an_incomplete_record_says_what_is_missing(shop):
    with shop.open() as book:
        kept = book.recipe(NAME).recipe
        book.release_recipe(replace(kept, name="old card", record={}), study=STUDY)
        story = tell_story(book, book.recipe("old card"), now=LATER)
    assert {i.what for i in story.items if i.state == "missing"} == {"care_label", "room"}
    line = story_page(story).record_line
    assert line.startswith("The record is not complete. Missing: care label and room climate.")
    assert story.repeat.outcome == "not kept"


def test_the_report_says_where_it_is_and_refuses_what_makes_no_sense(shop):
    found = shop.good("report", "--recipe", NAME, "-o", "why.html")
    assert (shop.folder / "why.html").exists()
    assert max(map(len, found.out.splitlines())) <= 80
    assert shop.good("report", "--recipe", NAME, "--revision", "1", "-o", "w.html", "--json").json["complete"] is True
    for bad in (
        ("report",),
        ("report", STUDY, "--recipe", NAME),
        ("report", STUDY, "--revision", "1"),
        ("report", "--recipe", "light tee"),
        ("report", "--recipe", NAME, "--revision", "7"),
        ("report", "--recipe", NAME, "--seed", "1"),
        ("report", "--recipe", NAME, "-o", "."),
    ):
        refused = shop.run(*bad)
        assert (refused.code, len(refused.errors)) == (2, 1), bad


def test_a_recipe_without_its_study_says_so(shop):
    with shop.open() as book:
        kept = book.recipe(NAME).recipe
        book.release_recipe(replace(kept, name="brought in"), study=None)
    refused = shop.run("report", "--recipe", "brought in", "-o", "why.html")
    assert refused.code == 2
    assert "is not in this book" in refused.err
    assert not (shop.folder / "why.html").exists()


def test_readings_taken_after_the_release_were_not_known_then(shop):
    before = told(shop)
    with shop.open() as book:
        book.add_gauge_reading("back room", GaugeReading("press", 150, 150, 141))
    after = told(shop)
    assert after.readings == before.readings
    assert len(before.readings) >= 7
    released(shop, *EXCEPTION, "--why", "press drifted")
    newer = told(shop)
    assert len(newer.readings) == len(before.readings) + 1


def test_coupons_lent_by_an_earlier_study_are_told(shop):
    story = told(shop)
    assert story.earlier == ""
    assert story_page(replace(story, earlier="20 coupons of the study a counted")).earlier_line == (
        "20 coupons of the study a counted."
    )


def test_looking_stores_nothing(shop):
    with shop.open() as book:
        before = len(book.audit(None))
    shop.good("report", "--recipe", NAME, "-o", "why.html")
    shop.good("recipe", "card", NAME, "-o", "card.html")
    with shop.open() as book:
        assert len(book.audit(None)) == before


def test_a_book_brought_from_another_place_tells_the_same(shop):
    from doe.book.book import Book

    before = told(shop)
    shop.good("book", "export", "shop.zip")
    with Book.open(shop.folder / "other.sqlite", who="ben") as book:
        book.import_(shop.folder / "shop.zip")
        after = tell_story(book, book.recipe(NAME), now=LATER)
    assert after.repeat.outcome == "same"
    assert after.others == before.others
    one, other = (story_page(s) for s in (before, after))
    assert (one.settings, one.coupon_tables, one.lead) == (other.settings, other.coupon_tables, other.lead)
    assert one.items_table.rows == other.items_table.rows
