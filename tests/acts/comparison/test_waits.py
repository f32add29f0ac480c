"""Two films that are peeled differently: each has its own wait, for whoever makes the prints, not beside a score."""

from __future__ import annotations

import csv
import re
from dataclasses import replace

import pytest

from doe.acts.comparison.plan import Wanted, begin_comparison, offer_comparison, offer_warnings
from doe.acts.comparison.verdict import comparison_plan
from doe.acts.demo.story import read_story
from doe.acts.scoring.making import making_of
from doe.acts.study.sheets import write_sheets
from doe.bench.study_page import _timers, dials_of
from doe.book.sheets.workbook import read_sheets
from doe.cli.scoring import read_file
from doe.domain.errors import InputErrors
from doe.domain.factors import usual_factor
from doe.domain.limits import Limits
from doe.domain.recipe import RecipeSetting
from doe.domain.stack import Material
from doe.domain.units import METRIC
from doe.words.typography import NO_BREAK
from tests.acts.comparison.samples import NAME, release
from tests.shared import untapped

COLD = Wanted(
    parts={"film": Material("cold roll", "Orr (invented)", "7", facts={"peel": "cold", "wait": 40.0})},
    limits=Limits(film_max_degc=175, min_dwell_s=5),
    name="cold film",
    staged=True,
)
IN_USE_S = 30.0
"""The invented recipe's wait."""


@pytest.fixture
def book(shop_with):
    with shop_with(2).open() as opened:
        release(opened)
        yield opened


def begun(book, wanted=COLD):
    return begin_comparison(book, NAME, wanted)


def sheet_of(book, tmp_path, number=0):
    files = write_sheets(book, COLD.name, tmp_path, people=["ana"], shown=METRIC, made_by="Kim").files
    return untapped(files[number].read_text(encoding="utf-8")).replace(NO_BREAK, " ")


def test_the_offer_says_both_waits_and_the_plan_keeps_them(book):
    offer = offer_comparison(book, NAME, COLD, with_sizes=False)
    assert any("NEW: 40 s; IN USE:" in text for text in offer_warnings(offer, METRIC))
    made = begun(book)
    assert comparison_plan(book, made.record.id)[1].waits == {"new": 40.0, "incumbent": IN_USE_S}


def test_the_sheet_says_each_wait_where_the_maker_reads_and_nowhere_beside_a_score(book, tmp_path):
    begun(book)
    page = sheet_of(book, tmp_path)
    assert f"NEW: 40 s; IN USE: {IN_USE_S:g} s" in page
    rows = re.findall(r"<li><b>R1-\d+</b><span>(?:<strong>)?([a-z ]+?)(?:</strong>)?, pair \d+; ([^<]+)</span>", page)
    assert {"new material": "peel after: 40 s", "material in use": f"peel after: {IN_USE_S:g} s"} == dict(rows)
    assert len(rows) == 12
    cells = re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", page, re.DOTALL)
    assert any("R1-01" in cell for cell in cells)
    assert not any(re.search(r"\b(40|30)[\s\xa0]s\b|peel after", cell) for cell in cells)
    assert "<dt>wait before peel</dt>" not in page


def test_the_page_at_the_press_counts_each_coupon_and_the_page_of_a_coupon_counts_none(book):
    making = making_of(book, begun(book).record.id)
    waits, pair = {"new": 40.0, "incumbent": IN_USE_S}, making.coupons[:2]
    assert {c.material for c in pair} == set(waits)
    for stroke in (pair, pair[:1], pair[1:]):  # two coupons under the platen, or one after the other
        timers = [t for t in _timers(making, stroke, "press", METRIC) if "peel" in t.key]
        assert [(t.label.rpartition(", ")[2], float(t.seconds)) for t in timers] == [
            (c.name, waits[c.material]) for c in stroke
        ]
        assert len({t.key for t in timers}) == len(stroke)
    for coupon in pair:
        assert not [row for row in dials_of(making, coupon, None, METRIC) if "peel" in row.name]


