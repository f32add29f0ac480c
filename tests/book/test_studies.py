"""Stacks, lines, gauge readings, studies and analyses: found again, corrected with a reason, never deleted."""

from __future__ import annotations

import math
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from doe.book.book import Book
from doe.domain.errors import InputError
from doe.domain.factors import Factor, usual_factor
from doe.domain.gauge import GaugeReading
from doe.domain.limits import Limits
from doe.domain.score import ScoreEntry
from doe.domain.space import Clause, Forbidden
from doe.domain.spec import Check, Spec
from doe.domain.stack import Line, Machine, Material, Stack
from doe.domain.study import Study
from tests.book.samples import STACK, fill, make_plan, make_study

S = "first article"


def test_stacks_and_lines_come_back_equal(book: Book) -> None:
    stack = Stack("Zwirn / blank ü", *(Material(n, "s", "l", "d") for n in "abc"), Material("ink"), dyed_polyester=True)
    line = Line("hall 2", Machine("tunnel", 1.5, 2.25, 3), gauge="strip", coupons_per_stroke=2)
    book.save_stack(stack)
    book.save_line(line)
    assert book.stack(stack.name) == stack
    assert book.line("hall 2") == line
    assert book.stacks() == (stack, STACK)
    assert book.lines() == (line, Line("line 1"))


def test_a_study_comes_back_equal(book: Book) -> None:
    factors = (
        usual_factor("cure_temp"),
        Factor("own_time", "s", 1, 7.3, setting_sd=0.1, scale="log", stage="cure", label="my time"),
        usual_factor("film_type"),
    )
    study = Study(
        "all of it",
        factors,
        Spec(0.9, None, 0.8, (Check("peel", "peels"), Check("wash", "washes", 3))),
        Limits(film_max_degc=170.5, sources={"film_max_degc": "sheet 3"}),
        (Forbidden((Clause("cure_temp", ">=", 135.0), Clause("film_type", "=", "hot")), "scorch"),),
        {"pressure": 3.5, "powder": "fine"},
    )
    study_id = book.add_study(study, stack="blank A", line="line 1")
    back = book.study(study_id)
    # NaN ends of a categorical factor are not equal to themselves
    assert [repr(f) for f in back.study.factors] == [repr(f) for f in factors]
    assert replace(back.study, factors=factors) == study
    assert math.isnan(back.study.factor("film_type").low)
    assert (back.stack, back.line, back.made_by, back.amended_at) == (STACK, Line("line 1"), "Ina", None)
    assert book.study("all of it").id == study_id
    assert book.study(str(study_id)).id == study_id


def test_the_same_stack_again_changes_nothing_another_needs_a_reason(book: Book) -> None:
    acts = len(book.audit(None))
    book.save_stack(STACK)
    book.save_line(Line("line 1"))
    assert len(book.audit(None)) == acts
    corrected = replace(STACK, film=Material("film", lot="F-2"))
    with pytest.raises(InputError, match=r"stack blank A: found other details than are kept: film; .*Say why"):
        book.save_stack(corrected)
    assert book.stack("blank A") == STACK
    book.save_stack(corrected, why="lot misread")
    assert book.stack("blank A") == corrected
    assert book.audit(1)[0].why == "lot misread"


def test_broken_text_of_a_terminal_is_refused_in_one_line(book: Book) -> None:
    with pytest.raises(InputError, match=r"with the sign U\+DCE4"):
        book.save_stack(replace(STACK, name="blank \udce4"))
    assert len(book.stacks()) == 1


def test_a_study_keeps_the_stack_it_was_made_on(book: Book) -> None:
    corrected = replace(STACK, film=Material("film", lot="F-2"))
    book.save_stack(corrected, why="lot misread")
    assert book.study(S).stack == STACK
    book.amend_study(S, make_study(), "it was lot F-2 all along", stack="blank A")
    assert book.study(S).stack == corrected
    assert book.study(S).amended_at is not None


def test_unknown_names_list_the_close_ones(book: Book) -> None:
    fill(book, "second article")
    with pytest.raises(InputError, match=r"study: found 'frist article'; allowed: first article"):
        book.study("frist article")
    with pytest.raises(InputError, match="study: found 99; allowed: second article, first article"):
        book.study(99)
    for odd in (-1, 0, 10**30, "²", "9" * 30, ""):
        with pytest.raises(InputError, match="allowed: second article, first article"):
            book.study(odd)
    with pytest.raises(InputError, match="stack: found 'blanc'; allowed: blank A"):
        book.stack("blanc")
    with pytest.raises(InputError, match=r"line: found 'line 2'; allowed: line 1"):
        book.add_study(make_study("x"), stack="blank A", line="line 2")


