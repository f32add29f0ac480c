"""`doe recommend --shop`: finished studies of the line count, which is said, and can be taken back."""

from __future__ import annotations

import math
from dataclasses import replace

from doe.domain.score import ScoreEntry
from doe.words.typography import NO_BREAK
from tests.shared import untapped

STUDY = "new powder on the heavy tee"
SAID = "What an earlier study of this shop says of its windows, of where they lie in the ranges, of machines and people"


def test_the_shop_counts_where_it_is_asked_for_and_says_so(shop_with):
    shop = shop_with(1)
    refused = shop.run("recommend", STUDY, "--shop")
    assert refused.code == 2
    assert "no other finished study on this line" in refused.err
    assert len(refused.errors) == 1
    plain = shop.good("recommend", STUDY, "--json").json
    with shop.open() as book:
        name = "the same again"
        other = book.add_study(
            _renamed(book, name), stack=book.study(STUDY).stack.name, line=book.study(STUDY).line.name
        )
        rounds = book.plan_coupons(STUDY)
        book.save_round(other, rounds[rounds["round"] == 1], kind="optimal", seed=1, scale="surface")
        book.record(other, [_entry(row) for row in book.results(STUDY).to_dict("records")])
    lent = shop.good("recommend", name, "--shop", "--json").json
    assert any(text.startswith(SAID) for text in lent["limits_on_certainty"])
    assert STUDY in next(text for text in lent["limits_on_certainty"] if text.startswith(SAID))
    assert SAID in " ".join(shop.good("recommend", name, "--more").out.replace(NO_BREAK, " ").split())
    shop.good("report", name, "-o", "report.html")
    assert SAID in untapped((shop.folder / "report.html").read_text(encoding="utf-8")).replace(NO_BREAK, " ")
    alone = shop.good("recommend", name, "--no-shop", "--json").json
    assert not any(text.startswith(SAID) for text in alone["limits_on_certainty"])
    assert alone["inputs_hash"] != lent["inputs_hash"]
    assert shop.good("recommend", STUDY, "--json").json["pass_rate"] == plain["pass_rate"]


def _renamed(book, name):
    return replace(book.study(STUDY).study, name=name)


def _entry(row):
    checks = {c.removeprefix("check_"): v for c, v in row.items() if c.startswith("check_") and v is not None}
    hand = {c.removeprefix("hand_"): v for c, v in row.items() if c.startswith("hand_") and not math.isnan(v)}
    return ScoreEntry(row["coupon"], checks=checks, side=row["side"], hand=hand)
