"""`doe day`: the first article of a day, a shift or a lot against a recipe."""

from __future__ import annotations

from collections.abc import Sequence

from doe.acts.recipe.days import clear_doubt, days_of, keep_day, take_back_day
from doe.acts.recipe.recipes import find_recipe
from doe.assure.days import Days, Given
from doe.cli.desk import Block, Desk, Reply, Table, Warn, command
from doe.domain.errors import InputError, quoted
from doe.domain.recipe import Recipe
from doe.domain.units import Shown
from doe.words import typed
from doe.words.cautions import FOOTER
from doe.words.recipe.days import cleared_words, count_words, judged_words, kept_words, rule_words, wanted_words
from doe.words.wording import day as day_words


@command("day")
def day(
    desk: Desk,
    recipe: str,
    prints: int | None = None,
    fail: Sequence[str] = (),
    current: Sequence[str] = (),
    surface: Sequence[str] = (),
    lot: str = "",
    note: str = "",
    explained: str = "",
    take_back: str = "",
) -> Reply:
    """Keep the first article of a day, a shift or a lot, or show the run of them against what the recipe promises."""
    is_new = prints is not None
    if not is_new and (fail or current or surface or lot or note):
        raise InputError("--prints", "nothing", "1 to 3", "Say how many prints were made.")
    with desk.open(create=False) if is_new or explained or take_back else desk.look() as book:
        kept = find_recipe(book, recipe)
        found = days_of(book, kept) if not take_back else take_back_day(book, kept.recipe.name, take_back)
        if explained:
            found = clear_doubt(book, kept.recipe.name, explained)
        if prints is not None:
            given = Given(
                prints,
                len(fail),
                tuple(fail),
                _values(current, kept.recipe, "--set", desk.shown),
                _values(surface, kept.recipe, "--surface", desk.shown),
                lot,
                note,
            )
            found = keep_day(book, kept.recipe.name, given)
    name = quoted(kept.recipe.name)
    failed = is_new and found.articles[-1].given.failed
    following = [f"doe diagnose --recipe {name}"] if failed or found.doubt else []
    following += [f'doe day {name} --explained "what was wrong and is mended"'] if found.doubt else []
    following += [f"doe day {name}"] if is_new else [f"doe day {name} --prints 2"]
    return Reply(
        {
            "recipe": kept.recipe.name,
            "revision": kept.recipe.revision,
            "doubt": found.doubt,
            "rule": found.rule,
            "score": found.score,
            "articles": found.articles,
            "glances": found.glances,
        },
        [*([kept_words(found)] if is_new else []), *_blocks(found, desk.shown, with_run=not is_new)],
        following,
        more=["", *rule_words(found)] if is_new else [],
        is_once=is_new,
    )


def _blocks(found: Days, shown: Shown, *, with_run: bool) -> list[Block]:
    judged = judged_words(found, shown) if found.articles else ()
    is_fine = not found.doubt and not any(g.verdict for g in found.glances)
    is_fine = is_fine and not (found.articles and (found.articles[-1].off or found.articles[-1].given.failed))
    blocks: list[Block] = [*(judged if is_fine else map(Warn, judged))]
    if with_run:
        score = iter(found.score)
        rows = [
            (
                day_words(a.at),
                a.who,
                f"{a.given.prints - a.given.failed} of {a.given.prints}",
                "not the recipe's settings" if a.off else str(next(score)),
                ", ".join(a.given.seen),
            )
            for a in found.articles
        ]
        blocks += [count_words(found), *filter(None, [cleared_words(found)])]
        blocks += [Table(("day", "who", "passed", "score", "seen"), rows[::-1], is_list=True)] if rows else []
        blocks += [*rule_words(found)]
        settings = ", ".join(f"{s.label} {wanted_words(s, shown)}" for s in found.kept.recipe.settings)
        blocks.append(f"Dial in: {settings}.")
    return [*blocks, Warn(FOOTER)]


def _values(texts: Sequence[str], recipe: Recipe, where: str, shown: Shown) -> dict[str, float]:
    """Values by setting of the recipe, of texts such as ``press_temp=161C``."""
    names = {s.factor: (s.label,) for s in recipe.settings}
    found = {}
    for called, text in typed.pairs(texts, where, "press_temp=161C").items():
        s = recipe.setting(typed.name_of(called, names, where))
        if isinstance(s.surface, str):
            raise InputError(f"{where}, {called}", repr(text), "a setting with a number", "Leave it out.")
        found[s.factor] = typed.quantity(text, s.unit, f"{where} {s.factor}", shown)
    return found
