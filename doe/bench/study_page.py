"""The pages of a study: what is next at oven and press, the wash queue, all coupons, and the early look."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, get_args

from doe.acts.scoring.making import LEAST_FOR_HINT, Coupon, Making, Repeats, Wash, repeats_of, scored_of, washes
from doe.acts.study.rounds import PEEL_WAIT
from doe.bench.shop import Shop
from doe.bench.state import Seen
from doe.bench.views import Card, Frame, Group, Hidden, HintPage, Link, ListPage, MachinesPage, SettingRow, Timer
from doe.bench.web import coupon_url
from doe.domain.errors import InputError, quoted
from doe.domain.factors import KNOWN_FACTORS, Factor, Stage, usual_factor
from doe.domain.plan_kinds import learning_rounds
from doe.domain.units import Shown, show
from doe.words.cautions import NOT_CHECKED
from doe.words.gauges.dials import Dialled
from doe.words.press import KINDS, MATERIALS, drift, minutes_words, told
from doe.words.study.standing import frame as frame_of
from doe.words.study.standing import headline
from doe.words.wording import (
    amount,
    amount_beside,
    amount_range,
    at_least_of_hundred,
    held,
    local,
    percent,
    stated,
)
from reports.sheet.page import SheetDials

if TYPE_CHECKING:
    from doe.assure.gauges.line import GaugedLine
    from reports.sheet.page import SheetPage

_WAITS = {
    "cure": ("cure_time",),
    "press": ("cooling_gap", "dwell", PEEL_WAIT, "second_press_time"),
}


def next_card(shop: Shop, making: Making, stage: Stage) -> Card | None:
    """The next step at a machine; None when nothing waits there.

    A step whose sheet may not be printed, because a dial would have to be set where a machine must not go, is not
    offered either: the card says why.
    """
    queue = making.queue(stage)
    if not queue:
        return None
    first = queue[0]
    mine = (first,) if stage == "cure" else tuple(c for c in making.stroke_of(first) if not c.is_pressed)
    more = len(queue) - len(mine)
    card = Card(
        told(f"card_{stage}"),
        told("card_round", round=first.round),
        told("card_more", more=more) if more else told("card_last"),
        tuple(Link(c.name, coupon_url(making.record.id, c.name), _pair(c)) for c in mine),
    )
    try:
        sheet = _sheet(shop, making, first.round)
    except InputError as error:
        return replace(card, stop=str(error))
    batch, settle, step = card.batch, "", "cured" if stage == "cure" else "pressed"
    for made in () if sheet is None else sheet.cure_batches if stage == "cure" else sheet.press_batches:
        rows = [row.coupon for row in made.rows]
        if first.name in rows:
            batch = told("card_batch", batch=made.title, round=first.round)
            settle = made.settle if rows[0] == first.name else ""
    return replace(
        card,
        batch=batch,
        settle=settle,
        dials=tuple(dials_of(making, first, stage, shop.shown, shop.gauged(making))),
        facts=tuple(_facts(making, mine, stage)),
        key=tuple(_key(mine)) if stage == ("cure" if making.has_cure else "press") else (),
        timers=tuple(_timers(making, mine, stage, shop.shown)),
        waits=_waits(making, sheet) if sheet is not None and stage == "press" else (),
        button=told(f"{step}_all" if len(mine) > 1 else step, coupons=len(mine)),
        fields=(Hidden("step", step), *(Hidden("coupon", c.name) for c in mine)),
    )


def _sheet(shop: Shop, making: Making, number: int) -> SheetPage | None:
    """The bench sheet of a round, for its words; None where no plan says in which order it is made."""
    needed = {"cure_batch", "press_batch", "cure_order", "press_order"}
    is_planned = all(needed <= c.place.keys() for c in making.coupons if c.round == number)
    return shop.sheet(making, number) if is_planned else None


def dials_of(
    making: Making, coupon: Coupon, stage: Stage | None, shown: Shown, gauged: GaugedLine | None = None
) -> Iterator[SettingRow]:
    """Settings of a coupon at one machine, or at both; what the machine is set to where its readings tell."""
    study = making.record.study
    dials = SheetDials(study, gauged, shown)
    for f in study.factors:
        if stage in (None, f.stage) and not (making.waits and f.name == PEEL_WAIT):
            yield _dial(f, coupon.settings[f.name], dials)
    waits = _WAITS[stage] if stage is not None else ()  # those of this machine stand among the countdowns
    for name, value in study.held.items():
        known = None if making.waits and name == PEEL_WAIT else KNOWN_FACTORS.get(name)
        if known and known.unit and stage in (None, known.stage) and name not in waits and not isinstance(value, str):
            yield _dial(usual_factor(name), value, dials, is_held=True)


def _dial(f: Factor, value: float | str, dials: SheetDials, *, is_held: bool = False) -> SettingRow:
    """One setting: on the display of its machine where readings tell, else as it is, and then that is said."""
    made = None if isinstance(value, str) else dials.of(f.name, float(value))
    if made is not None:
        value, more = made.dial_degc, told("on_display", surface=made.surface)
    else:
        gauge = dials.gauged.gauge_of(f.name) if dials.gauged is not None else None
        more = NOT_CHECKED if gauge is not None and not (gauge.as_dialled and gauge.readings) else ""
    other = amount_beside(f, value, dials.shown)
    more = "; ".join(text for text in ("held" if is_held else "", more) if text)
    return SettingRow(f.label, amount(f, value, dials.shown), other, more, is_held)


def _timers(making: Making, coupons: tuple[Coupon, ...], stage: Stage, shown: Shown) -> Iterator[Timer]:
    """Countdowns of one step; where two films have waits of their own, one for each."""
    study, first = making.record.study, coupons[0]
    for name in _WAITS[stage]:
        label = study.factor(name).label if name in study.factor_names else KNOWN_FACTORS[name].label
        key = f"{making.key_of(first)}/{name}"
        if name == PEEL_WAIT and making.waits:
            yield from _peel_timers(making, coupons, label, key, shown)
            continue
        value = first.settings.get(name, study.held.get(name))
        if isinstance(value, (int, float)) and value > 0:
            yield Timer(key, label, show(float(value), "s", shown), f"{float(value):g}")


def _peel_timers(making: Making, coupons: tuple[Coupon, ...], label: str, key: str, shown: Shown) -> Iterator[Timer]:
    """A countdown for each coupon; by codes one for each film, and the key says which coupon is of which."""
    by_codes = not any(c.material for c in coupons)
    each = (
        [(told("peel_one_film"), seconds) for seconds in sorted(making.waits.values())]
        if by_codes
        else [(c.name, making.waits[c.material]) for c in coupons if c.material in making.waits]
    )
    for number, (about, seconds) in enumerate(each, 1):
        if seconds > 0:
            yield Timer(f"{key}/{number}", f"{label}, {about}", show(seconds, "s", shown), f"{seconds:g}")


def _waits(making: Making, sheet: SheetPage) -> tuple[str, ...]:
    """Waits that have no length of their own in this study, in the words of the bench sheet."""
    study = making.record.study
    words = {"cooling_gap": "Cooling gap", PEEL_WAIT: "Peel"}
    said = {*study.factor_names, *study.held} - ({PEEL_WAIT} if making.waits else set())
    open_ended = tuple(word for name, word in words.items() if name not in said)
    return tuple(line for line in sheet.waits if line.startswith(open_ended))


def _facts(making: Making, coupons: tuple[Coupon, ...], stage: Stage) -> Iterator[str]:
    kind = KINDS.get(making.kind_of(coupons[0].round))
    if kind:
        yield kind
    if len(coupons) > 1:
        yield told("one_stroke", coupons=[c.name for c in coupons])
    if any(c.material for c in coupons):
        yield told("by_number")
    elif any("pair" in c.place for c in coupons):
        yield told("by_key")
    uncured = [c.name for c in coupons if not c.is_cured] if stage == "press" and making.has_cure else []
    if uncured:
        yield told("uncured", coupons=uncured)


def _pair(coupon: Coupon) -> str:
    """The pair of a coupon of a comparison, and nothing of its material: whoever makes it may score it too."""
    pair = coupon.place.get("pair")
    return "" if pair is None else told("pair", pair=int(float(str(pair))))


def _key(coupons: Iterable[Coupon]) -> Iterator[str]:
    """Which coupon is of which material, for the machine where coupons are made of it; none where codes hide it."""
    for c in coupons:
        if c.material:
            yield f"{c.name}: {MATERIALS.get(c.material, c.material)}"


MOST_LISTED = 8
_STAGES: tuple[Stage, ...] = get_args(Stage)


def study_page(shop: Shop, making: Making, frame: Frame, *, now: datetime) -> MachinesPage:
    """View-model of a study's page; ``now`` is the reader's clock."""
    record, known = making.record, shop.standing(making)
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
        standing=headline(known, shop.shown),
        standing_kind=frame_of(known),
        kinds=tuple(
            f"{told('card_round', round=r.round)}. {KINDS[r.kind]}" for r in making.info.rounds if r.kind in KINDS
        ),
        cards=cards,
        rest=() if cards else tuple(_rest(shop, making, names_next=not frame.is_whole)),
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


def _rest(shop: Shop, making: Making, *, names_next: bool) -> Iterator[str]:
    """What there is to do when nothing waits at the machines; the next command is not named where a page does it."""
    if making.coupons:
        yield told("all_made" if any("press_order" in c.place for c in making.coupons) else "unplanned")
    if not names_next:
        return
    following = shop.standing(making).steps[0]
    name = quoted(following.name or making.record.name)
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
        yield told("left", each=left)
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
    return local(wash.due) < midnight


def wash_page(making: Making, frame: Frame, *, now: datetime) -> ListPage:
    """View-model of the wash queue."""
    groups: dict[str, list[Link]] = {}
    for wash in washes(making):
        words = told("wash_later" if wash.due > now else "wash_next", check=wash.check.label, due=wash.due)
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


def hint_page(making: Making, frame: Frame, seen: Seen | None, scored: int, shop: Shop) -> HintPage:
    """View-model of the early look, the dial first; ``seen`` is None while too few coupons are scored."""
    if seen is None:
        lines = [told("hint_early", scored=scored, least=LEAST_FOR_HINT, missing=LEAST_FOR_HINT - scored)]
        return HintPage(frame, tuple(lines))
    if seen.hint is None:
        return HintPage(frame, (seen.none or told("hint_coming"),), is_waiting=not seen.none)
    hint = seen.hint
    lines = [told("hint_from", coupons=hint.coupons, passed=hint.passed)]
    if seen.is_waiting:
        lines.append(told("hint_old"))
    if hint.look_again:
        lines.append(told("hint_distrusted", names=hint.look_again))
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
        lines.append(told("hint_unvaried", labels=hint.unvaried))
    elif not hint.window:
        lines.append(told("hint_no_range"))
    rows, study, gauged = [], making.record.study, shop.gauged(making)
    for f in study.factors:
        value, bounds = hint.settings[f.name], hint.window.get(f.name)
        row = _dial(f, value, SheetDials(study, gauged, shop.shown))
        if bounds is not None:
            ends = amount_range(f, *bounds, shop.shown)
            if gauged is not None:
                ends = Dialled(study, gauged, shop.shown).span(f, *bounds, float(value))
            row = replace(row, more="; ".join(filter(None, (row.more, told("hint_range", span=ends)))))
        rows.append(row)
    return HintPage(frame, tuple(lines), tuple(rows), seen.is_waiting)
