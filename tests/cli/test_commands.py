"""What each command does on its usual way, seen by a person and by a program."""

from __future__ import annotations

import json
import math
import re
import sqlite3
from contextlib import closing

import pytest

from doe.cli.terminal import JSON_FORMAT

STUDY = "new powder on the heavy tee"


@pytest.mark.in_file("about a book that is not there: a server has a database")
def test_looking_never_makes_a_book(empty_shop):
    for words in (["stack", "list"], ["study", "list"], ["book", "check"], ["gauge", "list", "x"]):
        found = empty_shop.run(*words)
        assert found.code == 2
        assert len(found.errors) == 1
        assert "make a new book" in found.err
    assert not empty_shop.book.exists()


def test_a_stack_keeps_supplier_and_lot(empty_shop):
    empty_shop.good("stack", "add", "tee", "--fabric", "tee; supplier=Halm; lot=A1", "--film", "f", "--powder", "p")
    found = empty_shop.good("stack", "show", "tee", "--json").json
    assert found["stack"]["fabric"] == {"name": "tee", "supplier": "Halm", "lot": "A1", "detail": "", "facts": None}


def test_a_changed_stack_is_a_correction_that_needs_a_reason(shop_with):
    shop = shop_with(0)
    words = ["stack", "add", "heavy tee, fine powder", "--fabric", "other", "--film", "f", "--powder", "p"]
    assert "why" in shop.run(*words).err
    shop.good(*words, "--why", "wrong label")
    assert shop.good("stack", "list", "--json").json["stacks"][0]["fabric"]["name"] == "other"


def test_gauge_show_says_mean_offset_and_spread_of_each_machine(shop_with):
    shop = shop_with(0)
    found = shop.good("gauge", "show", "back room", "--json").json["machines"]
    assert [m["machine"] for m in found] == ["oven", "press"]
    assert found[0]["mean_delta_degc"] == pytest.approx((-2.5 - 3.5 - 3) / 3)
    assert found[0]["spread_delta_degc"] == pytest.approx(0.5)
    assert "-5.4 °F" in shop.good("gauge", "show", "back room", "--temperature", "degF").out  # -3 degC of difference


def test_gauge_list_shows_every_reading_in_the_users_unit(shop_with):
    shop = shop_with(0)
    text = shop.good("gauge", "list", "back room", "--temperature", "degF", "--more").out
    assert re.search(r"The oven, tunnel oven: 3 readings in force, the newest of \d+ \w+ 20\d\d\b", text)
    assert "temperatures in °F" in text
    assert re.search(r"^ +1 +oven +230 +230 +225\.5 ", text, flags=re.MULTILINE)


def test_withdrawn_reading_stays_visible_and_no_longer_counts(shop_with):
    shop = shop_with(0)
    shop.good("gauge", "withdraw", "1", "--why", "not settled")
    found = shop.good("gauge", "list", "back room", "--json").json
    assert found["machines"][0]["readings"] == 2
    assert found["readings"][0]["withdrawn"] == "not settled"
    assert shop.good("gauge", "show", "back room", "--json").json["machines"][0]["readings"] == 2


def test_study_takes_the_usual_factors_and_says_so(shop_with):
    shop = shop_with(0)
    words = ["study", "new", "x", "--stack", "heavy tee, fine powder", "--line", "back room"]
    found = shop.good(*words)
    assert "No factor was named" in found.out
    again = shop.good("study", "new", "y", *words[3:], "--json").json
    assert [f["name"] for f in again["study"]["factors"]] == ["cure_temp", "cure_time", "press_temp", "dwell"]
    assert len(again["missing_limits"]) == 7


def test_no_plan_without_every_limit_and_the_missing_ones_are_named(shop_with):
    shop = shop_with(0)
    shop.good("study", "new", "x", "--stack", "heavy tee, fine powder", "--line", "back room")
    shop.good("study", "limits", "x", "--limit", "film_max=175@sheet", "--limit", "oven_max=180")
    found = shop.run("plan", "x")
    assert found.code == 2
    assert 'doe study limits x --limit "powder_max=VALUE@SOURCE"' in found.err
    assert "film_max" not in found.err.partition("Type:")[2]
    assert shop.good("study", "show", "x", "--json").json["rounds"] == []


def test_ranges_and_held_settings_typed_beyond_a_limit_are_refused(shop_with):
    shop = shop_with(0)
    shop.good("study", "limits", STUDY, "--limit", "film_max=160")
    found = shop.run("study", "amend", STUDY, "--factor", "press_temp=141..170", "--why", "hotter")
    assert found.code == 2
    assert "press_temp, high: found 170 °C (338 °F); allowed: at most 160 °C (320 °F) (limit)" in found.err
    new = ["study", "new", "x", "--stack", "heavy tee, fine powder", "--line", "back room"]
    told = shop.good(*new, "--limit", "film_max=160").out
    assert "reaches beyond a limit" in told
    factors = ["--factor", "cure_time", "--factor", "cure_temp"]
    found = shop.run(*new, *factors, "--hold", "press_temp=180", "--limit", "press_max=170")
    assert found.code == 2
    assert "held press temperature" in found.err


