"""`doe stack`: fabric, film and powder with supplier and lot."""

from __future__ import annotations

from doe.acts.base import today
from doe.cli.desk import Desk, Reply, Table, Warn, command
from doe.domain.errors import quoted
from doe.domain.stack import Stack
from doe.words import typed
from doe.words.materials import material_warnings, told_of
from doe.words.wording import count


@command("stack add")
def add(
    desk: Desk,
    name: str,
    fabric: str,
    film: str,
    powder: str,
    ink: str | None = None,
    dyed_polyester: bool = False,
    why: str = "",
) -> Reply:
    """Keep a stack; the same name with other materials is a correction and needs --why."""
    made = Stack(
        name,
        typed.material(fabric, "fabric", desk.shown),
        typed.material(film, "film", desk.shown),
        typed.material(powder, "powder", desk.shown),
        typed.material(ink, "ink", desk.shown) if ink else None,
        dyed_polyester,
    )
    with desk.open() as book:
        book.save_stack(made, why)
        lines = book.lines()
    following = (
        f'doe study new "a name" --stack {quoted(name)} --line {quoted(lines[0].name)}'
        if lines
        else ('doe line add NAME --oven "..." --press "..."')
    )
    return Reply(
        {"stack": made}, (f"Stack {name} is in the book: {made.fabric}, {made.film}, {made.powder}.",), (following,)
    )


@command("stack list")
def list_stacks(desk: Desk) -> Reply:
    """List the stacks of the book."""
    with desk.look() as book:
        stacks = book.stacks()
    if not stacks:
        return Reply({"stacks": []}, ("No stack is in the book yet.",), ("doe stack add --help",))
    rows = [(s.name, str(s.fabric), str(s.film), str(s.powder)) for s in stacks]
    return Reply(
        {"stacks": stacks},
        (f"{count(len(stacks), 'stack')}.", Table(("stack", "fabric", "film", "powder"), rows, is_list=True)),
        (f"doe stack show {quoted(stacks[0].name)}",),
    )


@command("stack show")
def show(desk: Desk, name: str) -> Reply:
    """Show one stack and the studies made on it."""
    with desk.look() as book:
        stack = book.stack(name)
        studies = [s.name for s in book.studies(include_archived=True) if s.stack == stack.name]
    parts = (("fabric", stack.fabric), ("film", stack.film), ("powder", stack.powder), ("ink", stack.ink))
    rows = [(part, m.name, m.supplier, m.lot, told_of(m, part, desk.shown)) for part, m in parts if m]
    dye = ("Dyed polyester: dye may move into the print.",) if stack.dyed_polyester else ()
    warned = map(Warn, material_warnings(stack, today()))
    return Reply(
        {"stack": stack, "studies": studies},
        (
            f"Stack {stack.name}",
            *dye,
            Table(("part", "name", "supplier", "lot", "known of it"), rows),
            *warned,
            f"\nStudies: {', '.join(studies) or 'none yet'}.",
        ),
        (f"doe study show {quoted(studies[0])}" if studies else "doe study new --help",),
    )
