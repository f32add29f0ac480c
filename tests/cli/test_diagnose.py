"""`doe diagnose`: from flags and asked at a terminal; what it learns; what it never does."""

from __future__ import annotations

import pytest

STUDY = "new powder on the heavy tee"


def test_diagnosis_without_a_book_answers_and_makes_none(empty_shop):
    found = empty_shop.good("diagnose", "--symptom", "edge haze", "--humidity", "25")
    assert found.out.startswith("Likely: powder uneven")
    assert "static spreads powder" in found.out
    assert "Check next:" in found.out
    assert max(map(len, found.out.splitlines())) <= 80
    assert not empty_shop.has_book()


def test_json_carries_causes_checks_and_advice(empty_shop):
    found = empty_shop.good("diagnose", "--symptom", "scorch", "--json").json
    assert not found["settled"]
    assert set(found["tied"]) == {"press_set_high", "press_runs_hot"}
    assert found["advice"]["stop"]
    assert found["advice"]["moves"] == []
    assert "usual" in found["checks"][0]["outcomes"]
    assert found["causes"][0]["source"] == "common practice, no source"
    assert not empty_shop.has_book()


def test_recipe_gauge_and_limits_of_a_study_count(shop_with):
    shop = shop_with(2)
    shop.good("recommend", STUDY)
    setpoint = shop.good("recommend", STUDY, "--json").json["setpoint"]
    low = f"press_temp={setpoint['press_temp'] - 20:.0f}"
    found = shop.good("diagnose", STUDY, "--symptom", "sheet lift after wash", "--set", low, "--json").json
    assert found["causes"][0]["cause"] == "press_set_low"
    (move,) = found["advice"]["moves"]
    assert move["to"] == setpoint["press_temp"]
    text = shop.good("diagnose", STUDY, "--symptom", "sheet lift after wash", "--set", low).out
    assert "Set press temperature back from" in text
    # what the gauge had shown before the coupons were planned, their dials make up for; a later reading counts
    assert all(m["factor"] < 1 for c in found["causes"] for m in c["moved_by"] if "gauge" in m["because"])
    shop.good("gauge", "add", "back room", "--machine", "press", "--set", "155", "--measured", "130")
    later = shop.good("diagnose", STUDY, "--symptom", "sheet lift after wash", "--json").json
    assert later["causes"][0]["cause"] == "press_not_reached"
    assert any("gauge" in m["because"] for m in later["causes"][0]["moved_by"])


def test_setting_beyond_the_limits_is_named(shop_with):
    shop = shop_with(0)
    found = shop.good("diagnose", STUDY, "--symptom", "scorch", "--set", "press_temp=195")
    assert "The press temperature is set beyond the limits" in " ".join(found.out.split())


def test_cases_are_kept_listed_learned_from_and_taken_back(empty_shop):
    before = empty_shop.good("diagnose", "--symptom", "stiff_hand", "--json").json
    for _ in range(12):
        empty_shop.good("diagnose", "--symptom", "stiff_hand", "--turned-out", "powder_coarse")
    after = empty_shop.good("diagnose", "--symptom", "stiff_hand", "--json").json
    assert before["causes"][0]["cause"] != "powder_coarse"
    assert after["causes"][0]["cause"] == "powder_coarse"
    assert after["shop_cases"] == 12
    listed = empty_shop.good("diagnose", "--past", "--json").json["cases"]
    assert len(listed) == 12
    empty_shop.good("diagnose", "--withdraw", str(listed[0]["id"]), "--why", "mixed up")
    assert len(empty_shop.good("diagnose", "--past", "--json").json["cases"]) == 11
    assert "powder coarser" in empty_shop.good("diagnose", "--past").out


