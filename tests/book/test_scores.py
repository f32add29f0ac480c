"""Scores go in, come back, are corrected and never lost."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.book.book import Book
from doe.book.records import HistoryEntry
from doe.domain.errors import InputError, InputErrors
from doe.domain.outcome import GRADES, grade_fits
from doe.domain.results import read_results
from doe.domain.score import ScoreEntry
from tests.book.samples import fill, make_plan, make_study, ticking

S = "first article"
CHECKS = ("release", "stretch", "wash_1", "wash_5")
half_steps = st.integers(2, 10).map(lambda n: n / 2)
words = st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=20)
people = words.filter(lambda t: t[0] not in "=+-@")


@st.composite
def score_entries(draw: st.DrawFn, coupon: str) -> ScoreEntry:
    checks = draw(st.dictionaries(st.sampled_from(CHECKS), st.booleans()))
    passed = all(checks.values()) if checks else None
    return ScoreEntry(
        coupon,
        checks=checks,
        symptoms=draw(st.lists(st.sampled_from(("dull", "lifted edge", "ink boiled")), unique=True).map(tuple)),
        side=draw(st.sampled_from(("", "under", "over", "other", "unknown"))),
        grade=draw(st.sampled_from(GRADES).filter(lambda grade: grade_fits(grade, passed))),
        hand=draw(st.dictionaries(people, half_steps, max_size=2)),
        actual=draw(st.dictionaries(st.sampled_from(("cure_temp", "dwell")), st.floats(1, 190), max_size=2)),
        note=draw(st.one_of(st.just(""), words)),
        void_reason=draw(st.one_of(st.none(), st.just(""), words)),
        scored_at=draw(st.one_of(st.none(), st.datetimes(datetime(2000, 1, 1)).map(lambda t: t.replace(tzinfo=UTC)))),
    )


calls = st.lists(
    st.lists(st.integers(1, 4), unique=True, min_size=1).flatmap(
        lambda numbers: st.tuples(*(score_entries(f"R1-0{n}") for n in numbers))
    ),
    min_size=1,
    max_size=3,
)


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Book]:
    with Book.open(tmp_path_factory.mktemp("book") / "many.sqlite", who="Ina", now=ticking()) as opened:
        yield opened


def last_said(entries: list[ScoreEntry], coupon: str) -> dict[str, object]:
    """Slow twin of the fold: go through everything ever said, the last word counts."""
    said: dict[str, object] = {}
    for entry in entries:
        if entry.coupon == coupon:
            said |= dict(entry.fields())
    return said


@settings(max_examples=15, deadline=None)
@given(calls=calls)
def test_results_return_what_was_last_said(many: Book, calls: list[tuple[ScoreEntry, ...]]) -> None:
    study = fill(many, name=f"study {len(many.studies(include_archived=True))}")
    said: list[ScoreEntry] = []
    for call in calls:
        # a void coupon takes no scores: every call takes a void back, or voids a coupon that is not void
        is_void = {entry.coupon: bool(last_said(said, entry.coupon).get("void")) for entry in call}
        entries = [
            entry if entry.void_reason and not is_void[entry.coupon] else replace(entry, void_reason="")
            for entry in call
        ]
        many.record(study, entries, why="felt again")
        said += entries
    frame = many.results(study, include_void=True).set_index("coupon")
    assert list(frame.index) == ["R1-01", "R1-02", "R1-03", "R1-04"]
    for coupon, row in frame.iterrows():
        want = last_said(said, str(coupon))
        checks = [want.get(f"check:{name}") for name in CHECKS]
        assert [row[f"check_{name}"] for name in CHECKS] == checks
        scored = [check for check in checks if check is not None]
        assert row["passed"] is (all(scored) if scored else None)
        wrong = row["passed"] is False
        assert row["side"] == (want.get("side", "unknown") if wrong else "")
        kept = str(want.get("grade", ""))
        assert row["grade"] == (kept if scored and grade_fits(kept, row["passed"]) else "")
        assert row["symptom"] == "; ".join(want.get("symptoms", ()))
        assert row["note"] == want.get("note", "")
        assert row["void"] == want.get("void", "")
        for kind, prefix in (("hand:", "hand_"), ("actual:", "actual_")):
            given_ = {prefix + k[len(kind) :]: v for k, v in want.items() if k.startswith(kind)}
            shown = {c: v for c, v in row.items() if str(c).startswith(prefix) and not pd.isna(v)}
            assert shown == given_
    assert many.check() == []


@settings(max_examples=8, deadline=None)
@given(entry=score_entries("R1-01"))
def test_the_same_entry_again_adds_nothing(many: Book, entry: ScoreEntry) -> None:
    study = fill(many, name=f"study {len(many.studies(include_archived=True))}")
    first = many.record(study, [entry])
    acts = len(many.audit(None))
    history = many.history(study)
    assert first == len(history)
    assert many.record(study, [entry]) == 0
    assert many.history(study) == history
    assert len(many.audit(None)) == acts


def test_results_are_ready_for_fitting(book: Book) -> None:
    book.record(
        S,
        [
            ScoreEntry("R1-01", checks={"release": False}, side="under", actual={"cure_temp": 108.5}),
            ScoreEntry("R1-02", checks={"release": True, "wash_1": True}, hand={"ana": 4.5, "bo": 4}),
            ScoreEntry("R1-03", void_reason="lost in the wash"),
        ],
    )
    frame = book.results(S)
    assert list(frame["coupon"]) == ["R1-01", "R1-02", "R1-04"]
    ready = read_results(make_study(), frame)
    assert list(ready.passed) == [False, True]
    assert list(ready.side) == ["under", ""]
    assert ready.settings["cure_temp"].iloc[0] == 108.5
    assert ready.people == ("ana", "bo")
    assert ready.waiting == 1
    assert list(ready.batches["garment"]) == ["1", "1"]


def test_a_wash_that_comes_later_updates_the_coupon(book: Book) -> None:
    book.record(S, [ScoreEntry("R1-01", checks={"release": True, "stretch": True})])
    assert book.results(S)["passed"].iloc[0] is True
    book.record(S, [ScoreEntry("R1-01", checks={"wash_5": False})])
    row = book.results(S).iloc[0]
    assert row["passed"] is False
    assert row["side"] == "unknown"
    assert row["check_wash_1"] is None


def test_grades_come_back_and_enter_the_fit(book: Book) -> None:
    book.record(
        S,
        [
            ScoreEntry("R1-01", checks={"release": True}, grade="just"),
            ScoreEntry("R1-02", checks={"release": False}, grade="bad"),
            ScoreEntry("R1-03", checks={"release": True}),
            ScoreEntry("R1-04", grade="clean"),
        ],
    )
    frame = book.results(S)
    assert list(frame["grade"]) == ["just", "bad", "", ""]  # nothing was checked on the last one yet
    assert list(read_results(make_study(), frame).grade) == ["just", "bad", ""]
    assert book.grades_at_odds(S) == ()
    assert book.check() == []


def test_a_grade_that_a_wash_contradicts_counts_as_not_given_and_is_named(book: Book) -> None:
    book.record(S, [ScoreEntry("R1-01", checks={"release": True}, grade="clean")])
    book.record(S, [ScoreEntry("R1-01", checks={"wash_5": False}), ScoreEntry("R1-02", checks={"release": False})])
    frame = book.results(S)
    assert list(frame["grade"])[:2] == ["", ""]
    assert list(read_results(make_study(), frame).grade) == ["", ""]
    assert book.grades_at_odds(S) == ("R1-01",)
    book.record(S, [ScoreEntry("R1-01", void_reason="lost")])
    assert book.grades_at_odds(S) == ()


def test_a_check_that_fails_is_reason_enough_to_grade_anew(book: Book) -> None:
    book.record(S, [ScoreEntry("R1-01", checks={"release": True}, grade="clean")])
    with pytest.raises(InputError, match="grade: found just, but clean is stored"):
        book.record(S, [ScoreEntry("R1-01", grade="just")])
    with pytest.raises(InputError, match="grade: found slight, but clean is stored"):
        book.record(S, [ScoreEntry("R1-01", grade="slight")])
    book.record(S, [ScoreEntry("R1-01", checks={"wash_5": False}, grade="slight")])
    assert book.results(S)["grade"].iloc[0] == "slight"
    assert [h.value for h in book.history(S, "R1-01") if h.field == "grade"] == ["clean", "slight"]
    with pytest.raises(InputError, match="grade: found bad, but slight is stored"):
        book.record(S, [ScoreEntry("R1-01", checks={"wash_1": False}, grade="bad")])


def test_a_grade_at_odds_with_its_own_entry_is_refused(book: Book) -> None:
    with pytest.raises(InputError, match="coupon R1-01, grade: found clean on a coupon that failed"):
        book.record(S, [ScoreEntry("R1-01", checks={"release": False}, grade="clean")])
    assert book.history(S) == ()


def test_a_correction_keeps_the_history(book: Book) -> None:
    book.record(S, [ScoreEntry("R1-01", hand={"ana": 2.0})])
    book.record(S, [ScoreEntry("R1-01", hand={"ana": 3.0})], why="wrong coupon felt")
    old, new = book.history(S, "R1-01")
    assert (old.value, old.current, old.who, old.why) == (2.0, False, "Ina", "")
    assert (new.value, new.current, new.supersedes, new.why) == (3.0, True, old.id, "wrong coupon felt")
    assert new.at > old.at
    assert book.results(S)["hand_ana"].iloc[0] == 3.0


def test_a_correction_without_a_reason_is_refused_and_says_both_values(book: Book) -> None:
    book.record(S, [ScoreEntry("R1-01", checks={"release": True})])
    with pytest.raises(InputError, match=r"check release: found fail, but pass is stored; allowed: .*reason"):
        book.record(S, [ScoreEntry("R1-01", checks={"release": False}), ScoreEntry("R1-02", note="new")])
    assert len(book.history(S)) == 1


def test_the_same_value_from_another_person_is_kept_as_said_twice(book: Book, book_place: Path | str) -> None:
    book.record(S, [ScoreEntry("R1-01", checks={"release": True})])
    with Book.open(book_place, who="Bo") as other:
        assert other.record(S, [ScoreEntry("R1-01", checks={"release": True})]) == 1
    assert [entry.who for entry in book.history(S)] == ["Ina", "Bo"]


def test_a_field_can_be_cleared_and_given_anew(book: Book) -> None:
    book.record(S, [ScoreEntry("R1-01", hand={"ana": 2.0}, symptoms=("dull",), note="x")])
    clear = ScoreEntry("R1-01", cleared=("hand:ana", "symptoms", "note"))
    with pytest.raises(InputError, match="found nothing, but dull is stored"):
        book.record(S, [clear])
    assert book.record(S, [clear], why="entered for the wrong coupon") == 3
    row = book.results(S).iloc[0]
    assert np.isnan(row["hand_ana"])
    assert (row["symptom"], row["note"]) == ("", "")
    assert book.record(S, [clear]) == 0
    assert book.record(S, [ScoreEntry("R1-01", hand={"ana": 4.0})]) == 1
    assert book.results(S)["hand_ana"].iloc[0] == 4.0


def test_a_void_coupon_is_left_out_stays_visible_and_can_come_back(book: Book) -> None:
    book.record(S, [ScoreEntry("R1-01", checks={"release": True}, void_reason="film wrinkled")])
    assert "R1-01" not in set(book.results(S)["coupon"])
    assert book.results(S, include_void=True)["void"].iloc[0] == "film wrinkled"
    with pytest.raises(InputError, match=r"scores for a void coupon \(film wrinkled\)"):
        book.record(S, [ScoreEntry("R1-01", hand={"ana": 4.0})])
    assert book.record(S, [ScoreEntry("R1-01", note="kept in the folder")]) == 1
    with pytest.raises(InputError, match="reason for the correction"):
        book.record(S, [ScoreEntry("R1-01", void_reason="")])
    back = ScoreEntry("R1-01", void_reason="", hand={"ana": 4.0})
    book.record(S, [back], why="it was the other coupon")
    assert book.results(S)["hand_ana"].iloc[0] == 4.0
    assert [e.value for e in book.history(S, "R1-01") if e.field == "void"] == ["film wrinkled", ""]


def test_everything_wrong_is_listed_at_once_and_nothing_is_stored(book: Book) -> None:
    book.record(S, [ScoreEntry("R1-04", void_reason="lost")])
    before = book.history(S)
    bad = [
        ScoreEntry("R1-01", checks={"release": True}),
        ScoreEntry("R1-01", checks={"stretch": True}),
        ScoreEntry("R9-99", checks={"release": True}),
        ScoreEntry("R1-02", hand={"ana": 3.3}, checks={"shine": True}, side="left", actual={"pressure": 3}),
        ScoreEntry("R1-03", actual={"cure_temp": 320.0}, scored_at=datetime(2030, 1, 1)),
        ScoreEntry("R1-04", cleared=("void",)),
    ]
    with pytest.raises(InputErrors) as caught:
        book.record(S, bad)
    wheres = [problem.where for problem in caught.value.problems]
    assert wheres == [
        "coupon R1-01",
        "coupon R9-99",
        "coupon R1-02, check",
        "coupon R1-02, side",
        "coupon R1-02, hand_ana",
        "coupon R1-02, actual_pressure",
        "coupon R1-03, actual_cure_temp",
        "coupon R1-03, scored at",
        "coupon R1-04, cleared",
    ]
    assert "allowed: R1-01 to R1-04" in str(caught.value)
    assert book.history(S) == before


def test_an_archived_study_takes_no_scores(book: Book) -> None:
    book.archive_study(S, "done")
    with pytest.raises(InputError, match="Restore it first"):
        book.record(S, [ScoreEntry("R1-01", checks={"release": True})])


def test_history_of_an_unknown_coupon_is_an_error(book: Book) -> None:
    with pytest.raises(InputError, match="no such coupon in study first article"):
        book.history(S, "R7-07")


def test_history_returns_values_as_they_were_given(book: Book) -> None:
    when = datetime(2029, 12, 31, 23, 0, tzinfo=UTC)
    book.record(S, [ScoreEntry("R1-01", symptoms=("dull", "stiff"), checks={"release": False}, scored_at=when)])
    by_field: dict[str, HistoryEntry] = {entry.field: entry for entry in book.history(S)}
    assert by_field["symptoms"].value == ("dull", "stiff")
    assert by_field["check:release"].value is False
    assert by_field["symptoms"].scored_at == when


def test_coupons_brought_in_with_a_bad_score_leave_nothing_behind(book: Book) -> None:
    brought = make_plan(2, number=2)
    names = list(brought["coupon"])
    with pytest.raises(InputErrors):
        book.bring_in(S, brought, [ScoreEntry(names[0], checks={"shine": True})], kind="brought")
    assert len(book.plan_info(S).rounds) == 1
    fields = book.bring_in(S, brought, [ScoreEntry(names[0], checks={"release": True})], kind="brought")
    assert fields == 1
    assert [made.kind for made in book.plan_info(S).rounds][1] == "brought"
    assert book.check() == []


def field_of(book: Book, coupon: str, field: str) -> object:
    """What stands of one field."""
    return next((h.value for h in book.history(S, coupon) if h.field == field and h.current), None)


def test_recordings_are_taken_back_one_by_one_and_stay_in_the_history(book: Book) -> None:
    book.record(S, [ScoreEntry("R1-01", {"release": True}), ScoreEntry("R1-02", {"release": True})])
    book.record(S, [ScoreEntry("R1-01", {"release": False}, symptoms=("dull",))], why="looked again")
    (first, *_) = book.take_back(S, why="it was another coupon")
    assert (first.coupon, first.now) == ("R1-01", True) or first.field != "check:release"
    assert field_of(book, "R1-01", "check:release") is True
    assert not field_of(book, "R1-01", "symptoms")
    book.record(S, [ScoreEntry("R1-01", {"stretch": False})])
    book.take_back(S, why="not that one")
    assert field_of(book, "R1-01", "check:stretch") is None
    assert field_of(book, "R1-01", "check:release") is True
    taken = book.take_back(S, why="nor the first")
    assert {t.coupon for t in taken} == {"R1-01", "R1-02"}
    assert list(book.results(S)["passed"]) == [None] * len(book.results(S))
    with pytest.raises(InputError, match="nothing recorded"):
        book.take_back(S, why="once more")
    told = [h.value for h in book.history(S, "R1-01") if h.field == "check:release"]
    assert told == [True, False, True, None]
    assert book.record(S, [ScoreEntry("R1-01", {"release": False})]) == 1  # a first value again, and needs no why
    assert book.check() == []


def test_a_void_is_taken_back_alone_and_the_scores_before_it_count_again(book: Book) -> None:
    book.record(S, [ScoreEntry(c, {"release": True}) for c in ("R1-01", "R1-02")])
    book.record(S, [ScoreEntry("R1-01", void_reason="torn")])
    book.record(S, [ScoreEntry("R1-01", note="on the shelf")])
    book.record(S, [ScoreEntry("R1-02", {"stretch": True})])
    with pytest.raises(InputErrors, match="--coupon R1-01 --take-back"):
        book.record(S, [ScoreEntry("R1-01", {"stretch": True})])
    with pytest.raises(InputError, match="a reason"):
        book.take_back(S, coupon="R1-01", why=" ")
    with pytest.raises(InputErrors, match="no such coupon"):
        book.take_back(S, coupon="R9-01", why="x")
    (taken,) = book.take_back(S, coupon="R1-01", why="it was R1-03 that tore")
    assert (taken.field, taken.was) == ("void", "torn")
    row = book.results(S).set_index("coupon").loc["R1-01"]
    assert (row["passed"], row["note"]) == (True, "on the shelf")
    assert field_of(book, "R1-02", "check:stretch") is True


def test_fields_said_are_those_that_the_history_has_as_current_also_where_they_were_cleared(book: Book) -> None:
    book.record(S, [ScoreEntry("R1-01", checks={"release": True}, hand={"ana": 4.0}), ScoreEntry("R1-02", note="late")])
    book.take_back(S, coupon="R1-01", why="felt the wrong one")
    book.record(S, [ScoreEntry("R1-03", actual={"cure_temp": 151.0}, void_reason="film wrinkled")])
    for names in ({"R1-01"}, {"R1-02"}, {"R1-03"}, {"R1-01", "R1-03"}, set()):
        told = {entry.field for entry in book.history(S) if entry.current and entry.coupon in names}
        assert book.fields_said(S, names) == told
    assert "hand:ana" in book.fields_said(S, ["R1-01"])
    assert {"actual:cure_temp", "void"} <= book.fields_said(S, ["R1-03"])
