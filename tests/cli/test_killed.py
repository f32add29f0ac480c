"""`doe record` killed at random moments: what was confirmed is in the book, nothing is half-written."""

from __future__ import annotations

import os
import random
import signal
import sys
import time

import pytest

from tests.forked import started

STUDY = "new powder on the heavy tee"
KILLS = 16

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is a POSIX signal")


def _killed(words: list[str], env: dict[str, str], after_s: float) -> bool:
    """Start a command, kill it after a while; whether it had confirmed by then."""
    with started(words, env=env) as process:
        time.sleep(after_s)
        process.send_signal(signal.SIGKILL)
        out, _ = process.communicate(timeout=60)
    return "}" in out  # the one JSON object of --json is printed after the transaction is safe


def _typical_s(words: list[str], env: dict[str, str]) -> float:
    began = time.perf_counter()
    with started(words, env=env) as process:
        out, err = process.communicate(timeout=60)
    assert process.returncode == 0, out + err
    return time.perf_counter() - began


def test_coupons_recorded_one_at_a_time_survive_kills_at_any_moment(shop_with):
    shop = shop_with(0)
    shop.good("plan", STUDY, "--coupons", "20", "--choose", "optimal")
    env = {**os.environ, "DOE_BOOK": str(shop.book), "DOE_WHO": "ana"}

    def words(i: int) -> list[str]:
        return [
            "record",
            STUDY,
            "--coupon",
            f"R1-{i:02d}",
            "--pass",
            "release",
            "--fail",
            "stretch",
            "--hand",
            "ana=3.5",
            "--note",
            f"coupon {i}",
            "--json",
        ]

    _typical_s(["explain", "coupon"], env)  # loads what the others fork from
    after_s, rng, confirmed = _typical_s(words(1), env), random.Random(1), {}
    for i in range(2, 2 + KILLS):
        # earlier after a command that had confirmed, later after one that had not: the kills gather around the moment
        # of writing, however busy the machine is
        confirmed[i] = _killed(words(i), env, after_s * rng.uniform(0.85, 1.15))
        after_s *= 0.8 if confirmed[i] else 1.2
    with shop.open() as book:
        assert book.check() == []
        stored = book.results(STUDY).set_index("coupon")
    for i, was_confirmed in confirmed.items():
        row = stored.loc[f"R1-{i:02d}"]
        fields = [row["check_release"], row["check_stretch"], row["hand_ana"], row["note"]]
        there = [str(v) not in ("", "None", "nan", "<NA>") for v in fields] if "hand_ana" in stored else [False]
        assert all(there) or not any(there), f"coupon {i} is half-written: {fields}"
        if was_confirmed:
            assert all(there), f"coupon {i} was confirmed and is gone"
    assert str(stored.loc["R1-01", "note"]) == "coupon 1"
    assert len(set(confirmed.values())) == 2, "every kill fell on one side of the write: the test saw nothing"