def test_plan_compares_before_it_commits(shop_with):
    shop = shop_with(0)
    found = shop.good("plan", STUDY, "--coupons", "12", "--json").json
    assert found["chosen"] is None
    assert {p["kind"] for p in found["plans"]} >= {"half"}
    assert shop.good("study", "show", STUDY, "--json").json["rounds"] == []
    text = shop.good("plan", STUDY, "--coupons", "12", "--more").out
    heads = next(line.split() for line in text.splitlines() if line.startswith("plan "))
    assert heads == ["plan", "coupons", "garments", "hours", "good", "%", "bad", "%"]
    assert "Aliases in half: " in text
    assert "Not possible: box-behnken" in text
    made = shop.good("plan", STUDY, "--coupons", "12", "--choose", "half", "--json").json
    assert len(made["coupons"]) == 12
    assert shop.good("study", "show", STUDY, "--json").json["counts"]["coupons"] == 12
    again = shop.run("plan", STUDY, "--choose", "half")
    assert again.code == 2
    assert "Add a round with doe extend" in again.err


def test_a_further_round_keeps_what_was_said_of_garments(shop_with):
    shop = shop_with(0)
    shop.good("plan", STUDY, "--coupons", "12", "--choose", "half", "--per-garment", "2")
    shop.good("extend", STUDY, "--coupons", "8")
    coupons = shop.good("study", "show", STUDY, "--json").json["rounds"]
    assert [r["coupons"] for r in coupons] == [12, 8]
    with shop.open() as book:
        made = book.plan_coupons(STUDY)
        assert book.study(STUDY).study.coupons_per_garment == 2
    assert made.groupby(["round", "garment"]).size().groupby("round").max().tolist() == [2, 2]


def test_what_comes_next_is_the_same_whoever_is_asked(shop_with):
    def said(shop, *words):
        return shop.good(*words, "--json").json["next"][0]

    shop = shop_with(0)
    assert said(shop, "study", "show", STUDY) == f'doe plan "{STUDY}" --coupons 20'
    shop = shop_with(1)
    scored = said(shop, "record", STUDY, "--coupon", "R1-01", "--note", "looked at once more")
    assert scored == said(shop, "study", "show", STUDY) == f'doe recommend "{STUDY}"'
    answered = said(shop, "recommend", STUDY)
    assert answered.startswith(("doe extend", "doe confirm", "doe record"))
    assert said(shop, "study", "show", STUDY) == answered
    shop.good("extend", STUDY, "--coupons", "6")
    assert said(shop, "study", "show", STUDY) == f'doe record "{STUDY}"'


def test_the_same_seed_makes_the_same_plan(shop_with):
    found = []
    for _ in range(2):
        shop = shop_with(0)
        found.append(
            shop.good("plan", STUDY, "--coupons", "12", "--choose", "half", "--seed", "5", "--json").json["coupons"]
        )
    assert found[0] == found[1]


def test_sheets_of_a_round_go_into_a_folder_or_one_file(shop_with):
    shop = shop_with(2)
    made = shop.good("sheet", STUDY, "-o", "out", "--json").json
    assert made["round"] == 2
    assert made["people"] == ["ana", "ben"]
    assert len(list((shop.folder / "out").iterdir())) == 3
    shop.good("sheet", STUDY, "-o", "one.csv", "--round", "1", "--person", "cleo")
    text = (shop.folder / "one.csv").read_text(encoding="utf-8-sig")
    assert "hand: cleo" in text
    assert text.count("R1-") == 20
    page = (shop.folder / "out" / f"{STUDY.replace(' ', '-')}-round-2-sheet.html").read_text(encoding="utf-8")
    assert "burn at a touch" in page


def test_the_test_image_needs_no_study_and_no_book(empty_shop):
    shop = empty_shop
    made = shop.good("sheet", "--artwork", "image.svg", "--json").json
    assert (made["width_mm"], made["mirrored"]) == (80, False)
    assert (shop.folder / "image.svg").read_text(encoding="utf-8").startswith("<svg")
    shop.good("sheet", "--artwork", "image.pdf", "--mirrored")
    assert (shop.folder / "image.pdf").read_bytes().startswith(b"%PDF-")
    assert "ending in .svg or .pdf" in shop.run("sheet", "--artwork", "image.png").err
    assert "only with --artwork" in shop.run("sheet", "--mirrored").err
    assert "doe study list" in shop.run("sheet").err
    assert not shop.has_book()


