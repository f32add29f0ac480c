"""People who score: further looks, agreement, and the page about it."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
from jinja2 import meta

from doe.acts.scoring.people import looks_of, people_of_study, record_looks
from doe.assure.people.agreement import judge_repeats
from doe.domain.errors import InputError
from doe.domain.score import ScoreEntry, SecondLook
from doe.words.people import agreement_words, missing_words, repeat_words
from doe.words.typography import NO_BREAK
from reports.pages import environment, render, template_source
from reports.people import PeoplePage, people_page
from tests.shared import untapped

MADE_AT = datetime(2031, 3, 4, tzinfo=UTC)
STUDY = "new powder on the heavy tee"


@pytest.fixture
def book(shop_with):
    with shop_with(2).open() as opened:
        yield opened


def look(book, person, *, turned=(), coupons=12, shift=0.0):
    """A person looks at the first coupons again; the book's first looks are those of ana."""
    results = book.results(STUDY).set_index("coupon")
    names = list(people_of_study(book, STUDY).again[:coupons]) if turned == "list" else list(results.index[:coupons])
    looks = []
    for i, name in enumerate(names):
        release = bool(results.loc[name, "check_release"])
        first = results.loc[name, "hand_ana"]
        hand = None if pd.isna(first) else float(np.clip(first + shift, 1, 5))
        looks.append(SecondLook(name, person, {"release": release != (i in turned)}, hand))
    book.record_again(STUDY, looks)


def test_before_anybody_looked_again_it_is_said_what_would_tell(book):
    found = people_of_study(book, STUDY)
    assert found.passes is None
    assert found.hand is not None
    assert {"ana", "ben"} == {str(p) for p in found.hand.lean["person"]}
    assert any("nobody has judged enough coupons a second time" in m for m in missing_words(found.missing))
    assert len(found.again) == len(set(found.again))
    results = book.results(STUDY).set_index("coupon")
    bad = sum(not results.loc[c, "passed"] for c in found.again)
    assert 1 <= bad <= 10
    assert found.again == people_of_study(book, STUDY).again
    # passed and failed stand mixed, or the order would give them away
    states = [bool(results.loc[c, "passed"]) for c in found.again]
    assert states != sorted(states)


def test_the_same_person_is_compared_with_herself_and_another_with_the_first(book):
    look(book, "ana", turned=(0,))
    look(book, "ben", turned=(0, 1, 2))
    judged, _ = looks_of(book, STUDY)
    assert list(judged.columns) == ["ana", "ana again", "ben"]
    assert len(judged) == 12
    assert (judged["ana"] != judged["ana again"]).sum() == 1
    assert (judged["ana"] != judged["ben"]).sum() == 3
    found = people_of_study(book, STUDY)
    (mine,) = [r for r in found.repeats if r.person == "ana"]
    assert (mine.coupons, mine.turned) == (12, 1)
    assert mine.hand_shift == 0
    (pair,) = found.passes.pairs
    assert {pair.first, pair.second} == {"ana", "ben"}
    assert any("changed 1 of them" in s for s in agreement_words(found.passes, found.hand, found.repeats))


def test_results_fits_and_answers_do_not_change(book):
    from doe.acts.study.inputs import hash_now

    record = book.study(STUDY)
    before, frame = hash_now(book, record), book.results(STUDY)
    look(book, "ana", turned=(0, 1))
    assert hash_now(book, record) == before
    pd.testing.assert_frame_equal(book.results(STUDY), frame)


def test_a_scale_that_moved_is_told_with_what_to_do(book):
    look(book, "ana", shift=-0.5, coupons=20)
    (mine,) = [r for r in people_of_study(book, STUDY).repeats if r.person == "ana"]
    assert mine.hand_shift < -0.3
    assert mine.hand_high < 0
    assert any("stiffer" in s and "reference coupons" in s for s in repeat_words(mine))


def test_repeats_of_a_person_are_the_paired_differences():
    rng = np.random.default_rng(4)
    names = [f"c{i}" for i in range(400)]
    true = rng.normal(3, 0.8, 400)
    first, second = (pd.DataFrame({"ana": true + rng.normal(0, 0.3, 400)}, index=names) for _ in range(2))
    (found,) = judge_repeats(pd.DataFrame(index=names), first, second)
    # the standard deviation of one score is the 0.3 that was put in; its standard error is 0.3 / sqrt(800)
    assert found.hand_sd == pytest.approx(0.3, abs=4 * 0.3 / np.sqrt(800))
    assert found.hand_low < found.hand_shift < found.hand_high
    assert found.kappa is None


