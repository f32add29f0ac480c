"""`doe explain`: a word of reports and practice in shop language."""

from __future__ import annotations

from typing import Annotated

import typer

from doe.cli.desk import Desk, command, commands
from doe.cli.output import Reply
from doe.domain.texts import quoted
from doe.words.glossary import GLOSSARY
from doe.words.glossary import explain as look_up

app = commands()


@command(
    app,
    "explain",
    example="""
    doe explain "setting error"
    doe explain
    """,
)
def explain(
    desk: Desk,
    words: Annotated[list[str] | None, typer.Argument(metavar="WORD", help="The word; without one, the list.")] = None,
) -> Reply:
    """Explain a word of the reports in one paragraph."""
    if not words:
        names = [w.name for w in GLOSSARY]
        return Reply({"words": names}, (", ".join(names) + ".",), ('doe explain "setting error"',))
    word = look_up(" ".join(words))
    return Reply(
        {"word": word.name, "text": word.text, "also": word.also, "see": word.see},
        (f"{word.name[0].upper()}{word.name[1:]}", "", word.text),
        [f"doe explain {quoted(name)}" for name in word.see],
    )
