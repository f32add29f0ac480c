"""First articles of a day in words: what one says, what the rule is, how far the run has come."""

from __future__ import annotations

from collections.abc import Sequence

from doe.assure.days import HORIZON, TWICE, Article, Days, Glances
from doe.domain.recipe import RecipeSetting
from doe.domain.units import METRIC, Shown, show_both
from doe.words.facts import Reader, filled, texts_of


def machine_of(factor: str) -> str:
    """The machine at which a temperature of a recipe is set."""
    return "oven" if factor.startswith("cure") else "press"


def kept_words(days: Days) -> str:
    """That the last article was kept."""
    given = days.articles[-1].given
    return filled(_SAID["kept"], passed=given.prints - given.failed, prints=given.prints)


def judged_words(days: Days, shown: Shown = METRIC) -> tuple[str, ...]:
    """What the last article and the run say, the most urgent first; that all is well where nothing is wrong."""
    return (*doubt_words(days, shown), *_last_words(days, shown)) or (_SAID["fine"],)


def doubt_words(days: Days, shown: Shown = METRIC) -> tuple[str, ...]:
    """What puts the recipe in doubt, or asks for another glance."""
    said = []
    rule = days.rule
    if days.doubt == "prints":
        told = {"promised": rule.promised, "score": days.score[-1], "limit": rule.limit}
        said.append(filled(_SAID["prints"], **told))
    return (*said, *(_glance_words(g, shown) for g in days.glances if g.verdict))


def _glance_words(found: Glances, shown: Shown) -> str:
    told = {"machine": machine_of(found.factor), "off": found.off[-1], "u": found.u}
    return filled(_SAID[found.verdict], Reader(shown), **told)


def _last_words(days: Days, shown: Shown) -> tuple[str, ...]:
    if not days.articles:
        return ()
    last, said = days.articles[-1], []
    if last.given.failed:
        seen = filled(_SAID["after"], seen=last.given.seen) if last.given.seen else ""
        said.append(filled(_SAID["failed"], failed=last.given.failed, prints=last.given.prints, seen=seen))
    for name in last.off:
        s = days.kept.recipe.setting(name)
        value = show_both(last.given.dialled[name], s.unit, shown)
        said.append(filled(_SAID["off"], label=s.label.capitalize(), value=value, wanted=wanted_words(s, shown)))
    return tuple(said)


def wanted_words(setting: RecipeSetting, shown: Shown = METRIC) -> str:
    """What a recipe says to dial in."""
    value = setting.surface if setting.dial is None else setting.dial
    return value if isinstance(value, str) else show_both(value, setting.unit, shown)


def rule_words(days: Days) -> tuple[str, str]:
    """The rule with its exact error rates, and the one about glances."""
    told = {name: getattr(days.rule, name) for name in ("up", "limit", "promised", "wrong", "bad", "found")}
    return filled(_SAID["rule"], horizon=HORIZON, **told), filled(_SAID["glances"], twice=TWICE)


def count_words(days: Days) -> str:
    """How many articles of the revision are kept, and how many prints failed."""
    if not days.articles:
        return _SAID["none_since" if days.earlier else "none"]
    return filled(_SAID["count"], **_counted(days.articles))


def _counted(articles: Sequence[Article]) -> dict[str, int | str]:
    given = [a.given for a in articles]
    told: dict[str, int | str] = {"prints": sum(g.prints for g in given), "failed": sum(g.failed for g in given)}
    return {**told, "articles": len(given), "since": articles[0].at.isoformat()}


def cleared_words(days: Days) -> str:
    """By whom and why a doubt was explained, and how many articles were kept before; "" where none was."""
    if days.cleared is None:
        return ""
    at, who, why = days.cleared
    said = filled(_SAID["cleared"], day=at.isoformat(), who=who, why=why)
    return f"{said} {filled(_SAID['earlier'], **_counted(days.earlier))}" if days.earlier else said


def day_lines(days: Days, shown: Shown = METRIC) -> tuple[str, ...]:
    """Everything about the run in sentences: what puts it in doubt, how it went, by which rule."""
    said = (*doubt_words(days, shown), count_words(days), cleared_words(days), *rule_words(days))
    return tuple(text for text in said if text)


_SAID = texts_of("days", "said")
