"""`doe people`: how far those who score agree, and what to do about it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from doe.acts.scoring.people import PeopleAgreement, people_of_study, write_people
from doe.cli.desk import Block, Desk, Reply, Screen, Table, Warn, command
from doe.domain.errors import quoted
from doe.domain.jsonable import named
from doe.domain.units import fixed
from doe.words.people import agreement_words, finding, missing_words
from doe.words.wording import count
from reports.files import refuse_folder

SHOWN = 10
"""Coupons to look at again that the terminal names."""


@command("people")
def people(desk: Desk, study: str, output: Path | None = None) -> Reply:
    """Say how far the people who score agree, who is harsh or kind, and what to do about it."""
    if output is not None:
        refuse_folder(output, "people.html")
    with desk.look() as book:
        found = people_of_study(book, study)
    written = None
    if output is not None:
        written = write_people(found, output, made_by=desk.name)
    said, missing = agreement_words(found.passes, found.hand, found.repeats), missing_words(found.missing)
    name, (blocks, rest) = quoted(found.record.name), people_blocks(found, said, missing)
    following = [f"doe record {name} --again"] if found.again else []
    following += [f"open {written} in a browser"] if written else [f"doe people {name} -o people.html"]
    return Reply(
        {
            "study": found.record.name,
            **named(found, "passes", "hand", "repeats"),
            "finding": finding(found.passes, found.hand)[0],
            "sentences": said,
            "missing": missing,
            "facts": {"missing": found.missing},
            "look_again": found.again,
            "report": written,
        },
        blocks,
        following,
        more=rest,
    )


def _signed(value: float) -> str:
    """A tenth with its sign; a nought has none."""
    return fixed(value, 1, "+") if abs(value) >= 0.05 else "0.0"


def people_blocks(found: PeopleAgreement, said: Sequence[str], missing: Sequence[str]) -> Screen:
    """Agreement for a person: what it means, who leans, what is missing; then what to look at again."""
    headline, lead = finding(found.passes, found.hand)
    blocks: list[Block] = [f"{headline}.", lead, f"\nPeople who score {found.record.name}:"]
    blocks += [f"  {text}" for text in said]
    blocks += [Warn(text) for text in missing]
    rest: list[Block] = []
    if found.hand is not None:
        rows = [
            (str(r["person"]), _signed(r["lean"]), f"{_signed(r['low'])} to {_signed(r['high'])}", str(r["verdict"]))
            for r in found.hand.lean.to_dict("records")
        ]
        blocks.append(Table(("person", "lean", "90 % limits", "scores"), rows, right=("lean", "90 % limits")))
        rest.append("\nlean: mean hand-feel minus the mean of all, on the same coupons.")
    if found.again:
        more = f" and {len(found.again) - SHOWN} more" if len(found.again) > SHOWN else ""
        rest.append(
            f"\nWorth a second look ({count(len(found.again), 'coupon')}, in this order): "
            f"{', '.join(found.again[:SHOWN])}{more}."
        )
    return blocks, rest
