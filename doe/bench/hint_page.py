"""The early look as a page: what it is, what it is not, and where settings may lie."""

from __future__ import annotations

from doe.acts.scoring.making import Making, washes
from doe.acts.scoring.progress import LEAST_FOR_HINT
from doe.bench.hints import Seen
from doe.bench.views import Frame, HintPage, SettingRow
from doe.domain.units import Shown
from doe.words.wording import amount_both, count, listing, percent, range_both, stated

LABEL = "A hint, not a verdict. It may still move far. Settings are decided by doe recommend, when the round is scored."


def hint_page(making: Making, frame: Frame, seen: Seen | None, scored: int, shown: Shown) -> HintPage:
    """View-model of the early look; ``seen`` is None while too few coupons are scored."""
    if seen is None:
        left = LEAST_FOR_HINT - scored
        said = f"{count(scored, 'coupon')} scored; from {LEAST_FOR_HINT} on there is a hint here. {left} to go."
        return HintPage(frame, LABEL, (said,), (), False)
    if seen.none:
        return HintPage(frame, LABEL, (seen.none,), (), False)
    if seen.hint is None:
        return HintPage(frame, LABEL, ("It is being computed, which takes some seconds. Scoring goes on.",), (), True)
    hint = seen.hint
    lines = [f"From {count(hint.coupons, 'scored coupon')}, {hint.passed} of them passed."]
    if seen.is_waiting:
        lines.append("Newer scores are there; the hint is being computed again.")
    if not hint.learned:
        lines.append("So far the fit knows little more than the share that passes: take no setting from it.")
    unwashed = len(washes(making))
    if unwashed:
        lines.append(f"{count(unwashed, 'coupon')} not washed yet count as passed: it may look too good.")
    whole = "pass every check (hand-feel was not scored yet)" if hint.checks_only else "meet the whole target"
    lines.append(
        f"At the settings below about {percent(hint.pass_rate)} of prints are expected to {whole}; with "
        f"{stated(hint.assurance)} assurance at least {_floor(hint.pass_rate_low)}."
    )
    if hint.unvaried:
        lines.append(f"No range around them is given: so far the coupons hardly vary {listing(hint.unvaried)}.")
    elif not hint.window:
        lines.append("No range around them holds the target yet.")
    rows = []
    for f in making.record.study.factors:
        bounds = hint.window.get(f.name)
        around = f"target expected to hold from {range_both(f, *bounds, shown)}" if bounds is not None else ""
        rows.append(SettingRow(f.label, amount_both(f, hint.settings[f.name], shown), "", around))
    return HintPage(frame, LABEL, tuple(lines), tuple(rows), seen.is_waiting)


def _floor(share: float) -> str:
    """A lower bound in percent, rounded down: rounding up would promise more than it holds."""
    return f"{int(share * 100 + 1e-6)} %"
