"""`doe plan --sizes`: what each number of coupons buys, on a terminal and for programs."""

from __future__ import annotations

import pytest

from doe.practice import worth as trial
from doe.practice.worth import Tried

STUDY = "new powder on the heavy tee"


@pytest.fixture
def quick(monkeypatch):
    """Trials that take no time: larger plans end ready, every fifth line is bad, those of one family are hopeless."""

    def try_line(study, kind, seed, sizes, *, line, particles=600):
        true = 0.7 if seed % 5 == 0 else 0.97
        best = 0.8 if kind == "doses" else 0.98
        return tuple(Tried(kind, seed, n, "ready" if n > 20 else "more coupons", true, best) for n in sizes)

    monkeypatch.setattr(trial, "try_line", try_line)
    monkeypatch.setattr("doe.acts.study.worth._cores", lambda: 1)


def test_the_table_fits_the_terminal_and_says_what_it_cannot_promise(shop_with, quick):
    shop = shop_with(1)
    found = shop.good("plan", STUDY, "--sizes", "--lines", "14")
    assert max(len(line) for line in found.out.splitlines()) <= 80
    text = " ".join(found.out.split())
    assert "14 invented lines" in text
    assert "do not take a share for a promise" in text
    assert "raise the chance to end ready from 0 % to 100 %" in text
    for size in (12, 16, 20, 28, 40):
        assert any(line.split()[:1] == [str(size)] for line in found.out.splitlines())


def test_json_gives_every_share_with_counts_and_error(shop_with, quick):
    shop = shop_with(1)
    found = shop.good("plan", STUDY, "--sizes", "--lines", "14", "--json").json
    assert (found["lines"], found["from_cache"], found["impossible"]) == (14, 0, [])
    row = found["sizes"][-1]
    assert row["coupons"] == 40
    assert row["ready"] == {"share": 1.0, "error": pytest.approx(row["ready"]["error"]), "hits": 12, "lines": 12}
    assert row["found_out"]["lines"] == 2
    assert shop.good("plan", STUDY, "--sizes", "--lines", "14", "--json").json["from_cache"] == 14


def test_looking_at_sizes_makes_no_plan(shop_with, quick):
    shop = shop_with(1)
    before = shop.good("study", "show", STUDY, "--json").json
    shop.good("plan", STUDY, "--sizes", "--lines", "2")
    assert shop.good("study", "show", STUDY, "--json").json == before
