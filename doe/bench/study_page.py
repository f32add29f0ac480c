"""The page of a study: what is next at oven and press, what waits for scores and washes, how far it has come."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import datetime, timedelta

from doe.acts.scoring.making import Coupon, Making, Wash, washes
from doe.acts.scoring.progress import LEAST_FOR_HINT, Repeats, repeats_of, scored_of
from doe.bench.cards import held_words, next_card
from doe.bench.pages import act_url, coupon_url
from doe.bench.shop import Shop
from doe.bench.views import Frame, Group, Link, ListPage, MachinesPage
from doe.domain.factors import Stage
from doe.domain.plan_kinds import learning_rounds
from doe.words import press
from doe.words.dates import day_and_time, local
from doe.words.wording import count

MOST_LISTED = 8


def study_page(shop: Shop, making: Making, frame: Frame, *, now: datetime) -> MachinesPage:
    """View-model of a study's page; ``now`` is the reader's clock."""
    record = making.record
    cards = [card for card in (next_card(shop, making, "cure"), next_card(shop, making, "press")) if card is not None]
    scores = making.to_score
    shown = tuple(Link(c.name, coupon_url(record.id, c.name)) for c in scores[:MOST_LISTED])
    more = (Link(f"{len(scores) - MOST_LISTED} more", act_url("list", record.id)),) if len(scores) > MOST_LISTED else ()
    waiting = washes(making)
    return MachinesPage(
        frame=frame,
        news=act_url("news", record.id),
        version=version_of(making),
        stack_line=f"{record.stack.name}, on {record.line.name}",
        kinds=tuple(f"Round {r.round}. {words}" for r in making.info.rounds if (words := press.KINDS.get(r.kind))),
        cards=tuple(cards),
        rest=_rest(making, bool(cards)),
        to_score=(*shown, *more),
        none_to_score="" if scores else "No coupon waits for its first scores.",
        done=sum(c.is_scored or bool(c.void) for c in making.coupons),
        total=len(making.coupons),
        progress=tuple(_progress(shop, making)),
        drift=tuple(drift_words(repeats_of(making))),
        wash=_wash_link(record.id, waiting, now),
        displays=shop.cautions(making) if cards else (),
        more=tuple(_more(making)),
    )


def _more(making: Making) -> Iterator[Link]:
    yield Link("All coupons", act_url("list", making.record.id))
    if looks_for_settings(making):
        yield Link("Early look", act_url("hint", making.record.id), _hint_words(making))


def version_of(making: Making) -> str:
    """Text that changes when another coupon is next somewhere: a device that shows an old queue makes it twice."""
    queues = (making.queue("cure"), making.queue("press"), making.to_score)
    names = "|".join(",".join(c.name for c in queue) for queue in queues)
    return hashlib.sha256(names.encode()).hexdigest()[:16]


def _rest(making: Making, has_cards: bool) -> str:
    if not making.coupons:
        return press.NO_PLAN
    if has_cards:
        return ""
    if any("press_order" in c.place for c in making.coupons):
        return press.ALL_MADE
    return press.UNPLANNED


def _progress(shop: Shop, making: Making) -> Iterator[str]:
    void = sum(bool(c.void) for c in making.coupons)
    scored = sum(c.is_scored and not c.void for c in making.coupons)
    yield press.progress(scored, len(making.coupons), void)
    parts = []
    machines: tuple[tuple[Stage, str], ...] = (("cure", "oven"), ("press", "press"))
    for stage, machine in machines:
        left = shop.left(making, stage)
        if left.coupons:
            parts.append(press.left_at(left.coupons, machine, left.minutes))
    if parts:
        yield press.left(parts)
    yield from (f"{text} for every coupon." for text in held_words(making, shop.shown))


def drift_words(repeats: Repeats) -> Iterator[str]:
    """What the repeated centre coupons say so far."""
    change = None
    if repeats.change is not None and repeats.low is not None and repeats.high is not None:
        change = (repeats.change, repeats.low, repeats.high)
    each = [(c.name, c.has_failed, _mean_hand(c)) for c in repeats.scored]
    return press.drift(each, repeats.planned, change=change, has_moved=repeats.has_moved)


def _mean_hand(coupon: Coupon) -> float | None:
    values = list(coupon.hands.values())
    return sum(values) / len(values) if values else None


def looks_for_settings(making: Making) -> bool:
    """Whether any round of the study searches for settings; a comparison of materials does not."""
    return bool(learning_rounds(making.info.rounds)) or not making.info.rounds


def _hint_words(making: Making) -> str:
    scored = scored_of(making)
    if scored >= LEAST_FOR_HINT:
        return "where good settings may lie; no verdict"
    return f"from {LEAST_FOR_HINT} scored coupons on; {scored} now"


def _wash_link(study: int, waiting: tuple[Wash, ...], now: datetime) -> Link | None:
    if not waiting:
        return None
    due = sum(is_due_today(w, now) for w in waiting)
    return Link(
        f"{count(due, 'coupon')} due today" if due else "None due today",
        act_url("wash", study),
        f"{count(len(waiting), 'coupon')} in the wash queue",
    )


def is_due_today(wash: Wash, now: datetime) -> bool:
    """Whether a coupon may be washed before this day ends on the reader's clock."""
    midnight = now.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
    return wash.due is None or local(wash.due) < midnight


def wash_page(making: Making, frame: Frame, *, now: datetime) -> ListPage:
    """View-model of the wash queue."""
    study = making.record.id

    def link(wash: Wash) -> Link:
        when = "" if wash.due is None else f", not before {day_and_time(local(wash.due), now)}"
        ready = wash.due is None or local(wash.due) <= now
        words = f"next: {wash.check.label}{'' if ready else when}"
        return Link(wash.coupon.name, coupon_url(study, wash.coupon.name, wash="1"), words)

    waiting = washes(making)
    today = tuple(link(w) for w in waiting if is_due_today(w, now))
    later = tuple(link(w) for w in waiting if not is_due_today(w, now))
    groups = tuple(Group(h, items) for h, items in (("Due today", today), ("Later", later)) if items)
    return ListPage(
        frame,
        (
            "Wait at least 24 h after pressing, the same for every coupon, then wash and dry them all the same way "
            "(common practice, no source). Write down the procedure once: programme, temperature, detergent, drying.",
        ),
        groups,
        "" if groups else "No coupon waits for a wash.",
    )


def list_page(making: Making, frame: Frame) -> ListPage:
    """View-model of the list of all coupons, by round. It shows no settings: who scores should not know them."""
    groups = []
    for made in making.info.rounds:
        mine = [c for c in making.coupons if c.round == made.round]
        links = tuple(Link(c.name, coupon_url(making.record.id, c.name), status_words(making, c)) for c in mine)
        groups.append(Group(f"Round {made.round}", links))
    return ListPage(frame, (), tuple(groups), "" if groups else "No coupon is planned yet.")


def status_words(making: Making, coupon: Coupon) -> str:
    """Where a coupon is."""
    if coupon.void:
        return f"void: {coupon.void}"
    if coupon.has_failed:
        return "failed"
    if coupon.is_scored:
        if coupon.misses(making.checks_now):
            return "scored in part"
        return "passed so far, waits for a wash" if coupon.misses(making.checks_later) else "passed"
    if coupon.is_pressed or "press_order" not in coupon.place:
        return "waits for its scores"
    return "cured, waits for the press" if coupon.is_cured and making.has_cure else "not made yet"
