"""A study that is confirmed, and what a person types to release it."""

from __future__ import annotations

from typing import Any

from doe.acts.confirmation.plan import ClaimWishes, plan_confirmation
from doe.acts.study.fits import recommend_study
from doe.domain.plan_kinds import CONFIRM
from doe.domain.score import ScoreEntry

STUDY = "new powder on the heavy tee"
"""The study of the demo's book."""

NAME = "heavy tee"
TYPED = (
    "--as",
    NAME,
    "--approved-by",
    "Kim",
    "--gap",
    "10 s, flat",
    "--peel",
    "cold, slow and low",
    "--second-press",
    "under a cover sheet",
    "--care-label",
    "wash at 40, no tumble",
    "--room",
    "21 degC, 45 %",
)


def confirmed(shop: Any, *, fails: tuple[str, ...] = (), claim: float = 0.9, assurance: float = 0.8) -> Any:
    """The shop with its answer kept and confirmed; ``fails`` names roles whose first coupon fails."""
    with shop.open() as book:
        answer = recommend_study(book, STUDY).answer
        plan_confirmation(book, STUDY, ClaimWishes((claim,), assurance))
        rounds = {r.round for r in book.plan_info(STUDY).rounds if r.kind == CONFIRM}
        coupons = book.plan_coupons(STUDY)
        mine = coupons[coupons["round"].isin(rounds)]
        checks = [c.name for c in book.study(STUDY).study.spec.checks]
        bad = {mine.loc[mine["role"].str.startswith(role), "coupon"].iloc[0] for role in fails}
        assert answer.hand is not None
        entries = [
            ScoreEntry(
                c,
                {n: not (c in bad and n == "release") for n in checks},
                hand={"ana": 4.5, "ben": 4.5},
                symptoms=("patchy_transfer",) if c in bad else (),
            )
            for c in mine["coupon"]
        ]
        book.record(STUDY, entries)
    return shop


def released(shop: Any, *more: str) -> Any:
    """The JSON of a release of the confirmed study."""
    return shop.good("release", STUDY, *TYPED, *more, "--json").json


def make_releasable(shop: Any, key: str) -> None:
    """Do what a shop does between its answer and a release: readings, sources, the last scores, a confirmation."""
    from dataclasses import fields, replace

    from doe.acts.confirmation.verdict import confirmation_of
    from doe.domain.gauge import GaugeReading

    with shop.open() as book:
        record = book.study(key)
        measured = {r.machine for r in book.gauge_readings(record.line.name)}
        for machine in {"oven", "press"} - measured:
            for degc in (120.0, 140.0, 160.0):
                book.add_gauge_reading(record.line.name, GaugeReading(machine, degc, degc, degc - 2))
        limits = record.study.limits
        known = {f.name: limits.sources.get(f.name) or "data sheet" for f in fields(limits) if f.name != "sources"}
        sourced = replace(record.study, limits=replace(limits, sources=known))
        if sourced != record.study:
            book.amend_study(record.id, sourced, "sources of the limits")
        results = book.results(record.id, include_void=True)
        checks = [c.name for c in record.study.spec.checks]
        late = results[(results["void"] == "") & results[[f"check_{n}" for n in checks]].isna().any(axis=1)]
        late = late[late["passed"] != False]  # noqa: E712 - a column of True, False and None
        rest = [
            ScoreEntry(row["coupon"], {n: True for n in checks if row[f"check_{n}"] is None})
            for row in late.to_dict("records")
        ]
        if rest:
            book.record(record.id, rest)
        recommend_study(book, record.id)
        found = confirmation_of(book, record.id)
        if found is not None and found.proof is not None:
            return
        plan_confirmation(
            book,
            record.id,
            ClaimWishes((0.8,), 0.8, corners=0),
            give_up="" if found is None else "planned for another answer",
        )
        again = confirmation_of(book, record.id)
        assert again is not None
        mine = book.results(record.id)
        mine = mine[mine["round"].isin(again.current.plan.rounds)]
        book.record(
            record.id,
            [ScoreEntry(c, dict.fromkeys(checks, True), hand={"ana": 4.5, "ben": 4.5}) for c in mine["coupon"]],
        )
