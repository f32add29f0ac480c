"""`doe confirm` from the claims to the verdict: seen by a person, by a program, and by somebody who errs."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest

from doe.acts.confirmation.plan import ClaimWishes, plan_confirmation
from doe.acts.confirmation.verdict import confirmation_of
from doe.acts.study.fits import recommend_study
from doe.assure.binomial import pass_rate_low
from doe.assure.confirmation.claims import claim_plan
from doe.book.book import Book
from doe.domain.score import ScoreEntry
from tests.shared import untapped

STUDY = "new powder on the heavy tee"
GOOD = {"release": True, "stretch": True, "wash_1": True, "wash_5": True}
ROUND = 3
UNITS = claim_plan(0.9, 0.9).units


@pytest.fixture(scope="session")
def _confirm_books(_ready_books, tmp_path_factory, places):
    """A book whose answer is kept, and the same with a confirmation planned: 90 % with 90 %, no failure."""
    folder = tmp_path_factory.mktemp("confirm")
    answered = places.copy(_ready_books[2], folder / "answered.sqlite")
    with Book.open(answered, who="ana") as book:
        assert recommend_study(book, STUDY).answer.verdict == "ready"
        answered = _at_rest(book, folder / "answered-whole.sqlite")
    planned = places.copy(answered, folder / "planned.sqlite")
    with Book.open(planned, who="ana") as book:
        plan_confirmation(book, STUDY, ClaimWishes((0.9,)))
        planned = _at_rest(book, folder / "planned-whole.sqlite")
    return {"answered": answered, "planned": planned}


def _at_rest(book, path):
    """Where the book can be copied from: one file, without what is still in its log, or the database itself."""
    return book.label if "://" in book.label else book.backup(path)


@dataclass
class Bench:
    """A shop with a confirmation, and a way to score its coupons."""

    shop: object

    @property
    def coupons(self):
        with self.shop.open() as book:
            return book.plan_coupons(STUDY)

    def names(self, role="setpoint", *, number=ROUND):
        frame = self.coupons
        return list(frame[(frame["round"] == number) & (frame["role"] == role)]["coupon"])

    def score(self, names, checks=GOOD, *, hand=4.0, why=""):
        with self.shop.open() as book:
            book.record(STUDY, [ScoreEntry(n, checks=checks, hand={"ana": hand, "ben": hand}) for n in names], why=why)

    def void(self, name, reason="film torn at the press"):
        with self.shop.open() as book:
            book.record(STUDY, [ScoreEntry(name, void_reason=reason)])

    def everything_good(self, *, number=ROUND):
        for role in ("setpoint", "corner 1", "corner 2"):
            self.score(self.names(role, number=number))

    def verdict(self):
        return self.shop.good("confirm", STUDY, "--json").json

    def text(self, *words):
        return " ".join(self.shop.good("confirm", STUDY, "--more", *words).out.split())


@pytest.fixture
def bench(shop_with, _confirm_books, places):
    def make(which="planned"):
        shop = shop_with(0)
        return Bench(replace(shop, book=places.copy(_confirm_books[which], shop.folder / "shop.sqlite")))

    return make


# before a plan


def test_claims_stand_side_by_side_before_a_coupon_is_made(bench):
    here = bench("answered")
    found = here.shop.good("confirm", STUDY, "--json").json
    assert found["planned"] is False
    rows = {(r["claim"]["pass_rate"], r["claim"]["assurance"], r["claim"]["failures"]): r for r in found["claims"]}
    assert {(0.8, 0.9, 0), (0.9, 0.9, 1), (0.95, 0.9, 2), (0.95, 0.95, 0)} <= set(rows)
    # success run and Wilks' sizes, closed form: 0.95 ** 45 <= 0.10 < 0.95 ** 44
    assert rows[0.95, 0.9, 0]["claim"]["units"] == 45
    assert rows[0.95, 0.9, 1]["claim"]["units"] == 77
    own = rows[0.95, 0.9, 0]
    assert own["at_rates"] == pytest.approx([0.97**45, 0.99**45])
    assert own["needs"] == pytest.approx(0.9 ** (1 / 45))
    assert own["coupons"] == 45
    assert own["corner_coupons"] == 8
    assert 0 < own["by_study"] < rows[0.95, 0.9, 1]["by_study"] < 1
    assert own["garments"] >= 53 / 4
    assert own["hours"] > rows[0.8, 0.9, 0]["hours"] > 0
    assert [p["role"] for p in found["points"]] == ["setpoint", "corner 1", "corner 2"]
    with here.shop.open() as book:
        assert len(book.plan_info(STUDY).rounds) == 2
        answer = book.latest_analysis(STUDY, "recommend").payload
    assert found["points"][0]["pass_rate"] == pytest.approx(answer["checks_pass_rate"])
    text = here.text("--claim", "0.9", "--claim", "95%", "--allow", "0")
    assert "90 % 90 % 0 22 + 8" in text
    assert "95 % 90 % 0 45 + 8" in text
    assert "80 % 90 %" not in text
    assert all(len(line) <= 80 for line in here.shop.good("confirm", STUDY).out.splitlines())
    assert found["next"] == [f'doe confirm "{STUDY}" --plan --claim 0.95 --assurance 0.9 --allow 0']


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--claim", "0"], "--claim: found 0"),
        (["--claim", "nan"], "--claim"),
        (["--assurance", "1.5"], "--assurance: found '1.5'"),
        (["--claim", "0.9999"], "at most 500"),
        (["--units", "shirt"], "--units: found 'shirt'; allowed: coupon or stroke"),
        (["--units", "stroke"], "this line presses one coupon a stroke"),
        (["--plan", "--claim", "0.9", "--claim", "0.8"], "--claim: found 2 values; allowed: one, with --plan"),
        (["--plan", "--replace"], "several things at once"),
        (["--replace"], "none planned"),
        (["-o", "c.html"], "none planned"),
        (["--give-up", "why"], "no new plan"),
        (["--plan", "--give-up", "why"], "no confirmation is under way"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line_and_nothing_is_stored(bench, words, said):
    here = bench("answered")
    found = here.shop.run("confirm", STUDY, *words)
    assert found.code == 2
    assert len(found.errors) == 1
    assert said in found.err
    with here.shop.open() as book:
        assert len(book.plan_info(STUDY).rounds) == 2
        assert not [a for a in book.analyses(STUDY) if a.kind.startswith("confirm")]


def test_there_must_be_an_answer_to_the_results_as_they_are(shop_with, bench):
    fresh = shop_with(2)
    assert f'doe recommend "{STUDY}"' in fresh.run("confirm", STUDY).err
    here = bench("answered")
    assert here.shop.good("recommend", STUDY, "--json").json["next"][0] == f'doe confirm "{STUDY}"'
    with here.shop.open() as book:
        book.record(STUDY, [ScoreEntry("R1-01", checks={"release": False})], why="mixed up")
    found = here.shop.run("confirm", STUDY, "--plan")
    assert found.code == 2
    assert "the results or the study changed since" in found.err


def test_an_answer_that_is_out_of_reach_is_not_confirmed_and_an_unready_one_is_warned_about(bench):
    here = bench("answered")
    with here.shop.open() as book:
        kept = book.latest_analysis(STUDY, "recommend")
        for verdict in ("more coupons", "not reachable"):
            book.save_analysis(
                STUDY,
                kind="recommend",
                inputs_hash=kept.inputs_hash,
                seed=kept.seed,
                version=kept.version,
                payload={**kept.payload, "verdict": verdict},
            )
            found = here.shop.run("confirm", STUDY)
            if verdict == "more coupons":
                assert found.code == 0
                assert "! The answer is not ready" in found.out
    assert found.code == 2
    assert "not reachable" in found.err


def test_without_a_window_only_the_setpoint_is_confirmed(bench):
    here = bench("answered")
    with here.shop.open() as book:
        kept = book.latest_analysis(STUDY, "recommend")
        book.save_analysis(
            STUDY,
            kind="recommend",
            inputs_hash=kept.inputs_hash,
            seed=kept.seed,
            version=kept.version,
            payload={**kept.payload, "window": None},
        )
    made = here.shop.good("confirm", STUDY, "--plan", "--claim", "0.8", "--json").json
    assert {c["role"] for c in made["coupons"]} == {"setpoint"}
    assert any("no window" in text for text in made["cautions"])
    here.score(here.names())
    found = here.verdict()
    assert (found["verdict"], found["window_held"]) == ("accepted", None)
    assert found["proof"]["passed"] == 11


# the plan


def test_the_rule_is_kept_with_its_coupons_in_runnable_order(bench):
    here = bench()
    with here.shop.open() as book:
        info = book.plan_info(STUDY).rounds[-1]
        kept = book.latest_analysis(STUDY, "confirmation plan")
        coupons = book.plan_coupons(STUDY)
    mine = coupons[coupons["round"] == ROUND]
    assert (info.kind, len(mine)) == ("confirm", UNITS + 8)
    assert mine["role"].value_counts().to_dict() == {"setpoint": UNITS, "corner 1": 4, "corner 2": 4}
    assert kept.payload["claim"] == {"pass_rate": 0.9, "assurance": 0.9, "failures": 0, "units": UNITS, "levels": 1}
    here_only = mine[mine["role"] == "setpoint"]
    assert here_only["stroke"].is_unique
    assert min(here_only["press_batch"].nunique(), here_only["cure_batch"].nunique()) >= 6
    assert not set(mine["press_batch"]) & set(coupons[coupons["round"] < ROUND]["press_batch"])
    for name, value in kept.payload["setpoint"].items():
        assert set(here_only[name]) == {value}


def test_strokes_are_counted_where_several_coupons_share_one(bench):
    from dataclasses import replace

    here = bench("answered")
    with here.shop.open() as book:
        record = book.study(STUDY)
        book.save_line(replace(record.line, coupons_per_stroke=3), why="a larger platen")
        book.amend_study(STUDY, record.study, "a larger platen", line=record.line.name)
    text = here.text("--units", "strokes", "--claim", "0.8", "--allow", "0")
    assert "11 x 3 + 8" in text
    assert "3 coupons a stroke, which passes only when all of them do" in text
    coupons = here.shop.good("confirm", STUDY, "--claim", "0.8", "--allow", "0", "--json").json["claims"][0]
    strokes = here.shop.good("confirm", STUDY, "--claim", "0.8", "--allow", "0", "--units", "stroke", "--json").json
    assert strokes["claims"][0]["by_study"] < coupons["by_study"]  # the worst case of coupons that share a stroke
    made = here.shop.good("confirm", STUDY, "--plan", "--claim", "0.8", "--units", "stroke", "--json").json
    assert len(made["coupons"]) == 11 * 3 + 8
    here.everything_good()
    found = here.verdict()
    assert (found["verdict"], found["proof"]["unit"], found["proof"]["passed"]) == ("accepted", "stroke", 11)
    assert any("count together as one" in text for text in found["together"]["warnings"])
    here.score(here.names()[:1], {"wash_1": False}, why="seen too late")
    assert here.verdict()["verdict"] == "not accepted"


def test_no_corner_is_tested_when_none_is_asked_for(bench):
    here = bench("answered")
    made = here.shop.good("confirm", STUDY, "--plan", "--claim", "0.8", "--corners", "0", "--json").json
    assert len(made["coupons"]) == 11
    assert "No corner of the window is tested" in " ".join(made["cautions"])
    assert made["notes"][0].startswith("This is confirmation 1: 11 coupons at the setpoint. Nothing is adjusted midway")


def test_the_sheet_says_that_it_is_a_confirmation(bench):
    here = bench()
    here.shop.good("sheet", STUDY, "-o", "s", "--person", "ana")
    page = untapped(next((here.shop.folder / "s").glob("*round-3-sheet.html")).read_text(encoding="utf-8"))
    head, rules, rest = page.partition("Fixed before the first coupon")
    assert "Bench sheet of a confirmation" in head
    assert "This is confirmation 1" in rules + rest.partition("Stack and line")[0]
    assert "Nothing is adjusted midway" in page
    assert "Void is only what was lost or spoiled by hand" in page
    assert "burn at a touch" in page
    assert "°F" in page


def test_one_confirmation_at_a_time_and_giving_up_stays_on_record(bench):
    here = bench()
    found = here.shop.run("confirm", STUDY, "--plan", "--claim", "0.8")
    assert found.code == 2
    assert "still open" in found.err
    assert "--give-up" in found.err
    made = here.shop.good("confirm", STUDY, "--plan", "--claim", "0.8", "--give-up", "film used up", "--json").json
    assert made["plan"]["attempt"] == 2
    assert any("confirmation 1 was given up" in text for text in made["cautions"])
    found = here.verdict()
    assert [a["verdict"] for a in found["attempts"]] == ["given up", "open"]
    assert found["attempts"][0]["plan"]["given_up"] == "film used up"
    assert "This is attempt 2." in here.text()


# the verdict


def test_the_verdict_stops_as_soon_as_it_is_certain(bench):
    here = bench()
    assert here.verdict()["verdict"] == "open"
    first, second, *rest = here.names()
    here.score([first])
    text = here.text()
    assert "So far 1 coupon at the setpoint passed every check, washes included, and 0 failed." in text
    assert f"{UNITS - 1} more passes and the setpoint is accepted; the next failure and it is not." in text
    here.score([second], {"release": False})
    found = here.verdict()
    assert found["verdict"] == "not accepted"
    assert found["attempts"][0]["judged"]["to_make"] == 0
    assert found["proof"] is found["setpoint_proof"] is None
    assert found["next"][0] == f'doe extend "{STUDY}" --coupons 8'
    text = here.text()
    assert text.startswith("Not confirmed.")
    assert "1 of 2 coupons at the setpoint failed; no failure was allowed." in text
    # one-sided limits of 1 in 2 at 90 %: 1 - sqrt(0.9) = 0.0513 and sqrt(0.9) = 0.9487, rounded outwards
    assert "at least 5 and at most 95 of 100 prints pass there" in text
    assert rest


def test_washes_that_are_to_come_keep_the_verdict_open_and_visibly(bench):
    here = bench()
    for role in ("setpoint", "corner 1", "corner 2"):
        here.score(here.names(role), {"release": True, "stretch": True})
    found = here.verdict()
    assert found["verdict"] == "open"
    assert found["together"] is None
    assert found["next"][0] == f'doe record "{STUDY}" --washes'
    text = here.text()
    assert f"Setpoint: {UNITS} wait for: sound after 1 wash; {UNITS} wait for: sound after 5 washes." in text
    assert "30 coupons still wait for a check" in text
    assert here.shop.good("study", "show", STUDY, "--json").json["confirmations"] == ["open"]
    for role in ("setpoint", "corner 1", "corner 2"):
        here.score(here.names(role), {"wash_1": True, "wash_5": True})
    assert here.verdict()["verdict"] == "accepted"


def test_an_accepted_confirmation_says_how_sure_shows_all_three_figures_and_is_kept(bench):
    here = bench()
    here.everything_good()
    found = here.verdict()
    assert (found["verdict"], found["window_held"], found["doubts"]) == ("accepted", True, [])
    exact = pass_rate_low(UNITS, UNITS, 0.9)
    proof = found["proof"]
    assert proof["pass_rate_low"] == pytest.approx(exact)
    assert (proof["passed"], proof["failed"], proof["unit"], proof["attempts"]) == (UNITS, 0, "coupon", 1)
    together = found["together"]
    with here.shop.open() as book:
        answer = book.latest_analysis(STUDY, "recommend").payload
        assert book.latest_analysis(STUDY, "confirmation").verdict == "accepted"
        # nothing is counted twice: the study's own figures are those of the answer, to the last digit
        assert together["study_rate"] == pytest.approx(answer["pass_rate"], abs=1e-12)
        assert together["study_low"] == pytest.approx(answer["pass_rate_low"], abs=1e-12)
        assert confirmation_of(book, STUDY).proof.pass_rate_low == pytest.approx(exact)
    assert together["coupons"] == UNITS + 8
    assert together["rate"] > together["study_rate"]
    assert together["low"] > together["study_low"]
    text = here.text()
    assert text.startswith(
        f"Confirmed: 90 % of prints; wanted were 95 %. {UNITS} of {UNITS} coupons at the setpoint passed every check"
    )
    assert "With 90 % assurance, 90 % of prints or more pass every check." in text
    for label in ("study alone (90 %)", "confirmation alone, exact (90 %)", "both together (90 %)"):
        assert label in text
    assert "These are the figures kept on" in text
    again = here.verdict()
    assert again["kept_since"] is not None
    assert {**again, "kept_since": None} == {**found, "kept_since": None, "proof": {**proof}} | {
        "proof": again["proof"],
        "setpoint_proof": again["setpoint_proof"],
    }
    (listed,) = here.shop.good("study", "list", "--json").json["studies"]
    assert listed["verdict"] == "confirmation accepted"
    assert listed["coupons"] == 32


def test_a_corner_that_does_not_hold_makes_the_window_smaller_and_leaves_the_setpoint(bench):
    here = bench()
    here.everything_good()
    here.score(here.names("corner 1")[:3], {"release": False}, why="film stuck, seen too late")
    found = here.verdict()
    assert (found["verdict"], found["window_held"], found["proof"]) == ("not accepted", False, None)
    assert found["setpoint_proof"]["passed"] == UNITS
    text = here.text()
    assert text.startswith("Setpoint confirmed, window not.")
    assert "3 of 4 failed, more than chance allows. The window is smaller than it was drawn" in text
    assert any(line.endswith(" --as RECIPE --approved-by WHO") for line in found["next"])


def test_a_corner_in_doubt_is_settled_by_as_many_again(bench):
    here = bench()
    here.everything_good()
    here.score(here.names("corner 1")[:1], {"release": False}, why="seen too late")
    found = here.verdict()
    assert (found["verdict"], found["proof"]) == ("open", None)
    assert found["setpoint_proof"] is not None  # a recipe may go without the window
    assert found["next"][0] == f'doe confirm "{STUDY}" --replace'
    made = here.shop.good("confirm", STUDY, "--replace", "--json").json
    assert (made["round"], made["units"], made["corners"], len(made["coupons"])) == (4, 0, {"corner 1": 4}, 4)
    assert here.shop.run("confirm", STUDY, "--replace").code == 2
    here.score(here.names("corner 1", number=4))
    assert here.verdict()["verdict"] == "accepted"


def test_void_coupons_are_made_again_and_a_voided_failure_is_told(bench):
    here = bench()
    assert "no coupon is void" in here.shop.run("confirm", STUDY, "--replace").err
    here.everything_good()
    first = here.names()[0]
    here.score([first], {"release": False}, why="looked at again")
    here.void(first)
    found = here.verdict()
    assert (found["verdict"], found["attempts"][0]["missing_units"]) == ("open", 1)
    text = here.text()
    assert "1 coupon at the setpoint is to be made again: void shows nothing." in text
    assert f"{first} had failed a check and is void (film torn at the press)" in text
    made = here.shop.good("confirm", STUDY, "--replace", "--json").json
    assert (made["units"], len(made["coupons"])) == (1, 1)
    sheet = here.shop.good("sheet", STUDY, "-o", "s", "--json").json
    page = next(f for f in sheet["files"] if f.endswith("-sheet.html"))
    assert "made again for confirmation 1" in (here.shop.folder / page).read_text(encoding="utf-8")
    here.score(here.names(number=4))
    assert here.verdict()["verdict"] == "accepted"


def test_a_second_confirmation_does_not_erase_the_first(bench):
    here = bench()
    here.score(here.names()[:2], {"release": False})
    assert here.verdict()["verdict"] == "not accepted"
    made = here.shop.good("confirm", STUDY, "--plan", "--claim", "0.9", "--json").json
    assert any("confirmation 1 was not accepted" in text for text in made["cautions"])
    here.everything_good(number=made["round"])
    found = here.verdict()
    assert [a["verdict"] for a in found["attempts"]] == ["not accepted", "accepted"]
    assert found["proof"]["attempts"] == 2
    assert found["over_attempts"] == pytest.approx((1 - 0.9**UNITS) ** 2)
    # both runs move the study, each coupon once
    assert found["together"]["coupons"] == UNITS + 8 + 2
    text = here.text()
    assert "This is attempt 2." in text
    assert "the assurance over all is 81.2 %, not 90 %" in text
    assert "0 passed, 2 failed" in text
    again = here.shop.run("confirm", STUDY, "--plan", "--claim", "0.9")
    assert again.code == 2
    assert "nothing more is needed" in again.err


def test_results_that_change_afterwards_put_the_confirmation_in_doubt(bench):
    here = bench()
    here.everything_good()
    with here.shop.open() as book:
        book.record(STUDY, [ScoreEntry("R1-01", checks={"release": False})], why="mixed up")
    found = here.verdict()
    assert (found["verdict"], found["proof"], found["setpoint_proof"]) == ("accepted", None, None)
    assert "no answer to them is kept" in found["doubts"][0]
    assert found["next"] == [f'doe recommend "{STUDY}"']
    answer = here.shop.good("recommend", STUDY, "--json").json
    found = here.verdict()
    with here.shop.open() as book:
        planned = book.latest_analysis(STUDY, "confirmation plan").payload["setpoint"]
    assert bool(found["doubts"]) == (answer["setpoint"] != planned)


@pytest.mark.parametrize("what", ["window", "setpoint"])
def test_an_answer_drawn_anew_is_not_confirmed_by_coupons_for_the_old_one(bench, what):
    here = bench()
    here.everything_good()
    with here.shop.open() as book:
        kept = book.latest_analysis(STUDY, "recommend")
        payload = {**kept.payload}
        if what == "window":
            bounds = [dict(row) for row in payload["window"]["bounds"]]
            bounds[0]["high"] += 1
            payload["window"] = {**payload["window"], "bounds": bounds}
        else:
            payload["setpoint"] = {**payload["setpoint"], "dwell": payload["setpoint"]["dwell"] + 1}
        book.save_analysis(
            STUDY,
            kind="recommend",
            inputs_hash=kept.inputs_hash,
            seed=kept.seed + 1,
            version=kept.version,
            payload=payload,
        )
        found = confirmation_of(book, STUDY)
    assert (found.proof, found.window_held) == (None, False)
    if what == "window":
        assert found.setpoint_proof is not None  # the setpoint itself was tested
        assert "window_moved" in [fact.code for fact in found.remarks]
    else:
        assert found.setpoint_proof is None
        assert [(fact.code, fact.values["factors"]) for fact in found.doubts] == [("answer_moved", ("dwell",))]
        assert "another setpoint (press dwell)" in here.text()


def test_what_an_older_version_kept_in_sentences_is_still_read(bench):
    here = bench()
    here.everything_good()
    now = here.verdict()
    assert now["facts"]["warnings"] == []
    with here.shop.open() as book:
        kept = book.latest_analysis(STUDY, "confirmation")
        together = {**kept.payload["together"], "warnings": ["Trust the exact limits."]}
        book.save_analysis(
            STUDY,
            kind="confirmation",
            inputs_hash=kept.inputs_hash,
            seed=kept.seed,
            version="0.1.0",
            payload={**kept.payload, "together": together, "withheld": ""},
        )
    old = here.verdict()
    assert old["together"] == {**now["together"], "warnings": ["Trust the exact limits."]}
    assert old["withheld"] == ""
    assert "Trust the exact limits." in here.text()


def test_a_corrected_score_changes_the_verdict_and_both_are_kept(bench):
    here = bench()
    here.everything_good()
    assert here.verdict()["verdict"] == "accepted"
    here.score(here.names()[:1], {"wash_5": False}, why="edge lifted")
    assert here.verdict()["verdict"] == "not accepted"
    with here.shop.open() as book:
        assert [a.verdict for a in book.analyses(STUDY) if a.kind == "confirmation"] == ["accepted", "not accepted"]
    note = here.shop.good("record", STUDY, "--coupon", here.names()[0], "--note", "left edge", "--json").json
    assert note["next"] == [f'doe confirm "{STUDY}"']
    again = here.shop.run("record", STUDY, "--coupon", here.names()[0], "--pass", "wash_5")
    assert again.code == 2  # a correction needs a reason
    assert "why" in again.err.lower()


# paper


def test_the_page_and_the_report_tell_the_same(bench):
    here = bench()
    here.everything_good()
    here.shop.good("confirm", STUDY, "-o", "confirmation.html")
    here.shop.good("report", STUDY, "-o", "report.html")
    page = untapped((here.shop.folder / "confirmation.html").read_text(encoding="utf-8"))
    report = untapped((here.shop.folder / "report.html").read_text(encoding="utf-8"))
    for text in (page, report):
        assert f"{UNITS} of {UNITS} coupons at the setpoint passed every check, washes included" in text
        assert "confirmation alone, exact (90\N{NO-BREAK SPACE}%)" in text or "confirmation alone, exact (90 %)" in text
        assert "burn at a touch" in text
    assert '<h2 id="confirmation">Confirmation: accepted</h2>' in report
    assert here.shop.run("confirm", STUDY, "-o", str(here.shop.folder)).code == 2
