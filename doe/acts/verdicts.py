"""Verdicts that are others now because scores were changed: both are said, with the coupons behind it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from doe.book.book import Book
from doe.domain.finding import Finding


def verdict_changed(
    book: Book, study: int, kind: str, verdict: str, *, same: Callable[[Mapping[str, Any]], bool] = lambda _: True
) -> tuple[Finding, ...]:
    """That the last other verdict of a kind was given before scores were changed; nothing where none were.

    Coupons that were made since, and washes that came in, change no score: a verdict that grows with them needs no
    word of it.

    Parameters
    ----------
    book : Book
    study : int
    kind : str
        Of the analysis that keeps the verdicts.
    verdict : str
        As it is now.
    same : callable
        Whether what is kept is about the same question, asked of its payload.
    """
    kept = [a for a in book.analyses(study, kind) if same(a.payload)]
    others = [i for i, a in enumerate(kept) if a.verdict not in ("", "open", verdict)]
    if not others:
        return ()
    before, following = kept[others[-1]], kept[others[-1] + 1 :]
    changed = [
        h.coupon
        for h in book.history(study)
        if h.supersedes is not None and h.at > before.made_at and not (following and h.at > following[0].made_at)
    ]
    if not changed:
        return ()
    told = {"before": before.verdict, "since": before.made_at.isoformat(), "now": verdict}
    return (Finding("verdict changed", {**told, "coupons": tuple(dict.fromkeys(changed))}),)
