"""Counts of scores: from the entries themselves, the same as from the frame that a fit reads."""

from __future__ import annotations

from doe.acts.study.rounds import confirmation_counts, score_counts
from doe.domain.outcome import ScoreCounts
from doe.domain.score import ScoreEntry

STUDY = "new powder on the heavy tee"


def counted_in(frame) -> ScoreCounts:
    """The same counts by the frame of results, void coupons included."""
    void = frame["void"] != ""
    scored = frame["passed"].notna() & ~void
    good = scored & (frame["passed"] == True)  # noqa: E712 - the column holds None as well
    checks = [name for name in frame.columns if name.startswith("check_")]
    open_ones = good & frame[checks].isna().any(axis=1)
    return ScoreCounts(len(frame), int(scored.sum()), int(good.sum()), int(open_ones.sum()), int(void.sum()))


def test_counts_follow_every_kind_of_entry_as_the_results_do(shop_with):
    with shop_with(1).open() as book:
        names = list(book.plan_coupons(STUDY)["coupon"])
        steps = (
            (ScoreEntry(names[0], void_reason="mixed up"), ""),
            (ScoreEntry(names[1], checks={"release": False}, symptoms=("film_lock",)), "looked again"),
            (ScoreEntry(names[2], checks={"release": True}), "looked again"),
            (ScoreEntry(names[0], void_reason=""), "it was the right one"),
            (ScoreEntry(names[3], void_reason="lost"), ""),
        )
        seen = [score_counts(book, STUDY)]
        for entry, why in steps:
            book.record(STUDY, [entry], why=why or "said")
            seen.append(score_counts(book, STUDY))
            assert seen[-1] == counted_in(book.results(STUDY, include_void=True))
        assert len(set(seen)) > 2  # the entries changed something
        assert confirmation_counts(book, STUDY) is None


def test_a_coupon_that_waits_for_its_wash_is_scored_but_unfinished(shop_with):
    shop = shop_with(0)
    shop.good("plan", STUDY, "--coupons", "12", "--choose", "half")
    with shop.open() as book:
        first, second = list(book.plan_coupons(STUDY)["coupon"])[:2]
        passed = ScoreEntry(first, checks={"release": True})
        failed = ScoreEntry(second, checks={"release": False}, side="under")
        book.record(STUDY, [passed, failed])
        assert score_counts(book, STUDY) == counted_in(book.results(STUDY, include_void=True))
        assert score_counts(book, STUDY) == ScoreCounts(12, scored=2, passed=1, unfinished=1, void=0)
