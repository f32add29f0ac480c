"""The least record in words: what there is of each item, what is missing and how to add it, what can only be said."""

from __future__ import annotations

from collections.abc import Sequence

from doe.domain.errors import InputError, quoted
from doe.domain.recipe import RecordItem
from doe.words.confirmation.plan import TEXTS as OF_CONFIRMATIONS
from doe.words.facts import Reader, all_worded, filled, texts_of
from doe.words.wording import listing

TEXTS = texts_of("recipe")


def item_label(item: RecordItem) -> str:
    """What an item is called."""
    return TEXTS[f"item_{item.what}"]


def found_words(item: RecordItem) -> str:
    """What there is of an item."""
    return " ".join(all_worded(item.found, {**OF_CONFIRMATIONS, **TEXTS}, Reader()))


def how_to_add(item: RecordItem, study: str) -> str:
    """The command that adds what is missing."""
    first = item.found[0]
    values = {} if isinstance(first, str) else first.values
    return filled(TEXTS[f"add_{item.what}"], Reader(), study=study, **values)


def by_release(study: str) -> str:
    """How the remedy begins of what an option of the release adds."""
    return f"Add it: doe release {quoted(study)} "


def missing_together(study: str, problems: Sequence[InputError]) -> str:
    """What options of the release add, in one sentence with one command."""
    where = f"record of {study}"
    missing = listing([p.where.removeprefix(f"{where}, ").partition(":")[0] for p in problems])
    options = " ".join(p.remedy.removeprefix(by_release(study)) for p in problems)
    return f"{where}: missing are {missing}. Add them: doe release {quoted(study)} {options}"


def dials_together(study: str, problems: Sequence[InputError]) -> str:
    """Dials that stand in the way, in one sentence with what mends them all."""
    where, first = f"dial of {study}", problems[0]
    each = "; ".join(f"{p.where.removeprefix(f'{where}, ')} {p.found}" for p in problems)
    return f"{where}: {each}; allowed: {first.allowed}. {first.remedy}"


def item_data(item: RecordItem, study: str) -> dict[str, object]:
    """An item for JSON: its words, and the facts beside them."""
    return {
        "what": item_label(item),
        "state": item.state,
        "found": found_words(item),
        "add": how_to_add(item, study) if item.state == "missing" else "",
        "code": item.what,
        "facts": item.found,
    }