def test_cause_not_on_the_list_can_be_kept(empty_shop):
    empty_shop.good("diagnose", "--symptom", "pinholes", "--turned-out", "none")
    assert "not on the list" in empty_shop.good("diagnose", "--past").out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "symptoms: found none; allowed: at least one"),
        (["--symptom", "film lok"], "film lock"),
        (["--symptom", "scorch", "--found", "room"], "a check and its outcome"),
        (["--symptom", "scorch", "--found", "room=wet"], "dry, damp, usual"),
        (["--symptom", "scorch", "--set", "press=150"], "press_temp"),
        (["--symptom", "scorch", "--humidity", "130"], "0 to 100"),
        (["--symptom", "scorch", "--where", "left"], "one place"),
        (["--symptom", "scorch", "--turned-out", "gremlins"], "powder_excess"),
        (["--withdraw", "7", "--why", "x"], "book"),
    ],
)
def test_bad_input_is_one_line_and_stores_nothing(empty_shop, words, said):
    found = empty_shop.run("diagnose", *words)
    assert found.code == 2
    assert len(found.errors) == 1
    assert said in found.err
    if empty_shop.has_book():
        assert empty_shop.good("diagnose", "--past", "--json").json["cases"] == []


def test_asked_at_a_terminal_it_goes_from_symptom_to_a_kept_case(empty_shop, monkeypatch):
    monkeypatch.setattr("doe.cli.desk.is_terminal", lambda stream: True)
    # symptom by number and name, place, time, film, humidity, powder's age left out, film's age, no more facts;
    # first check skipped, then one outcome, then stop; then the cause
    facts = ["edges", "at peel", "cold", "25", "", "9", "."]
    typed = "\n".join(["8, edge haze", *facts, "skip", "1", "stop", "1", "passed", "loose tape"]) + "\n"
    found = empty_shop.good("diagnose", typed=typed)
    assert "string peel" in found.out
    assert "What came out" in found.out
    assert "room at 25 % humidity" in " ".join(found.out.replace("\u00a0", " ").split())
    assert "Seconds between oven and press" not in found.out.split("Months since the ink", 1)[1]
    assert "Kept as case" in found.out
    (case,) = empty_shop.good("diagnose", "--past", "--json").json["cases"]
    assert case["symptoms"] == ["string_peel", "edge_haze"]
    assert len(case["found"]) == 1
    assert case["cause"]
    assert (case["back"], case["note"]) == ("passed", "loose tape")
    assert case["known"] == {
        "humidity_pct": 25.0,
        "film_months": 9.0,
        "film_class": "cold",
        "when": "at peel",
        "where": "edges",
    }


def test_a_coupon_back_at_the_recipe_closes_a_case_with_all_that_was_known(shop_with):
    shop = shop_with(0)
    told = ["--symptom", "no transfer", "--humidity", "41", "--gap", "20", "--set", "press_temp=150"]
    kept = shop.good("diagnose", STUDY, *told, "--turned-out", "press_not_reached", "--note", "before the fuse")
    assert "open" in kept.out
    (case,) = shop.good("diagnose", "--past", "--json").json["cases"]
    assert "press_not_reached" in shop.good("diagnose", "--past", "--json").out
    closing = f"doe diagnose --close {case['id']} --coupon passed"
    assert closing in shop.good("diagnose", "--past").out
    closed = shop.good("diagnose", "--close", str(case["id"]), "--coupon", "pass", "--note", "fuse replaced")
    assert "closed" in closed.out
    (after,) = shop.good("diagnose", "--past", "--json").json["cases"]
    assert "--close" not in shop.good("diagnose", "--past").out
    assert after["known"]["humidity_pct"] == 41
    assert after["set"] == {"press_temp": 150}
    assert after["lots"]["powder"]
    assert (after["back"], after["note"]) == ("passed", "before the fuse; fuse replaced")
    told_again = " ".join(shop.good("diagnose", "--past", "--more").out.split())
    assert "room at 41 % humidity" in told_again
    assert "press temperature 150 °C" in told_again.replace("\u00a0", " ")
    assert "closed already" in shop.run("diagnose", "--close", str(after["id"]), "--coupon", "pass").err


