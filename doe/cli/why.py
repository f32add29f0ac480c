"""The reasons behind every number of an answer, for `doe recommend --why`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from doe.cli.output import Block, Table, Warn
from doe.domain.units import Shown
from doe.setpoint.why import Why
from doe.words.study.why import differences
from doe.words.study.why_parts import rough_note, why_parts

if TYPE_CHECKING:
    from doe.acts.study.fits import Recommended


def why_blocks(found: Recommended, why: Why, shown: Shown) -> list[Block]:
    """Why this setting, what every number rests on, which coupons carry them, and what would change them."""
    parts = why_parts(found.fitted.record.study, why, shown)
    blocks: list[Block] = [Warn(text) for text in differences(found.answer, why)]
    for part in parts:
        blocks += [f"\n{part.title}:", *(f"  {text}" for text in part.lines)]
        if part.rows:
            blocks.append(Table(part.heads, part.rows, right=tuple(h for h in part.heads if h not in part.texts)))
        if part.note:
            blocks.append(f"\n{part.note}")
    return [*blocks, *(f"\n{text}" for text in rough_note(parts))]
