"""`doe confirm`: coupons that prove the setpoint; claims side by side, the rule, and what the coupons say."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, cast

import typer

from doe.acts.confirmation.plan import ClaimWishes
from doe.assure.confirmation.order import SET_UPS, Unit
from doe.cli import confirming
from doe.cli.desk import Desk, command, commands
from doe.cli.options import KEY, PER_GARMENT, SEED
from doe.cli.output import Reply
from doe.domain.errors import InputError
from doe.words.typed import share

app = commands()


@command(
    app,
    "confirm",
    example="""
    doe confirm "new powder"
    doe confirm "new powder" --claim 0.90 --claim 0.95 --allow 0 --allow 1
    doe confirm "new powder" --plan --claim 0.95 --assurance 0.90 --allow 0
    doe confirm "new powder" -o confirmation.html
    """,
)
def confirm(
    desk: Desk,
    study: KEY,
    plan: Annotated[
        bool, typer.Option("--plan", help="Fix the rule and make its coupons; nothing is adjusted after that.")
    ] = False,
    claim: Annotated[
        list[str] | None, typer.Option(help="Pass rate to be shown, 0.95 or 95%; repeat to compare several.")
    ] = None,
    assurance: Annotated[str | None, typer.Option(help="How sure the claim is meant to be, 0.90 or 90%.")] = None,
    allow: Annotated[
        list[int] | None, typer.Option(min=0, help="Failures allowed at the setpoint; repeat to compare several.")
    ] = None,
    units: Annotated[str, typer.Option(help="What is counted: coupon, or stroke (all its coupons pass).")] = "coupon",
    corners: Annotated[int, typer.Option(min=0, help="Corners of the window that are tested too.")] = 2,
    set_ups: Annotated[
        int, typer.Option(min=1, help="How often oven and press are set afresh for the setpoint; usually 6.")
    ] = SET_UPS,
    per_garment: PER_GARMENT = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Make void coupons again, and those of a corner in doubt once more.")
    ] = False,
    give_up: Annotated[
        str, typer.Option(metavar="WHY", help="With --plan: give up the one under way; it stays on record.")
    ] = "",
    output: Annotated[Path | None, typer.Option("--output", "-o", help="An HTML page of the confirmation.")] = None,
    seed: SEED = None,
) -> Reply:
    """Confirm the setpoint: how many coupons for which claim, the rule, then the verdict so far."""
    unit = units.strip().lower().removesuffix("s")
    if unit not in ("coupon", "stroke"):
        raise InputError("--units", repr(units), "coupon or stroke", "Count one of them.")
    asked = ClaimWishes(
        tuple(_share(text, "--claim") for text in claim or ()),
        None if assurance is None else _share(assurance, "--assurance"),
        tuple(allow or ()),
        cast("Unit", unit),
        corners,
        set_ups,
        per_garment,
    )
    if sum((plan, replace, output is not None)) > 1:
        raise InputError(
            "doe confirm",
            "several things at once",
            "one of --plan, --replace and --output",
            "Do one after the other.",
        )
    if give_up and not plan:
        raise InputError("--give-up", "no new plan", "--plan beside it", "Add --plan, or leave it out.")
    with desk.open(create=False) as book, desk.progress("looking at the answer") as tell:
        if plan:
            return confirming.make_plan(book, study, asked, desk.shown, seed=seed, give_up=give_up, tell=tell)
        if replace:
            return confirming.make_again(book, study, desk.shown, per_garment=per_garment, seed=seed)
        if output is None and (asked.compares or not confirming.is_planned(book, study)):
            return confirming.compare(book, study, asked, desk.shown, tell=tell)
        return confirming.tell_verdict(book, study, desk.shown, output=output, made_by=desk.name, tell=tell)


def _share(text: str, where: str) -> float:
    value = share(text, where)
    if not 0 < value < 1:
        meant = f" Did you mean {value / 100:g}?" if 1 < value < 100 else ""
        raise InputError(where, text, "between 0 and 1, or in percent", f"Write 95 % as 0.95 or 95%.{meant}")
    return value
