"""The early look as a page: what it is, what it is not, and where settings may lie."""

from __future__ import annotations

from doe.acts.scoring.making import Making, washes
from doe.acts.scoring.progress import LEAST_FOR_HINT
from doe.bench.hints import Seen
from doe.bench.views import Frame, HintPage, SettingRow
from doe.domain.units import Shown
from doe.words import press as words
from doe.words.wording import amount_both, range_both


def hint_page(making: Making, frame: Frame, seen: Seen | None, scored: int, shown: Shown) -> HintPage:
    """View-model of the early look; ``seen`` is None while too few coupons are scored."""
    if seen is None:
        said = words.hint_too_early(scored, LEAST_FOR_HINT)
        return HintPage(frame, words.HINT_LABEL, (said,), (), False)
    if seen.none:
        return HintPage(frame, words.HINT_LABEL, (seen.none,), (), False)
    if seen.hint is None:
        return HintPage(frame, words.HINT_LABEL, (words.HINT_COMING,), (), True)
    hint = seen.hint
    lines = [words.hint_from(hint.coupons, hint.passed)]
    if seen.is_waiting:
        lines.append(words.HINT_OLD)
    if not hint.learned:
        lines.append(words.HINT_UNLEARNED)
    unwashed = len(washes(making))
    if unwashed:
        lines.append(words.hint_unwashed(unwashed))
    rate = words.hint_rate(hint.pass_rate, hint.pass_rate_low, hint.assurance, checks_only=hint.checks_only)
    lines.append(rate)
    if hint.unvaried:
        lines.append(words.hint_unvaried(hint.unvaried))
    elif not hint.window:
        lines.append(words.NO_RANGE)
    rows = []
    for f in making.record.study.factors:
        bounds = hint.window.get(f.name)
        around = f"target expected to hold from {range_both(f, *bounds, shown)}" if bounds is not None else ""
        rows.append(SettingRow(f.label, amount_both(f, hint.settings[f.name], shown), "", around))
    return HintPage(frame, words.HINT_LABEL, tuple(lines), tuple(rows), seen.is_waiting)
