"""A study that is confirmed, and what a person types to release it."""

from __future__ import annotations

from typing import Any

from doe.acts.confirm_plan import plan_confirmation
from doe.acts.fits import recommend_study
from doe.domain.plan_kinds import CONFIRM
from doe.domain.score import ScoreEntry

STUDY = "new powder on the heavy tee"
"""The study of the demo's book."""

NAME = "heavy tee"
TYPED = (
    "--as", NAME, "--approved-by", "Kim", "--gap", "10 s, flat", "--peel", "cold, slow and low", "--second-press",
    "under a cover sheet", "--care-label", "wash at 40, no tumble", "--room", "21 degC, 45 %",
)  # fmt: skip


def confirmed(shop: Any, *, fails: tuple[str, ...] = (), claim: float = 0.9, assurance: float = 0.8) -> Any:
    """The shop with its answer kept and confirmed; ``fails`` names roles whose first coupon fails."""
    with shop.open() as book:
        answer = recommend_study(book, STUDY).answer
        plan_confirmation(book, STUDY, claim=claim, assurance=assurance, corners=2)
        rounds = {r.round for r in book.plan_info(STUDY).rounds if r.kind == CONFIRM}
        coupons = book.plan_coupons(STUDY)
        mine = coupons[coupons["round"].isin(rounds)]
        checks = [c.name for c in book.study(STUDY).study.spec.checks]
        bad = {mine.loc[mine["role"].str.startswith(role), "coupon"].iloc[0] for role in fails}
        assert answer.hand is not None
        entries = [
            ScoreEntry(c, {n: not (c in bad and n == "release") for n in checks}, hand={"ana": 4.5, "ben": 4.5},
                       symptoms=("patchy_transfer",) if c in bad else ())
            for c in mine["coupon"]
        ]  # fmt: skip
        book.record(STUDY, entries)
    return shop


def released(shop: Any, *more: str) -> Any:
    """The JSON of a release of the confirmed study."""
    return shop.good("release", STUDY, *TYPED, *more, "--json").json
