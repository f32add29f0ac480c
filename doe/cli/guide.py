"""`doe guide`: a use walked through, command by command."""

from __future__ import annotations

from doe.cli.desk import Desk, command
from doe.cli.output import Block, Commands, Reply, Table
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
