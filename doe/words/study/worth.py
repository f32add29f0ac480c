"""What each number of coupons buys, in words; numbers come from `doe.practice.worth.Worth` only."""

from __future__ import annotations

from collections.abc import Sequence

from doe.domain.study import Study
from doe.domain.units import fixed
from doe.practice.worth import BAD_BY, Share, Worth
from doe.words.wording import count, listing, stated

HEADS = ("coupons", "hours", "ready %", "good %", "bad %", "ready, bad", "given up %")


def lead(study: Study, lines: int) -> str:
    """What was done, in one sentence."""
    return (
        f"Each size was planned, made, fitted and judged on {count(lines, 'invented line')} with the factors, ranges, "
        f"setting errors and wanted pass rate of {study.name}."
    )


def rows(worth: Sequence[Worth]) -> list[tuple[str, ...]]:
    """One row a size, each share with its standard error."""
    return [
        (
            str(w.coupons),
            fixed(w.hours, 1),
            share(w.ready),
            share(w.good),
            share(w.bad),
            f"{w.ready_bad.hits} of {w.ready_bad.lines}",
            share(w.given_up),
        )
        for w in worth
    ]


def share(of: Share) -> str:
    """A share with its standard error, in percent.

    >>> share(Share(18, 36))
    '50 ± 8'
    """
    return f"{fixed(100 * of.value)} ± {fixed(100 * of.error)}" if of.lines else "no line"


def legend(study: Study) -> str:
    """What the columns mean."""
    wanted, poor = stated(study.spec.pass_rate), stated(round(study.spec.pass_rate - BAD_BY, 6))
    return (
        f"Of lines where {wanted} can be reached: ready: called ready for confirmation coupons; good: the recommended "
        f"setting truly reaches {wanted}; bad: it truly stays below {poor}; given up: called not reachable. "
        f"ready, bad: of all lines called ready, truly below {poor}. ±: one standard error; sizes that differ by less "
        "than two of them may be as good. hours: at the machines, one person, one round."
    )


def findings(worth: Sequence[Worth]) -> tuple[str, ...]:
    """What the table says about the smallest and the largest size, and about lines that cannot reach the target."""
    said = []
    first, last = worth[0], worth[-1]
    if len(worth) > 1 and first.ready.lines:
        more, spent = last.coupons - first.coupons, last.hours - first.hours
        gain = last.ready.value - first.ready.value
        unsure = (first.ready.error**2 + last.ready.error**2) ** 0.5
        if gain > 2 * unsure:
            said.append(
                f"{more} more coupons than {first.coupons} (and {fixed(spent, 1)} more hours) raise the "
                "chance to end ready "
                f"from {fixed(100 * first.ready.value)} % to {fixed(100 * last.ready.value)} %."
            )
        else:
            said.append(
                f"Between {first.coupons} and {last.coupons} coupons these lines show no sure difference in the chance "
                "to end ready; try more lines, or think of a second round instead."
            )
    unable = [w for w in worth if w.found_out.lines]
    if unable:
        found = listing([f"{w.found_out.hits} with {w.coupons}" for w in unable])
        said.append(
            f"Of {count(unable[0].found_out.lines, 'line')} where no setting reaches it, called not reachable: "
            f"{found} coupons."
        )
    return tuple(said)
