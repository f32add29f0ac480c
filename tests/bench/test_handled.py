"""Whether a coupon was powdered evenly and peeled at its wait: kept however it is said, corrected and taken back."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from doe.acts.scoring.handled import with_side
from doe.book.book import Book
from doe.domain.errors import InputErrors
from doe.domain.outcome import HANDLED_COLUMN
from doe.domain.score import ScoreEntry
from tests.bench.shop import STUDY
from tests.shop import STUDY as NAME
from tests.shop import Shop


def said(book: Book, coupon: str) -> dict[str, object]:
    """Current fields of a coupon."""
    return {h.field: h.value for h in book.history(STUDY, coupon) if h.current and h.value is not None}


@pytest.mark.parametrize(("answer", "side"), [("yes", "under"), ("no", "other"), ("", "under")])
def test_a_page_a_command_a_file_and_a_terminal_leave_the_same_row(desk, tmp_path, monkeypatch, answer, side):
    monkeypatch.chdir(tmp_path)
    shop = Shop(tmp_path, desk.place)
    expected = {"check:release": False, "symptoms": ("patchy_transfer",), "side": side}
    expected |= {"handled": answer} if answer else {}

    desk.device("ana").score("R1-01", **{"check:release": "fail", "symptom": "patchy_transfer", "handled": answer})
    options = ("--handled", answer) if answer else ()
    shop.good("record", NAME, "--coupon", "R1-02", "--fail", "release", "--symptom", "patchy transfer", *options)
    shop.good("sheet", NAME, "-o", "press.csv")
    with Path("press.csv").open(encoding="utf-8-sig", newline="") as file:
        heads, *rows = csv.reader(file)
    (row,) = (row for row in rows if row[0] == "R1-03")
    for head, word in (("release", "fail"), ("symptom", "patchy transfer"), (HANDLED_COLUMN, answer)):
        row[heads.index(head)] = word
    with Path("press.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([heads, *rows])
    shop.good("record", NAME, "--file", "press.csv")
    monkeypatch.setattr("doe.cli.desk.is_terminal", lambda stream: getattr(stream, "name", "") == "<stdin>")
    shop.good("record", NAME, "--person", "ana", typed=f"f\npatchy transfer\n{answer[:1]}\n\nq\n")

    with shop.open() as book:
        told = {h.coupon for h in book.history(STUDY)}
        assert len(told) == 4
        assert [said(book, coupon) for coupon in sorted(told)] == [expected] * 4
        frame = book.results(STUDY)
    assert (HANDLED_COLUMN in frame) == bool(answer)
    if answer:
        assert sorted(set(frame[HANDLED_COLUMN])) == ["", answer]


def test_an_answer_that_comes_later_settles_the_side_and_is_asked_about_where_it_changes_one(desk):
    device = desk.device("ana")
    device.score("R1-01", **{"check:release": "fail", "symptom": "film_lock"})
    device.score("R1-01", handled="yes")  # the side stays what it is: nothing is corrected
    assert said(desk.book, "R1-01") == {
        "check:release": False,
        "symptoms": ("film_lock",),
        "side": "over",
        "handled": "yes",
    }
    asked = device.score("R1-01", handled="no")
    assert asked.status_code == 409
    assert "powder even, peeled at its wait" in asked.text
    device.send(asked, "/score/1/R1-01", **{"on:handled": "mine", "why": "peeled much too late"})
    assert {n: said(desk.book, "R1-01")[n] for n in ("side", "handled")} == {"side": "other", "handled": "no"}
    shown = re.sub(r"\s+", " ", device.get("/c/1/R1-01").text)
    assert re.search(
        r'Powder even, peeled at its wait\?</legend> <p class="small"><b class="stored">[^<]*\bno\b', shown
    )

    # a first answer that turns the side is a correction of the side
    device.score("R1-02", **{"check:release": "fail", "symptom": "film_lock"})
    asked = device.score("R1-02", handled="no")
    assert asked.status_code == 409
    kept = device.send(asked, "/score/1/R1-02", **{"on:side": "stored", "why": "it was scorched, too"})
    assert kept.status_code == 200
    assert {n: said(desk.book, "R1-02")[n] for n in ("side", "handled")} == {"side": "over", "handled": "no"}


def test_what_is_taken_back_takes_the_side_with_it_and_stays_in_the_history(desk):
    device = desk.device("ana")
    for coupon in ("R1-01", "R1-02"):
        device.score(coupon, **{"check:release": "fail", "symptom": "film_lock", "handled": "no"})
    page = device.get("/undo/1/R1-01")
    assert "powder even, peeled at its wait: no" in page.text
    device.send(page, "/undo/1/R1-01", what="handled", reason="nobody looked")
    assert said(desk.book, "R1-01") == {"check:release": False, "symptoms": ("film_lock",), "side": "over"}
    assert "powder even, peeled at its wait taken back (nobody looked)" in device.get("/undo/1/R1-01").text
    device.send(device.get("/undo/1/R1-02"), "/undo/1/R1-02", what="symptoms", reason="wrong coupon")
    assert said(desk.book, "R1-02") == {"check:release": False}


def test_a_command_corrects_and_takes_back(desk, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    shop = Shop(tmp_path, desk.place)
    fail = ("record", NAME, "--coupon", "R1-01", "--fail", "release", "--symptom", "film lock")
    shop.good(*fail, "--handled", "yes")
    change = ("record", NAME, "--coupon", "R1-01", "--handled", "no")
    refused = shop.run(*change)
    assert refused.code == 2
    assert "handled: found no, but yes is stored" in refused.err
    shop.good(*change, "--why", "the timer was off")
    with shop.open() as book:
        assert (said(book, "R1-01")["side"], said(book, "R1-01")["handled"]) == ("other", "no")
    back = shop.good("record", NAME, "--coupon", "R1-01", "--take-back", "--why", "it was R1-02")
    assert "powder even, peeled at its wait: corrected from no to yes" in " ".join(back.out.split())
    with shop.open() as book:
        assert (said(book, "R1-01")["side"], said(book, "R1-01")["handled"]) == ("over", "yes")
    bad = shop.run("record", NAME, "--coupon", "R1-02", "--handled", "perhaps")
    assert bad.code == 2
    assert "--handled: found 'perhaps'; allowed: yes or no" in " ".join(bad.err.split())


def test_somebodys_own_word_for_the_side_counts_whole(desk, tmp_path):
    shop = Shop(tmp_path, desk.place)
    one = ("record", NAME, "--coupon", "R1-01", "--fail", "release", "--symptom", "film lock")
    shop.good(*one, "--side", "under", "--handled", "no")
    with shop.open() as book:
        assert said(book, "R1-01")["side"] == "under"
    stored = {"symptoms": ("film_lock",), "side": "under"}
    assert with_side(ScoreEntry("R1-01", handled="no"), stored).side == ""  # what somebody named stands
    assert with_side(ScoreEntry("R1-01", symptoms=("dull",)), {}).side == ""  # no symptom of the catalogue


def test_a_book_takes_no_other_answer(desk):
    with Book.open(desk.place, who="ana") as book, pytest.raises(InputErrors, match="handled well: found 'perhaps'"):
        book.record(STUDY, [ScoreEntry("R1-01", handled="perhaps")])