def test_scored_blind_the_key_alone_says_which_coupon_waits_how_long(book, tmp_path):
    made = begun(book, replace(COLD, blind=True))
    page = sheet_of(book, tmp_path)
    assert "which coupon waits how long stands on the key" in page
    assert "peel after" not in page
    assert not re.search(r"R1-\d+[^R]{0,80}\b(40|30) s\b", re.sub(r"<[^>]+>|\s+", " ", page))
    key = sheet_of(book, tmp_path, -1)
    assert len(re.findall("peel after: 40 s", key)) == len(re.findall(f"peel after: {IN_USE_S:g} s", key)) == 6
    making = making_of(book, made.record.id)
    timers = [t for t in _timers(making, making.coupons[:1], "press", METRIC) if "peel" in t.key]
    assert [float(t.seconds) for t in timers] == [IN_USE_S, 40.0]
    assert not any(c.name in t.label for t in timers for c in making.coupons)


def test_films_that_are_peeled_alike_share_the_wait_as_before(book, tmp_path):
    film = Material("other roll", "Orr (invented)", "7")
    made = begun(book, replace(COLD, parts={"film": film}))
    assert comparison_plan(book, made.record.id)[1].waits is None
    assert "peel after" not in sheet_of(book, tmp_path)
    assert making_of(book, made.record.id).waits == {}


@pytest.fixture
def varied(shop_with):
    """A recipe whose study varied the wait: in its comparisons it is a setting of every coupon."""
    with shop_with(2).open() as opened:
        record = opened.study(read_story().study.name)
        held = {name: value for name, value in record.study.held.items() if name != "peel_wait"}
        wait = usual_factor("peel_wait", low=20, high=40)
        opened.add_study(
            replace(record.study, name="with waits", factors=(*record.study.factors, wait), held=held),
            stack=record.stack.name,
            line=record.line.name,
        )
        mine = RecipeSetting("peel_wait", wait.label, "s", IN_USE_S, window_low=25, window_high=35)
        made = release(opened)
        again = replace(made, name="waited", settings=(*made.settings, mine), held=held, study="with waits")
        opened.release_recipe(again, study="with waits")
        yield opened


@pytest.mark.parametrize("ending", [".csv", ".xlsx"])
@pytest.mark.parametrize("blind", [False, True])
def test_where_the_wait_is_a_setting_no_entry_file_tells_a_film_by_it(varied, tmp_path, ending, blind):
    book, file = varied, tmp_path / f"filled{ending}"
    record = begin_comparison(book, "waited", replace(COLD, blind=blind)).record
    write_sheets(book, COLD.name, file, people=["ana"], shown=METRIC, made_by="Kim")
    (sheet,) = (s for s in read_sheets(file) if "coupon" in s.rows[0])
    at = sheet.rows[0].index("wait before peel (s)")
    listed = [row[at] if len(row) > at else "" for row in sheet.rows[1:] if row[0]]
    assert listed == [""] * len(book.plan_coupons(record.id))


def test_a_filled_file_is_taken_with_each_coupons_own_wait_or_the_recipes_and_no_other(varied, tmp_path):
    book = varied
    record = begin_comparison(book, "waited", COLD).record
    file = tmp_path / "filled.csv"
    write_sheets(book, COLD.name, file, people=["ana"], shown=METRIC, made_by="Kim")
    head, *rows = list(csv.reader(file.read_text(encoding="utf-8-sig").splitlines()))
    wait, passed = head.index("wait before peel (s)"), head.index("release")

    materials = book.plan_coupons(record.id).set_index("coupon")["material"]
    own = {c: f"{ {'new': 40.0, 'incumbent': IN_USE_S}[material]:g}" for c, material in materials.items()}

    def taken(waits: str | None) -> int:
        filled = [[*row] for row in rows]
        for row in filled:
            row[passed] = "pass"
            row[wait] = own[row[head.index("coupon")]] if waits is None else waits
        with file.open("w", encoding="utf-8", newline="") as opened:
            csv.writer(opened).writerows([head, *filled])
        return len(read_file(book, record, file).entries)

    assert taken("") == taken(None) == len(rows)
    assert taken(f"{IN_USE_S:g}") == len(rows)  # as files list it that were written before
    with pytest.raises(InputErrors, match=r"wait before peel .*found 35; allowed: (40|30) s \(the plan\)"):
        taken("35")