def test_scores_of_one_coupon_by_flags(shop_with):
    shop = shop_with(1)
    found = shop.good(
        "record", STUDY, "--coupon", "R1-01", "--actual", "press_temp=302F", "--note", "strip", "--json"
    ).json
    assert (found["coupons"], found["new_fields"]) == (1, 2)
    with shop.open() as book:
        row = book.results(STUDY).set_index("coupon").loc["R1-01"]
    assert row["actual_press_temp"] == pytest.approx(150)
    assert row["note"] == "strip"


def test_a_grade_by_word_and_one_at_odds_with_the_checks_is_said_once(shop_with):
    shop = shop_with(1)
    with shop.open() as book:
        passed = book.results(STUDY).set_index("coupon")["passed"]
    good, failed = passed[passed.eq(True)].index[0], passed[passed.eq(False)].index[0]
    assert shop.good("record", STUDY, "--coupon", good, "--grade", "Only just", "--json").json["notes"] == []
    found = shop.good("record", STUDY, "--coupon", failed, "--grade", "clean")
    odd = " ".join((found.out + found.err).split())
    assert odd.count(f"The grade of {failed} does not go with the checks") == 1
    with shop.open() as book:
        grades = book.results(STUDY).set_index("coupon")["grade"]
    assert (grades[good], grades[failed]) == ("just", "")
    assert "does not go with" not in shop.good("record", STUDY, "--coupon", good, "--note", "seen").err


def test_a_correction_needs_a_reason_and_keeps_the_old_value(shop_with):
    shop = shop_with(1)
    words = ["record", STUDY, "--coupon", "R1-01", "--fail", "wash_5", "--symptom", "edge lift wash"]
    assert "why" in shop.run(*words).err.lower()
    shop.good(*words, "--why", "looked again")
    with shop.open() as book:
        assert [h.value for h in book.history(STUDY, "R1-01") if h.field == "check:wash_5"] == [True, False]


def test_a_symptom_gives_its_side_and_void_a_reason(shop_with):
    shop = shop_with(1)
    shop.good("record", STUDY, "--coupon", "R1-05", "--symptom", "film lock", "--why", "seen again")
    shop.good("record", STUDY, "--coupon", "R1-06", "--void", "mixed up")
    with shop.open() as book:
        rows = book.results(STUDY, include_void=True).set_index("coupon")
    assert rows.loc["R1-05", "side"] == "over"
    assert rows.loc["R1-06", "void"] == "mixed up"
    assert shop.good("study", "show", STUDY, "--json").json["counts"]["void"] == 2


def test_fit_says_what_the_coupons_can_tell(shop_with):
    shop = shop_with(1)
    found = shop.good("fit", STUDY, "--json").json
    assert found["counts"]["scored"] == 19
    assert found["belief"]["sentences"]
    assert set(found["belief"]["learned"]) == {"cure_temp", "cure_time", "press_temp", "dwell"}
    with shop.open() as book:
        assert book.latest_analysis(STUDY, "fit").inputs_hash == found["inputs_hash"]


def test_recommend_says_the_same_in_text_and_json(shop_with):
    shop = shop_with(2)
    found = shop.good("recommend", STUDY, "--json").json
    text = shop.good("recommend", STUDY).out
    assert found["verdict"] in ("ready", "more coupons", "not reachable")
    for name, value in found["setpoint"].items():
        assert f"{value:g}" in next(line for line in text.splitlines() if line.startswith(name))
    assert f"{math.floor(100 * found['pass_rate_low'])} of 100 prints" in text  # a lower bound rounds down
    assert shop.good("study", "list", "--json").json["studies"][0]["verdict"] == found["verdict"]


def test_extend_stores_a_new_round_in_a_block_of_its_own(shop_with):
    shop = shop_with(1)
    made = shop.good("extend", STUDY, "--coupons", "6", "--json").json
    assert made["round"] == 2
    assert {c["round"] for c in made["coupons"]} == {2}
    with shop.open() as book:
        assert len(book.plan_coupons(STUDY)) == 26


def test_extend_works_before_anything_is_scored(shop_with):
    shop = shop_with(0)
    shop.good("plan", STUDY, "--coupons", "12", "--choose", "half")
    made = shop.good("extend", STUDY, "--coupons", "6", "--json").json
    assert made["kind"] == "where the plan is thinnest"
    assert len(made["coupons"]) == 6


def test_archived_study_is_hidden_until_it_is_restored(shop_with):
    shop = shop_with(1)
    shop.good("study", "archive", STUDY, "--why", "made twice")
    assert shop.good("study", "list", "--json").json["studies"] == []
    assert shop.good("study", "list", "--archived", "--json").json["studies"][0]["archived"]
    shop.good("study", "restore", STUDY, "--why", "needed")
    assert len(shop.good("study", "list", "--json").json["studies"]) == 1


