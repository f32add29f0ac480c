"""`doe extend`: a further round of coupons where they help most."""

from __future__ import annotations

from doe.acts.study.plans import extend_study
from doe.cli.desk import Desk, command
from doe.cli.output import Reply
from doe.cli.plan import planned, planned_data
from doe.domain.texts import quoted


@command("extend")
def extend(desk: Desk, study: str, coupons: int = 8, seed: int | None = None) -> Reply:
    """Add a round of the coupons that are expected to help the verdict most, as a block in runnable order."""
    with desk.open(create=False) as book, desk.progress("choosing coupons") as tell:
        made = extend_study(book, study, coupons=coupons, seed=seed, progress=tell, shown=desk.shown)
    name = quoted(made.record.name)
    return Reply(
        planned_data(made, desk.shown), planned(made, desk), (f"doe sheet {name} -o sheets --round {made.made.round}",)
    )