def test_a_case_whose_coupon_fails_teaches_nothing(empty_shop):
    for word in ("failed", "passed"):
        empty_shop.good("diagnose", "--symptom", "stiff_hand", "--turned-out", "powder_coarse", "--coupon", word)
    assert empty_shop.good("diagnose", "--symptom", "stiff_hand", "--json").json["shop_cases"] == 1
    refused = empty_shop.run("diagnose", "--symptom", "stiff_hand", "--coupon", "passed")
    assert (refused.code, len(refused.errors)) == (2, 1)
    assert "--turned-out" in refused.err
    assert "passed" in empty_shop.run("diagnose", "--close", "1").err


def test_a_word_is_explained_in_a_paragraph(empty_shop):
    found = empty_shop.good("explain", "setting", "error")
    assert "The display is not the cloth." in found.out.replace("\n", " ")
    assert empty_shop.good("explain", "lower-bound", "--json").json["word"] == "lower bound"
    assert "setpoint" in empty_shop.good("explain").out
    assert "setpoint" in empty_shop.run("explain", "setpiont").err


def test_symptoms_and_causes_are_listed_without_a_book(empty_shop):
    from reports.drawing.symptoms import symptom_svg

    listed = empty_shop.good("diagnose", "--list", "--json").json
    assert all(symptom_svg(s["drawing"]) for s in listed["symptoms"])
    assert {"platen_stick", "ghost"} <= {s["key"] for s in listed["symptoms"]}
    assert {"peel_late", "washed_hard"} <= {f["key"] for f in listed["causes"]}
    assert "peel_late" in empty_shop.good("diagnose", "--list", "--more").out
    assert not empty_shop.has_book()


def test_everyday_words_are_understood_and_unclear_ones_are_asked_about(empty_shop):
    assert empty_shop.good("diagnose", "--symptom", "bubbles", "--json").json["symptoms"] == ["blisters"]
    refused = empty_shop.run("diagnose", "--symptom", "peeling")
    assert (refused.code, len(refused.errors)) == (2, 1)
    assert "edge lift before wash" in refused.err


def test_words_for_what_is_seen_in_the_place_of_a_study_are_pointed_to_their_option(shop_with):
    shop = shop_with(0)
    refused = shop.run("diagnose", "shiny square around the print")
    assert (refused.code, len(refused.errors)) == (2, 1)
    assert 'doe diagnose --symptom "shiny square around the print"' in refused.err
    assert (
        "press_mark" in shop.good("diagnose", "--symptom", "shiny square around the print", "--json").json["symptoms"]
    )
    assert "--symptom" not in shop.run("diagnose", "another study").err


def test_too_hot_comes_first_and_names_the_machine(empty_shop):
    hot = empty_shop.good("diagnose", "--symptom", "grainy back", "--set", "cure_temp=410F").out
    assert hot.startswith("! Stop the oven")
    bare = empty_shop.good("diagnose", "--symptom", "yellowing", "--set", "press_temp=210").out
    assert bare.startswith("! Stop the press")  # however it may have been meant: a plan asks, a hot machine is stopped
    cold = empty_shop.good("diagnose", "--symptom", "grainy back", "--set", "cure_temp=90", "--json").json
    assert cold["causes"][0]["cause"] == "cure_set_low"


def test_finish_and_stirring_are_said_in_everyday_words(empty_shop):
    plain = ("diagnose", "--symptom", "edge lift after wash", "--json")
    words = empty_shop.good(*plain, "--finish", "water repellent", "--white-stirred", "every week").json
    names = empty_shop.good(*plain, "--finish", "repellent", "--white-stirred", "weekly").json
    assert words == names
    refused = empty_shop.run("diagnose", "--symptom", "film lock", "--white-stirred", "by hand")
    assert refused.code == 2
    assert "found 'by hand'; allowed: daily, weekly, seldom" in " ".join(refused.err.split())