def test_names_are_found_in_any_case_and_by_a_part_that_no_other_has(book: Book) -> None:
    first, second = fill(book, "Autumn Tee"), fill(book, "winter tee")
    assert book.study("autumn-tee").id == book.study("AUTUMN").id == first
    assert book.study(" win ").id == book.study(str(second)).id == second
    with pytest.raises(InputError, match=r"found 'tee'; allowed: winter tee, Autumn Tee\. Several fit"):
        book.study("tee")
    assert book.stack("BLANK").name == "blank A"
    book.add_gauge_reading("LINE 1", GaugeReading("press", 150, 150, 146))
    assert len(book.gauge_readings("line")) == len(book.gauge_readings("line 1")) == 1


def test_names_are_unique_among_the_studies_in_use(book: Book) -> None:
    with pytest.raises(InputError, match=r"study name: found 'first article'; .*archive study 1 first"):
        book.add_study(make_study(), stack="blank A", line="line 1")
    book.archive_study(S, "started again")
    second = book.add_study(make_study(), stack="blank A", line="line 1")
    assert book.study(S).id == second
    with pytest.raises(InputError, match="a name that no study in use has"):
        book.restore_study(1, "wanted after all")
    book.amend_study(second, make_study("renamed"), "to make room")
    book.restore_study(1, "wanted after all")
    assert {s.name for s in book.studies()} == {S, "renamed"}
    assert book.check() == []


def test_archiving_hides_and_keeps_everything(book: Book) -> None:
    book.record(S, [ScoreEntry("R1-01", checks={"release": True})])
    with pytest.raises(InputError, match="Say why"):
        book.archive_study(S, " ")
    book.archive_study(S, "wrong fabric")
    book.archive_study(S, "twice is once")
    assert book.studies() == ()
    (kept,) = book.studies(include_archived=True)
    assert kept.archived
    assert kept.scored == 1
    assert book.study(S).archived
    assert len(book.results(S)) == 4


def test_amending_keeps_what_was_scored(book: Book) -> None:
    book.record(S, [ScoreEntry("R1-01", checks={"wash_1": True})])
    other_factors = replace(make_study(), factors=(usual_factor("cure_temp"), usual_factor("press_temp")))
    with pytest.raises(InputError, match="Make a new study for other factors"):
        book.amend_study(S, other_factors, "changed our mind")
    fewer = replace(make_study(), spec=Spec(checks=(Check("release", "lets go"),)))
    with pytest.raises(InputError, match="found none called wash_1"):
        book.amend_study(S, fewer, "no washing")
    with pytest.raises(InputError, match="Say why"):
        book.amend_study(S, replace(make_study(), spec=Spec(pass_rate=0.9)), "")
    book.amend_study(S, replace(make_study(), spec=Spec(pass_rate=0.9)), "the customer agreed")
    assert book.study(S).study.spec.pass_rate == 0.9
    acts = len(book.audit(None))
    book.amend_study(S, replace(make_study(), spec=Spec(pass_rate=0.9)), "again")
    assert len(book.audit(None)) == acts


def test_the_list_counts_like_the_results_do(book: Book) -> None:
    second = fill(book, "second article", coupons=6)
    book.save_round(second, make_plan(2, number=2), kind="follow-up", seed=1)
    scores = [ScoreEntry(f"R1-0{i}", checks={"release": i % 2 == 0}) for i in range(1, 6)]
    book.record(second, scores)
    book.record(second, [ScoreEntry("R1-01", cleared=("check:release",))], why="not looked at yet")
    book.record(second, [ScoreEntry("R1-02", void_reason="lost"), ScoreEntry("R2-01", void_reason="burnt")])
    book.record(second, [ScoreEntry("R2-01", void_reason="")], why="it was another")
    book.save_analysis(second, kind="recommend", inputs_hash="h", seed=1, version="1", payload={"verdict": "ready"})
    book.save_analysis(second, kind="fit", inputs_hash="h", seed=1, version="1", payload={})
    newest, oldest = book.studies()
    frame = book.results(second, include_void=True)
    assert (newest.coupons, newest.rounds) == (len(frame), 2)
    assert newest.scored == (frame["passed"].notna() & (frame["void"] == "")).sum() == 3
    assert newest.void == (frame["void"] != "").sum() == 1
    assert newest.verdict == "ready"
    assert (newest.stack, newest.line, newest.made_by) == ("blank A", "line 1", "Ina")
    assert (oldest.name, oldest.coupons, oldest.scored, oldest.void, oldest.verdict) == (S, 4, 0, 0, "")


