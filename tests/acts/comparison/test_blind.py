"""A comparison scored blind: sheets carry codes only, and the key is a sheet of its own."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from doe.acts.comparison.plan import Wanted, begin_comparison, offer_comparison
from doe.acts.comparison.verdict import comparison_plan, judge_comparison, more_coupons, write_comparison
from doe.acts.scoring.making import making_of
from doe.acts.study.rounds import score_counts
from doe.acts.study.sheets import write_key, write_labels, write_sheets
from doe.domain.errors import InputError
from doe.domain.limits import Limits
from doe.domain.stack import Material
from doe.domain.units import METRIC
from doe.words.study.state import counts_sentence
from doe.words.typography import NO_BREAK
from tests.acts.comparison.samples import NAME, all_pass, release
from tests.shared import untapped

LOT = Wanted(
    parts={"powder": Material("fine powder", "Pellmere (invented)", "P-04", "new in the range")},
    blind=True,
    name="lot P-04",
)
TELLS = re.compile(r"\bNEW\b|IN USE|[Nn]ew material|[Mm]aterial in use|incumbent")


@pytest.fixture
def book(shop_with):
    with shop_with(2).open() as opened:
        release(opened)
        yield opened


def text_of(path):
    """What a page says by itself; what its words mean in general tells nothing of these materials."""
    whole = re.sub(r"<(style|script).*?</\1>", "", untapped(path.read_text(encoding="utf-8")), flags=re.DOTALL)
    return whole.partition('<details class="words">')[0].replace(NO_BREAK, " ")


@pytest.mark.parametrize("staged", [True, False])
def test_sheet_entry_files_and_labels_tell_no_material_and_the_key_tells_all(book, tmp_path, staged):
    made = begin_comparison(book, NAME, replace(LOT, staged=staged))
    assert comparison_plan(book, "lot P-04")[1].blind is True
    files = write_sheets(book, "lot P-04", tmp_path, people=["ana"], shown=METRIC, made_by="Kim").files
    labels = write_labels(book, "lot P-04", tmp_path, grid="a4").path
    key = files[-1]
    assert [file.name.rpartition("round-1")[2] for file in files] == ["-sheet.html", ".xlsx", ".csv", "-key.html"]
    for file in (files[0], files[2], labels):
        assert TELLS.findall(text_of(file)) == [], file
    sheet = text_of(files[0])
    assert "stands on the key" in sheet
    assert "pair 3" in sheet
    told = dict(re.findall(r"<li><b>(R1-\d+)</b><span>(?:<strong>)?([a-z ]+?)(?:</strong>)?, pair \d+", text_of(key)))
    words = {"new": "new material", "incumbent": "material in use"}
    assert told == {row["coupon"]: words[row["material"]] for row in made.coupons.to_dict("records")}


def test_codes_themselves_tell_nothing(book):
    made = begin_comparison(book, NAME, replace(LOT, staged=True, strokes=8))
    rows = made.coupons.sort_values("coupon").to_dict("records")
    firsts = [first["material"] for first, _ in zip(rows[::2], rows[1::2], strict=True)]
    # of each pair either comes first in half of the pairs
    assert sorted(firsts) == ["incumbent"] * 4 + ["new"] * 4
    assert firsts not in ([*firsts[:4]] * 2, sorted(firsts))


def test_the_page_at_the_press_knows_codes_and_pairs_only(book):
    made = begin_comparison(book, NAME, LOT)
    coupons = making_of(book, made.record.id).coupons
    assert {coupon.material for coupon in coupons} == {""}
    assert all("pair" in coupon.place for coupon in coupons)


def test_a_key_belongs_to_a_comparison_scored_blind(book, tmp_path):
    begin_comparison(book, NAME, replace(LOT, blind=False))
    with pytest.raises(InputError, match="not scored blind"):
        write_key(book, "lot P-04", tmp_path)
    assert len(write_sheets(book, "lot P-04", tmp_path, shown=METRIC, made_by="Kim").files) == 3


def test_the_report_keeps_the_key_back_until_the_last_check_and_every_round_has_its_own(book, tmp_path):
    made = begin_comparison(book, NAME, replace(LOT, staged=True, strokes=8))
    pairs = made.coupons.sort_values("pair")
    failing = tuple(pairs[pairs["material"] == "new"]["coupon"][:1])
    entries = all_pass(made.coupons, failing)
    book.record(
        "lot P-04", [replace(e, checks={n: v for n, v in e.checks.items() if "wash" not in n}) for e in entries]
    )
    page = tmp_path / "open.html"
    write_comparison(book, judge_comparison(book, "lot P-04"), page, shown=METRIC, made_by="Kim")
    assert text_of(page).count("on the key") == 16
    assert "Only one of the pair passed" not in text_of(page)
    book.record("lot P-04", entries)
    write_comparison(book, judge_comparison(book, "lot P-04"), page, shown=METRIC, made_by="Kim")
    assert "on the key" not in text_of(page)
    assert "Scored blind" in text_of(page)
    more_coupons(book, "lot P-04")
    assert text_of(write_key(book, "lot P-04", tmp_path)).count("<li><b>R2-") == 16


@pytest.mark.parametrize("staged", [True, False])
def test_what_was_scored_so_far_is_kept_back_from_whoever_goes_on_scoring(book, staged):
    made = begin_comparison(book, NAME, replace(LOT, staged=staged))
    pair = made.coupons[made.coupons["pair"] == 1]
    failing = tuple(pair[pair["material"] == "new"]["coupon"])
    book.record("lot P-04", all_pass(pair, failing))
    found = judge_comparison(book, "lot P-04").comparison
    assert (found.rates.new_units, found.rates.old_units, found.hand, found.edges, found.reasons) == (
        0,
        0,
        None,
        (),
        (),
    )
    assert [m.code for m in found.missing][-1] == "kept_back"
    assert staged == (found.staged is not None and found.staged.only_new == 0)
    book.record("lot P-04", all_pass(made.coupons, failing))
    assert judge_comparison(book, "lot P-04").comparison.rates.new_units >= 6


def test_two_fabrics_are_told_apart_by_eye(book):
    blank = Wanted(
        parts={"fabric": Material("light tee", "Orr (invented)", "O-1")}, limits=Limits(fabric_max_degc=185), blind=True
    )
    assert "told_by_eye" in {note.code for note in offer_comparison(book, NAME, blank).notes}
    assert "told_by_eye" not in {note.code for note in offer_comparison(book, NAME, LOT).notes}


@pytest.mark.parametrize("staged", [True, False])
def test_counts_tell_how_many_are_scored_and_not_how_they_did_before_the_last_check(book, staged):
    made = begin_comparison(book, NAME, replace(LOT, staged=staged))
    pair = made.coupons[made.coupons["pair"] == 1]
    failing = tuple(pair[pair["material"] == "new"]["coupon"])
    book.record("lot P-04", all_pass(pair, failing))
    counts = score_counts(book, "lot P-04")
    assert (counts.scored, counts.passed) == (2, None)
    told = counts_sentence(counts)
    assert told.startswith(f"2 of {len(made.coupons)} coupons scored; scored blind")
    assert "passed" not in told
    assert "failed" not in told
    assert [c.passed for c in (score_counts(book, "lot P-04"), judge_comparison(book, "lot P-04").counts)] == [None] * 2
    book.record("lot P-04", all_pass(made.coupons, failing))
    assert score_counts(book, "lot P-04").passed == len(made.coupons) - 1


def test_counts_of_a_comparison_in_the_open_are_told_as_they_come(book):
    made = begin_comparison(book, NAME, replace(LOT, blind=False))
    book.record("lot P-04", all_pass(made.coupons[made.coupons["pair"] == 1]))
    assert score_counts(book, "lot P-04").passed == 2
