"""A study in words: what it holds, what is missing, and what comes next."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from doe.acts.base import today
from doe.acts.study.change import Changed
from doe.acts.study.limits import known_beyond, missing
from doe.book.records import StudyRecord
from doe.cli.desk import Block, Commands, Table, Warn
from doe.domain.errors import quoted
from doe.domain.factors import Factor
from doe.domain.limits import LIMIT_OPTIONS, Limits, needed_limits
from doe.domain.recipe import KeptRecipe
from doe.domain.standing import NextStep, StudyStanding
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.words import typed
from doe.words.cautions import ON_SURFACE
from doe.words.facts import reader_of, texts_of, worded
from doe.words.limits import LIMIT_LABELS, range_warnings
from doe.words.study.changes import study_changes
from doe.words.study.standing import headline, meaning
from doe.words.study.state import (
    difference_plain,
    held_words,
    limits_command,
    rule_words,
    setting_error_words,
    target_words,
)
from doe.words.wording import amount_both, amount_range, listing, seconds_words


def step_command(study: Study, following: NextStep) -> str:
    """The command for what comes next."""
    if following.step == "limits" and (absent := missing(study)):
        return limits_command(study.name, absent)
    name = quoted(following.name or study.name)
    commands = {
        "limits": f"study limits {name}",
        "plan": f"plan {name} --coupons 20",
        "make": f"sheet {name} -o sheets" + (f" --round {following.round}" if following.round else ""),
        "recommend": f"recommend {name}",
        "washes": f"record {name} --washes",
        "feel": f"record {name} --coupon {following.coupon} --hand NAME=SCORE",
        "score": f"record {name}",
        "extend": f"extend {name} --coupons {following.coupons}",
        "confirm": f"confirm {name}",
        "compare": f"compare {name}",
        "report": f"report {name} -o report.html",
        "make_again": f"confirm {name} --replace",
        "confirmation_page": f"confirm {name} -o confirmation.html",
        "release": f"release {name} --as RECIPE --approved-by WHO",
        "card": f"recipe card {name} -o card.html",
        "history": f"report --recipe {name} -o why.html",
        "retire": f'recipe retire {name} --why "..."',
        "measure": f"gauge show {name}",
        "diagnose": f"diagnose --recipe {name}",
    }
    return f"doe {commands[following.step]}"


def standing_data(known: StudyStanding, shown: Shown) -> dict[str, str]:
    """What is known of a study for ``--json``."""
    return {"state": known.state, "headline": headline(known, shown), "meaning": meaning(known, shown)}


def factor_table(factors: tuple[Factor, ...], shown: Shown) -> Table:
    """Factors with range, setting error and step in the user's units; known settings with their one value."""
    if all(f.fixed for f in factors):
        known = [(f.name, amount_both(f, f.low, shown), setting_error_words(f, shown)) for f in factors]
        return Table(("setting", "surface", "setting error"), known, right=("setting error",))
    rows = []
    for f in factors:
        if f.is_categorical:
            rows.append((f.name, " / ".join(f.levels), "", "", "one setting for all" if f.endured else ""))
            continue
        rows.append(
            (
                f.name,
                amount_range(f, f.low, f.high, shown),
                setting_error_words(f, shown),
                difference_plain(f.step or 0, f.unit, shown),
                ", ".join(filter(None, (ON_SURFACE if f.unit == "degC" else "", _told_of(f)))),
            )
        )
    return Table(("factor", "range", "setting error", "step", ""), rows, right=("setting error", "step"))


def _told_of(factor: Factor) -> str:
    slow = "slow to change"
    return slow if factor.hard_to_change else seconds_words(factor.heated_mm, factor.low, factor.high)


def limits_table(study: Study, shown: Shown) -> Table:
    """Every needed limit with its source, or that it is missing."""
    known = study.limits or Limits()
    rows = []
    for name in needed_limits(study.factors):
        value = getattr(known, name)
        text = "MISSING" if value is None else typed.limit_text(name, value, shown)
        rows.append(
            (LIMIT_OPTIONS[name], text, known.sources.get(name, "") if value is not None else LIMIT_LABELS[name])
        )
    return Table(("limit", "value", "source"), rows, is_list=True)


def change_blocks(done: Changed, shown: Shown) -> Iterator[Block]:
    """What was changed of a study, what becomes of its coupons, and which recipes are in doubt because of it."""
    now = done.record.study
    yield from study_changes(done.was, now, shown)
    yield from (
        Warn(worded(found, texts_of("said_of_limits", "outside"), reader_of(now, shown))) for found in done.said
    )
    yield from (Warn(text) for text in range_notes(now))
    yield from doubt_blocks(done.in_doubt)


def range_notes(study: Study) -> tuple[str, ...]:
    """That a range reaches beyond a limit, where one does."""
    if not study.beyond_limits:
        return ()
    if study.known is not None:
        return () if (broken := known_beyond(study)) is None else (str(broken),)
    names = listing([study.factor(name).label for name in study.beyond_limits])
    return (f"The range of {names} reaches beyond a limit: nothing is planned or recommended there.",)


def doubt_blocks(recipes: Sequence[KeptRecipe]) -> Iterator[Block]:
    """Recipes that lie beyond a limit which was just stated, and what to do about each."""
    for kept in recipes:
        recipe = kept.recipe
        yield Warn(
            f"Recipe {recipe.name}, revision {recipe.revision}, lies beyond a limit and is in doubt from now on: stop "
            "working by it, take its cards down."
        )
        yield Commands((f'doe recipe retire {quoted(recipe.name)} --why "..."',))


def describe(record: StudyRecord, shown: Shown) -> list[Block]:
    """A study for a person: target, factors, limits, held settings, forbidden combinations, warnings."""
    study = record.study
    blocks: list[Block] = [
        *((f"Known settings, from {study.known}; not searched for.",) if study.known is not None else ()),
        target_words(study.spec),
        factor_table(study.factors, shown),
        limits_table(study, shown),
    ]
    if study.held:
        blocks.append(f"\n{held_words(study.held, shown)}")
    blocks += [f"Never made: {rule_words(study, rule, shown)}." for rule in study.forbidden]
    blocks += [Warn(text) for text in range_notes(study)]
    blocks += [Warn(text) for text in range_warnings(study, record.stack, today(), shown)]
    return blocks