def test_gauge_readings_come_back_in_the_order_they_were_taken(book: Book) -> None:
    noon = datetime(2029, 5, 1, 12, tzinfo=UTC)
    late = GaugeReading("press", 150, 151, 143.5, "back left", "strip", noon, "cold corner", emissivity=0.95)
    early = GaugeReading("oven", 120, None, 112, taken_at=noon.replace(hour=8))
    first = book.add_gauge_reading("line 1", late)
    book.add_gauge_reading("line 1", early)
    assert book.add_gauge_reading("line 1", late) == first
    assert book.gauge_readings("line 1") == (early, late)
    book.withdraw_gauge_reading(first, "the strip had slipped")
    assert book.gauge_readings("line 1") == (early,)
    assert [(k.reading, k.withdrawn) for k in book.gauge_history("line 1")] == [
        (late, "the strip had slipped"),
        (early, ""),
    ]
    with pytest.raises(InputError, match="withdrawn already"):
        book.withdraw_gauge_reading(first, "twice")
    with pytest.raises(InputError, match="no such reading"):
        book.withdraw_gauge_reading(99, "never was")
    with pytest.raises(InputError, match="Say why"):
        book.withdraw_gauge_reading(first + 1, "")
    assert book.add_gauge_reading("line 1", late) > first
    assert book.check() == []


def test_a_reading_without_a_time_gets_that_of_storing(book: Book) -> None:
    book.add_gauge_reading("line 1", GaugeReading("press", 150, 150, 148))
    (kept,) = book.gauge_history("line 1")
    assert kept.reading.taken_at == kept.at


def test_analyses_come_back_and_the_same_one_is_kept_once(book: Book) -> None:
    payload = {"verdict": "ready", "draws": np.array([0.5, np.nan]), "n": np.int64(3), "setpoint": {"dwell": 12.5}}
    kept = {"kind": "recommend", "inputs_hash": "abc", "seed": 7, "version": "0.1"}
    first = book.save_analysis(S, **kept, payload=payload)
    assert book.save_analysis(S, **kept, payload=payload) == first
    second = book.save_analysis(S, **{**kept, "seed": 8}, payload=payload)
    record = book.latest_analysis(S, "recommend")
    assert record is not None
    assert (record.id, record.seed, record.verdict, record.made_by) == (second, 8, "ready", "Ina")
    assert record.payload == {"verdict": "ready", "draws": [0.5, None], "n": 3, "setpoint": {"dwell": 12.5}}
    assert [a.id for a in book.analyses(S)] == [first, second]
    assert book.latest_analysis(S, "release") is None
    with pytest.raises(InputError, match="a number too large to keep"):
        book.save_analysis(S, **{**kept, "seed": 2**80}, payload={})
    with pytest.raises(InputError, match="inputs hash"):
        book.save_analysis(S, **{**kept, "inputs_hash": ""}, payload={})


def test_the_audit_trail_says_who_did_what_when(book: Book) -> None:
    book.record(S, [ScoreEntry("R1-01", checks={"release": True})])
    book.archive_study(S, "done")
    acts = book.audit(None)
    assert [(a.verb, a.who) for a in acts] == [
        ("archive study", "Ina"),
        ("record", "Ina"),
        ("add round", "Ina"),
        ("add study", "Ina"),
        ("add line", "Ina"),
        ("add stack", "Ina"),
    ]
    assert acts[0].why == "done"
    assert acts[1].subject == "first article: R1-01"
    assert acts[1].study_id == 1
    assert sorted(acts, key=lambda a: a.at, reverse=True) == list(acts)
    assert book.audit(2) == acts[:2]


def test_a_study_of_an_older_book_is_renamed_limited_and_its_scores_taken_back(tmp_path: Path) -> None:
    path = tmp_path / "older.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(Path(__file__).with_name("book_of_schema_0005.sql").read_text(encoding="utf-8"))
    with Book.open(path, who="Ina") as book:
        record = book.study("first article")
        assert (record.names, record.study.beyond_limits) == (("first article",), None)
        assert {limit.limit: limit.value for limit in book.limits_on_record() if limit.study_id == record.id} == {
            name: value
            for name, value in vars(record.study.limits or Limits()).items()
            if name != "sources" and value is not None
        }
        limits = Limits(film_max_degc=120.0)
        book.amend_study(record.id, replace(record.study, name="renamed").with_limits(limits), "a new sheet")
        after = book.study("renamed")
        assert (after.first_name, after.study.beyond_limits) == ("first article", ("cure_temp",))
        assert after.as_made.name == record.as_made.name
        (change,) = book.study_changes("renamed")[-1:]
        assert (change.before.name, change.after.name, change.why) == ("first article", "renamed", "a new sheet")
        (stated,) = [x for x in book.limits_on_record() if x.study_id == record.id and x.limit == "film_max_degc"]
        assert (stated.value, stated.study) == (120.0, "renamed")
        before = {(h.coupon, h.field) for h in book.history("renamed") if h.current and h.value is not None}
        taken = book.take_back("renamed", why="another coupon")
        assert taken
        assert {(t.coupon, t.field) for t in taken} <= before
        assert book.check() == []
