"""`doe guide` and `doe explain`: a use walked through, command by command, and a word in shop language."""

from __future__ import annotations

from collections.abc import Sequence

from doe.cli.desk import Block, Commands, Desk, Reply, Table, command
from doe.domain.errors import quoted
from doe.domain.jsonable import named
from doe.words.glossary import GLOSSARY
from doe.words.glossary import explain as look_up
from doe.words.guide import TOPICS, Paragraph, guide_blocks, guide_text


@command("guide")
def guide(desk: Desk, topic: str | None = None) -> Reply:
    """Walk through a use of the tool, command by command."""
    if topic is None:
        table = Table(("topic", "how to"), list(TOPICS.items()))
        return Reply({"topics": TOPICS}, ("Guides, each a walk through one use:", table), ("doe guide powder",))
    text = guide_text(topic)
    title, found = guide_blocks(text)
    blocks: list[Block] = [title]
    for block in found:
        blocks += ["", block.text if isinstance(block, Paragraph) else Commands(block.lines)]
    return Reply({"topic": topic, "title": title, "text": text}, blocks, ("doe guide",))


@command("explain")
def explain(desk: Desk, words: Sequence[str] = ()) -> Reply:
    """Explain a word of the reports in one paragraph."""
    if not words:
        names = [w.name for w in GLOSSARY]
        return Reply({"words": names}, (", ".join(names) + ".",), ('doe explain "setting error"',))
    word = look_up(" ".join(words))
    return Reply(
        {"word": word.name, **named(word, "text", "also", "see")},
        (f"{word.name[0].upper()}{word.name[1:]}", "", word.text),
        [f"doe explain {quoted(name)}" for name in word.see],
    )