def test_entries_become_looks_of_those_who_looked(book):
    name = book.results(STUDY)["coupon"].iloc[0]
    entry = ScoreEntry(name, checks={"release": True}, hand={"ana": 4.0, "ben": 3.5}, note="seen again")
    _, coupons, fields, left = record_looks(book, STUDY, [entry], "ana")
    assert (coupons, fields) == (1, 3)
    assert "left out" in missing_words(left)[0]
    assert set(looks_of(book, STUDY)[1].columns) == {"ana", "ben"}
    with pytest.raises(InputError, match="a check or a hand-feel"):
        record_looks(book, STUDY, [ScoreEntry(name, note="only words")], "ana")


def test_the_page_says_what_the_numbers_say(book):
    look(book, "ben", turned=(0, 1, 2), coupons=20)
    found = people_of_study(book, STUDY)
    page = people_page(
        found.record.study,
        found.judged,
        found.passes,
        found.hand,
        found.repeats,
        again=found.again,
        missing=found.missing,
        made_at=MADE_AT,
    )
    captions = [t.caption for t in page.tables]
    assert "Pass and fail, two by two" in captions
    differ = page.differ_table
    assert len(differ.rows) == 3
    assert page.headline.startswith("ana and ben ")
    html = render("people.html", page, names=())
    assert html.index(page.headline) < html.index("<details>") < html.index("Weighted kappa")  # its jargon is folded
    assert all(set(row[1:]) == {"pass", "fail"} for row in differ.rows)
    worth = page.tables[captions.index("What a hand-feel score is worth")]
    assert "never lie below 0, where textbook limits may" in worth.note
    leaning = found.hand.lean[found.hand.lean["verdict"] != "like the others"]
    assert ("Nobody is shown" in page.pictures[0].title) == leaning.empty
    names = ("people.html", "page.html", "cautions.html", "paper.css", "parts.html")
    trees = [environment().parse(template_source(name) or "") for name in names]
    wanted = {n for tree in trees for n in meta.find_undeclared_variables(tree)}
    assert wanted == set(PeoplePage.__dataclass_fields__)


# the commands


def test_a_further_look_by_options_from_a_file_and_in_the_answer(shop_with):
    shop = shop_with(1)
    first = shop.good("record", STUDY, "--again", "--coupon", "R1-02", "--pass", "release", "--hand", "ana=4", "--json")
    assert first.json["new_fields"] == 2
    shop.good("sheet", STUDY, "-o", "again.csv", "--person", "ben")
    text = (shop.folder / "again.csv").read_text(encoding="utf-8-sig").splitlines()
    heads = text[0].split(",")
    row = text[1].split(",")
    row[heads.index("release")] = "pass"
    (shop.folder / "again.csv").write_text("\n".join([text[0], ",".join(row)]) + "\n", encoding="utf-8")
    assert (
        shop.good("record", STUDY, "--again", "--file", "again.csv", "--who", "ben", "--json").json["new_fields"] == 1
    )
    found = shop.good("people", STUDY, "-o", "people.html")
    assert "written" not in found.err
    page = untapped((shop.folder / "people.html").read_text(encoding="utf-8")).replace(NO_BREAK, " ")
    assert "2 coupons judged more than once" in page
    assert shop.good("people", STUDY, "--json").json["look_again"]


def test_second_looks_that_all_contradict_the_first_are_judged(shop_with):
    shop = shop_with(2)
    with shop.open() as book:
        look(book, "ana", turned=range(12))
    found = shop.good("people", STUDY, "-o", "people.html")
    assert "changed 12 of them" in " ".join(found.out.replace(NO_BREAK, " ").split())


def test_a_further_look_is_asked_without_showing_the_first(shop_with, monkeypatch):
    from doe.cli.desk import Desk

    monkeypatch.setattr(Desk, "can_ask", property(lambda self: not self.as_json))
    shop = shop_with(1)
    found = shop.good("record", STUDY, "--again", typed="p\nf\n4\nq\n")
    assert "1 coupon looked at again: 3 new entries" in found.out
    assert not re.search(r"°C|first score:|stored", found.out.partition("what was said is stored")[2])
    assert shop.good("record", STUDY, "--again", typed="x\np\n\n9\n3.5\nq\n").out.count("half steps") == 1


def test_what_cannot_be_a_further_look_is_refused(shop_with):
    shop = shop_with(1)
    for words, said in (
        (("--coupon", "R9-99", "--pass", "release"), "no such coupon"),
        (("--own-sheet", "mine.csv"), "a sheet of your own"),
        ((), "nothing to record"),
        (("--coupon", "R1-02", "--note", "only words"), "a check or a hand-feel"),
    ):
        found = shop.run("record", STUDY, "--again", *words)
        assert found.code == 2, words
        assert said in found.err
        assert len(found.errors) == 1
    assert shop.run("people", STUDY, "-o", ".").code == 2
    assert shop.run("people", "nobody").code == 2
