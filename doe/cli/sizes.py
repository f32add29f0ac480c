"""What each number of coupons buys, for `doe plan --sizes`."""

from __future__ import annotations

from doe.acts.study.worth import SizesWorth
from doe.cli.output import Block, Reply, Table, Warn
from doe.domain.texts import quoted
from doe.practice.worth import Share, Worth
from doe.words.study import worth as words
from doe.words.wording import count, listing


def sizes_reply(found: SizesWorth) -> Reply:
    """Sizes side by side, with what the table says and does not say."""
    study = found.record.study
    blocks: list[Block] = [
        words.lead(study, found.lines),
        Table(words.HEADS, words.rows(found.rows), right=words.HEADS),
        "\n" + words.legend(study),
        *(f"\n{text}" for text in words.findings(found.rows)),
        Warn("The lines are invented: compare the sizes with each other, and do not take a share for a promise."),
    ]
    if found.lines < found.wanted_lines:
        left = found.wanted_lines - found.lines
        blocks.append(
            f"{count(left, 'line')} of {found.wanted_lines} could not be drawn: their families do not fit these "
            "ranges, setting errors and spec."
        )
    if found.impossible:
        blocks.append(
            f"No plan of {listing([str(n) for n in found.impossible], 'or')} coupons exists for so many factors."
        )
    data = {
        "study": found.record.name,
        "lines": found.lines,
        "wanted_lines": found.wanted_lines,
        "from_cache": found.from_cache,
        "impossible": found.impossible,
        "sizes": [_size_data(row) for row in found.rows],
    }
    return Reply(data, blocks, (f"doe plan {quoted(found.record.name)} --coupons 20",))


def _size_data(row: Worth) -> dict[str, object]:
    """A size for ``--json``: every share with its counts and standard error."""
    data: dict[str, object] = {"coupons": row.coupons, "hours": row.hours}
    for name in ("ready", "good", "bad", "ready_bad", "given_up", "found_out"):
        share: Share = getattr(row, name)
        data[name] = {"share": share.value, "error": share.error, "hits": share.hits, "lines": share.lines}
    return data
