"""What pages at the press say: their texts are in ``templates/press.toml``, and what depends on more is put here."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from doe.domain.plan_kinds import COMPARE, CONFIRM
from doe.domain.score import FieldValue
from doe.domain.study import Study
from doe.domain.units import Shown, rounded
from doe.symptoms.catalogue import WORDS
from doe.words.facts import filled, texts_of
from doe.words.wording import GRADED, HANDLED_ASKED, amount, count, score

KINDS = {
    CONFIRM: "Confirmation: these coupons check a setpoint already chosen; they do not look for better settings.",
    COMPARE: "Comparison: two materials side by side in the same press strokes.",
}
"""What a round is for when it does not look for settings."""
MATERIALS = {"new": "new material", "incumbent": "material in use"}
FACES = {"print": "print side", "back": "back"}


def told(code: str, /, **values: object) -> str:
    """The text of a code with its values.

    >>> told("due_today", coupons=1), told("due_today", coupons=3)
    ('1 coupon due today', '3 coupons due today')
    """
    return filled(texts_of("press")[code], **values)


def minutes_words(minutes: float) -> str:
    """Minutes in words, hours from two of them on.

    >>> minutes_words(0.4), minutes_words(59), minutes_words(134)
    ('1 minute', '59 minutes', '2 h 14 min')
    """
    whole = max(1, int(rounded(minutes)))
    return count(whole, "minute") if whole < 120 else f"{whole // 60} h {whole % 60} min"


def drift(
    repeats: Sequence[tuple[str, bool, float | None]], planned: int, change: tuple[float, float, float] | None
) -> Iterator[str]:
    """What the repeated centre coupons say so far, and how little that may be.

    Parameters
    ----------
    repeats : sequence of (coupon, failed, mean hand-feel or None)
        Those scored, in press order.
    planned : int
    change : (change, low, high) or None
        Of hand-feel from the first to the last, with its 95 % limits.
    """
    done = len(repeats)
    if done < 2:
        if planned >= 2:
            yield told("drift_ahead_one" if done == 1 else "drift_ahead", done=done, planned=planned)
        return
    each = [
        f"{name} {'failed' if failed else 'passed'}{'' if hand is None else f' (hand {score(hand)})'}"
        for name, failed, hand in repeats
    ]
    yield told("drift_each", each=each)
    differ = len({failed for _, failed, _ in repeats}) > 1
    if differ:
        yield told("drift_differ")
    if change is not None:
        moved, low, high = change
        yield told("drift_moved" if low > 0 or high < 0 else "drift_still", moved=moved, low=low, high=high)
    elif not differ:
        yield told("drift_both" if done == 2 else "drift_all", done=done)


def field_name(study: Study, field: str) -> str:
    """A field of a coupon."""
    kind, _, name = field.partition(":")
    if kind == "check":
        return f"check {name.replace('_', ' ')}"
    if kind == "hand":
        return f"hand-feel, {name}"
    if kind == "actual" and name in study.factor_names:
        return f"measured {study.factor(name).label}"
    return HANDLED_ASKED if field == "handled" else "symptom" if kind == "symptoms" else field


def field_value(study: Study, field: str, value: FieldValue, shown: Shown) -> str:
    """A stored or given value, a measured one with its unit."""
    kind, _, name = field.partition(":")
    if isinstance(value, bool):
        return "pass" if value else "fail"
    if kind == "actual" and name in study.factor_names and isinstance(value, (int, float)):
        return amount(study.factor(name), float(value), shown)
    if isinstance(value, tuple):
        return ", ".join(WORDS.labels.get(str(key), str(key)) for key in value)
    if value in (None, ""):
        return "nothing"
    if field == "grade":
        return GRADED.get(str(value), str(value))
    return f"{value:g}" if isinstance(value, float) else str(value)
