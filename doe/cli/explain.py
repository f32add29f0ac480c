"""`doe explain`: a word of reports and practice in shop language."""

from __future__ import annotations

from collections.abc import Sequence

from doe.cli.desk import Desk, command
from doe.cli.output import Reply
from doe.domain.texts import quoted
from doe.words.glossary import GLOSSARY
from doe.words.glossary import explain as look_up


@command("explain")
def explain(desk: Desk, words: Sequence[str] = ()) -> Reply:
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
