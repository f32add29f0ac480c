"""`doe extend`: a further round of coupons where they help most."""

from __future__ import annotations

from typing import Annotated

import typer

from doe.acts.study.plans import extend_study
from doe.cli.desk import Desk, command, commands
from doe.cli.options import KEY, SEED
from doe.cli.output import Reply
from doe.cli.plan import planned, planned_data
from doe.domain.texts import quoted

app = commands()


@command(app, "extend", example='doe extend "new powder" --coupons 8')
def extend(
    desk: Desk,
    study: KEY,
    coupons: Annotated[int, typer.Option(min=1, help="Coupons of the new round.")] = 8,
    seed: SEED = None,
) -> Reply:
    """Add a round of the coupons that are expected to help the verdict most, as a block in runnable order."""
    with desk.open(create=False) as book, desk.progress("choosing coupons") as tell:
        made = extend_study(book, study, coupons=coupons, seed=seed, progress=tell, shown=desk.shown)
    name = quoted(made.record.name)
    return Reply(
        planned_data(made, desk.shown), planned(made, desk), (f"doe sheet {name} -o sheets --round {made.made.round}",)
    )
