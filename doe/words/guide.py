"""The guides: how a use is walked through, command by command. The texts lie in `templates/guide`; tests run them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from importlib.resources import files

from doe.domain.errors import InputError

TOPICS = {
    "powder": "bring in a new powder, from the stack to the card at the press",
    "blank": "qualify a new blank supplier, a powder lot or a film",
    "why": "document why a recipe was chosen",
    "training": "train apprentices on tuning",
    "gauges": "what to dial in, by gauge readings",
    "network": "the page at the press on the shop's network: who gets in, encryption",
    "python": "the same from Python",
}
"""What each guide is for, in the order of a shop's need."""


@dataclass(frozen=True)
class Paragraph:
    """Words to be wrapped."""

    text: str


@dataclass(frozen=True)
class Lines:
    """Lines to be typed as they stand: command lines (``sh``), or a program (``python``)."""

    language: str
    lines: tuple[str, ...]


def guide_text(topic: str) -> str:
    """The text of a guide, Markdown.

    Raises
    ------
    InputError
        If there is no such topic.
    """
    if topic not in TOPICS:
        raise InputError("guide", repr(topic), ", ".join(TOPICS), "Choose one of these.")
    return files("doe.templates").joinpath("guide", f"{topic}.md").read_text(encoding="utf-8")


def guide_blocks(text: str) -> tuple[str, tuple[Paragraph | Lines, ...]]:
    """Title and blocks of a guide; command lines that go on over several lines are joined."""
    title, _, body = text.partition("\n")
    blocks: list[Paragraph | Lines] = []
    for prose, language, code in re.findall(r"(.*?)(?:```(\w+)\n(.*?)```|\Z)", body, flags=re.DOTALL):
        for paragraph in re.split(r"\n\s*\n", prose):
            words = " ".join(paragraph.split())
            if words:
                blocks.append(Paragraph(words.replace("**", "").replace("`", "")))
        if code:
            joined = re.sub(r" \\\n\s*", " ", code) if language == "sh" else code
            blocks.append(Lines(language, tuple(joined.rstrip().splitlines())))
    return title.lstrip("# "), tuple(blocks)