def test_book_moves_to_another_by_export_and_import(shop_with):
    shop = shop_with(2)
    shop.good("book", "export", "out.zip")
    shop.good("book", "import", "out.zip", "--book", "other.sqlite")
    here, there = (
        shop.good("recommend", STUDY, "--book", place, "--json").json for place in (str(shop.book), "other.sqlite")
    )
    assert here["setpoint"] == there["setpoint"]
    assert here["inputs_hash"] == there["inputs_hash"]


@pytest.mark.in_file("about a file and its copies")
def test_a_backup_is_checked_when_it_is_written(shop_with, monkeypatch):
    from doe.book import book as module

    shop, copy_file = shop_with(1), module.copy_file
    assert "the copy is sound" in shop.good("book", "backup", "good.sqlite").out

    def damaging(source, copy):
        copy_file(source, copy)
        with closing(sqlite3.connect(copy)) as connection:
            for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
                connection.execute(f"DROP TRIGGER {name}")
            connection.execute("UPDATE acts SET why = 'another reason' WHERE id = 2")
            connection.commit()

    monkeypatch.setattr(module, "copy_file", damaging)
    found = shop.run("book", "backup", "bad.sqlite")
    assert found.code == 1
    assert "the copy is not sound" in found.out
    assert "Act 2" in found.out


@pytest.mark.in_file("damages the file behind the program")
def test_book_check_finds_damage_and_leaves_with_1(shop_with):
    shop = shop_with(1)
    with shop.open() as book:
        seal = book.seal()
    assert shop.good("book", "check", "--json").json == {
        "format": JSON_FORMAT,
        "ok": True,
        "problems": [],
        "seal": seal,
        "next": ["doe book backup shop-backup.sqlite"],
    }
    connection = sqlite3.connect(shop.book)
    connection.execute("pragma foreign_keys=off")
    names = [n for (n,) in connection.execute("select name from sqlite_master where type='trigger'")]
    for name in names:
        connection.execute(f"drop trigger {name}")
    connection.execute("delete from rounds")
    connection.commit()
    connection.close()
    found = shop.run("book", "check", "--json")
    assert found.code == 1
    assert found.json["ok"] is False
    assert found.json["problems"]


def test_audit_says_who_did_what(shop_with):
    shop = shop_with(1)
    shop.good("study", "archive", STUDY, "--why", "made twice", "--who", "cleo")
    last = shop.good("book", "audit", "--last", "1", "--json").json["acts"]
    assert (last[0]["who"], last[0]["why"]) == ("cleo", "made twice")


def test_every_command_suggests_a_next_step(shop_with):
    shop = shop_with(2)
    for words in (
        ["stack", "list"],
        ["line", "list"],
        ["gauge", "list", "back room"],
        ["gauge", "show", "back room"],
        ["study", "list"],
        ["study", "show", STUDY],
        ["fit", STUDY],
        ["recommend", STUDY],
    ):
        found = shop.good(*words)
        assert "Next:\n  doe " in found.out, words
        assert max(map(len, found.out.splitlines())) <= 80, words


@pytest.mark.in_file("moves the file")
def test_the_next_step_is_about_the_same_book(shop_with):
    shop = shop_with(0)
    shop.book.rename(shop.folder / "other.sqlite")
    found = shop.good("study", "show", STUDY, "--book", "other.sqlite", "--json").json
    assert found["next"] == [f'doe plan "{STUDY}" --coupons 20 --book other.sqlite']


def test_units_of_the_environment_are_read_and_shown(shop_with):
    shop = shop_with(0)
    found = shop.good("study", "show", STUDY, "--more", env={"DOE_UNITS": "degF psi"}).out
    assert "284 to 338 °F" in found
    assert "43.51 psi" in found
    made = shop.good(
        "study",
        "new",
        "y",
        "--stack",
        "heavy tee, fine powder",
        "--line",
        "back room",
        "--factor",
        "press_temp=284..338",
        "--factor",
        "dwell",
        "--json",
        env={"DOE_UNITS": "degF"},
    ).json
    assert made["study"]["factors"][0]["low"] == pytest.approx(140)


def test_json_is_one_object_and_nothing_else(shop_with):
    shop = shop_with(2)
    for words in (
        ["stack", "list"],
        ["line", "show", "back room"],
        ["study", "show", STUDY],
        ["recommend", STUDY],
        ["book", "audit"],
        ["book", "check"],
    ):
        found = shop.good(*words, "--json")
        assert json.loads(found.out)["ok"] is True
        assert found.err == ""
