"""The pages of a study: what is next at oven and press, the wash queue, all coupons, and the early look."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import get_args

from doe.acts.scoring.making import Making, Wash, washes
from doe.acts.scoring.progress import LEAST_FOR_HINT, Repeats, repeats_of, scored_of
from doe.bench.cards import next_card
from doe.bench.hints import Seen
from doe.bench.pages import coupon_url
from doe.bench.shop import Shop
from doe.bench.views import Frame, Group, HintPage, Link, ListPage, MachinesPage, SettingRow
from doe.domain.factors import Stage
from doe.domain.plan_kinds import learning_rounds
from doe.domain.texts import quoted
from doe.domain.units import Shown
from doe.words.dates import day_and_time, local
from doe.words.press import KINDS, drift, minutes_words, told
from doe.words.wording import amount_both, at_least_of_hundred, held, listing, percent, range_both, stated

MOST_LISTED = 8
_STAGES: tuple[Stage, ...] = get_args(Stage)


def study_page(shop: Shop, making: Making, frame: Frame, *, now: datetime) -> MachinesPage:
    """View-model of a study's page; ``now`` is the reader's clock."""
    record = making.record
    cards = tuple(card for stage in _STAGES if (card := next_card(shop, making, stage)) is not None)
    waiting = washes(making)
    due = sum(is_due_today(w, now) for w in waiting)
    scored = scored_of(making)
    ahead = told("hint_ready" if scored >= LEAST_FOR_HINT else "hint_ahead", scored=scored, least=LEAST_FOR_HINT)
    return MachinesPage(
        frame=frame,
        version=version_of(making),
        stack=record.stack.name,
        line=record.line.name,
        kinds=tuple(
            f"{told('card_round', round=r.round)}. {KINDS[r.kind]}" for r in making.info.rounds if r.kind in KINDS
        ),
        cards=cards,
        rest=() if cards else tuple(_rest(shop, making)),
        to_score=tuple(Link(c.name, coupon_url(record.id, c.name)) for c in making.to_score[:MOST_LISTED]),
        unlisted=max(0, len(making.to_score) - MOST_LISTED),
        done=sum(c.is_scored or bool(c.void) for c in making.coupons),
        total=len(making.coupons),
        progress=tuple(_progress(shop, making)),
        drift=tuple(drift_words(repeats_of(making))),
        due=told("due_today" if due else "due_none", coupons=due),
        washing=told("in_wash", coupons=len(waiting)) if waiting else "",
        displays=shop.cautions(making) if cards else (),
        hint=ahead if looks_for_settings(making) else "",
    )


def version_of(making: Making) -> str:
    """Text that changes when another coupon is next somewhere: a device that shows an old queue makes it twice."""
    queues = (making.queue("cure"), making.queue("press"), making.to_score)
    names = "|".join(",".join(c.name for c in queue) for queue in queues)
    return hashlib.sha256(names.encode()).hexdigest()[:16]


def _rest(shop: Shop, making: Making) -> Iterator[str]:
    """What there is to do when nothing waits at the machines."""
    if making.coupons:
        yield told("all_made" if any("press_order" in c.place for c in making.coupons) else "unplanned")
    following = shop.next_step(making)
    name = quoted(making.record.name)
    yield told(f"next_{following.step}", name=name, coupons=following.coupons, coupon=following.coupon)


def _progress(shop: Shop, making: Making) -> Iterator[str]:
    void = sum(bool(c.void) for c in making.coupons)
    scored = sum(c.is_scored and not c.void for c in making.coupons)
    yield told("progress_void" if void else "progress", scored=scored, coupons=len(making.coupons), void=void)
    left = [
        told(f"left_{stage}", coupons=len(queue), time=minutes_words(shop.minutes_left(making, stage)))
        for stage in _STAGES
        if (queue := making.queue(stage))
    ]
    if left:
        yield told("left", each=listing(left))
    for name, value in making.record.study.held.items():
        if isinstance(value, str):  # such as a peel mode
            label, words = held(name, value, shop.shown)
            yield told("held", label=label, value=words)


def drift_words(repeats: Repeats) -> Iterator[str]:
    """What the repeated centre coupons say so far."""
    return drift([(c.name, c.has_failed, c.mean_hand) for c in repeats.scored], repeats.planned, repeats.change)


def looks_for_settings(making: Making) -> bool:
    """Whether any round of the study searches for settings; a comparison of materials does not."""
    return bool(learning_rounds(making.info.rounds)) or not making.info.rounds


def is_due_today(wash: Wash, now: datetime) -> bool:
    """Whether a coupon may be washed before this day ends on the reader's clock."""
    midnight = now.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
    return wash.due is None or local(wash.due) < midnight


def wash_page(making: Making, frame: Frame, *, now: datetime) -> ListPage:
    """View-model of the wash queue."""
    groups: dict[str, list[Link]] = {}
    for wash in washes(making):
        due = local(wash.due) if wash.due is not None else now
        words = told("wash_later" if due > now else "wash_next", check=wash.check.label, due=day_and_time(due, now))
        heading = told("wash_group_today" if is_due_today(wash, now) else "wash_group_later")
        url = f"{coupon_url(making.record.id, wash.coupon.name)}?wash=1"
        groups.setdefault(heading, []).append(Link(wash.coupon.name, url, words))
    return ListPage(frame, tuple(Group(heading, tuple(links)) for heading, links in groups.items()))


def list_page(making: Making, frame: Frame) -> ListPage:
    """View-model of the list of all coupons, by round. It shows no settings: who scores should not know them."""
    groups: dict[int, list[Link]] = {}
    for c in making.coupons:
        status = told(f"is_{making.status_of(c)}", why=c.void)
        groups.setdefault(c.round, []).append(Link(c.name, coupon_url(making.record.id, c.name), status))
    return ListPage(
        frame, tuple(Group(told("card_round", round=number), tuple(links)) for number, links in groups.items())
    )


def hint_page(making: Making, frame: Frame, seen: Seen | None, scored: int, shown: Shown) -> HintPage:
    """View-model of the early look; ``seen`` is None while too few coupons are scored."""
    if seen is None:
        lines = [told("hint_early", scored=scored, least=LEAST_FOR_HINT, missing=LEAST_FOR_HINT - scored)]
        return HintPage(frame, tuple(lines))
    if seen.hint is None:
        return HintPage(frame, (seen.none or told("hint_coming"),), is_waiting=not seen.none)
    hint = seen.hint
    lines = [told("hint_from", coupons=hint.coupons, passed=hint.passed)]
    if seen.is_waiting:
        lines.append(told("hint_old"))
    if not hint.learned:
        lines.append(told("hint_unlearned"))
    unwashed = len(washes(making))
    if unwashed:
        lines.append(told("hint_unwashed" if unwashed > 1 else "hint_unwashed_one", coupons=unwashed))
    lines.append(
        told(
            "hint_rate_checks" if hint.checks_only else "hint_rate",
            rate=percent(hint.pass_rate),
            assurance=stated(hint.assurance),
            low=at_least_of_hundred(hint.pass_rate_low),
        )
    )
    if hint.unvaried:
        lines.append(told("hint_unvaried", labels=listing(hint.unvaried)))
    elif not hint.window:
        lines.append(told("hint_no_range"))
    rows = []
    for f in making.record.study.factors:
        bounds = hint.window.get(f.name)
        around = told("hint_range", span=range_both(f, *bounds, shown)) if bounds is not None else ""
        rows.append(SettingRow(f.label, amount_both(f, hint.settings[f.name], shown), "", around))
    return HintPage(frame, tuple(lines), tuple(rows), seen.is_waiting)
