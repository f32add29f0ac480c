"""What is made next at oven and press: settings in large type, waits to count down, what changes before a batch."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from doe.acts.scoring.making import Coupon, Making
from doe.bench.pages import coupon_url
from doe.bench.views import Card, Hidden, Link, SettingRow, Timer
from doe.domain.errors import InputError
from doe.domain.factors import KNOWN_FACTORS, Factor, Stage, usual_factor
from doe.domain.units import Shown, show
from doe.words.gauges.cautions import NOT_CHECKED
from doe.words.press import KINDS, MATERIALS, told
from doe.words.wording import amount, listing, other_units
from reports.sheet.dials import SheetDials

if TYPE_CHECKING:
    from doe.assure.gauges.line import GaugedLine
    from doe.bench.shop import Shop
    from reports.sheet.page import SheetPage

_WAITS = {
    "cure": ("cure_time",),
    "press": ("cooling_gap", "dwell", "peel_wait", "second_press_time"),
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
        tuple(Link(c.name, coupon_url(making.record.id, c.name), _material(c)) for c in mine),
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
        timers=tuple(_timers(making, first, stage, shop.shown)),
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
        if stage is None or f.stage == stage:
            yield _dial(f, coupon.settings[f.name], dials)
    for name, value in study.held.items():
        known = KNOWN_FACTORS.get(name)
        if known is None or known.stage != (stage or known.stage) or not known.unit or isinstance(value, str):
            continue
        if stage is None or name not in _WAITS[stage]:  # a wait of this machine stands among the countdowns
            yield _dial(usual_factor(name), value, dials, is_held=True)


def _dial(f: Factor, value: float | str, dials: SheetDials, *, is_held: bool = False) -> SettingRow:
    """One setting: on the display of its machine where readings tell, else as it is, and then that is said."""
    made = None if isinstance(value, str) else dials.of(f.name, float(value))
    if made is not None:
        value, more = made.dial_degc, told("on_display", surface=made.surface)
    else:
        gauge = dials.gauged.gauge_of(f.name) if dials.gauged is not None else None
        more = NOT_CHECKED if gauge is not None and not (gauge.as_dialled and gauge.readings) else ""
    other = amount(f, value, other_units(dials.shown)) if f.is_temperature and not f.is_categorical else ""
    more = "; ".join(text for text in ("held" if is_held else "", more) if text)
    return SettingRow(f.label, amount(f, value, dials.shown), other, more, is_held)


def _timers(making: Making, coupon: Coupon, stage: Stage, shown: Shown) -> Iterator[Timer]:
    study = making.record.study
    for name in _WAITS[stage]:
        value = coupon.settings.get(name, study.held.get(name))
        if isinstance(value, (int, float)) and value > 0:
            label = study.factor(name).label if name in study.factor_names else KNOWN_FACTORS[name].label
            key = f"{making.key_of(coupon)}/{name}"
            yield Timer(key, label, show(float(value), "s", shown), f"{float(value):g}")


def _waits(making: Making, sheet: SheetPage) -> tuple[str, ...]:
    """Waits that have no length of their own in this study, in the words of the bench sheet."""
    study = making.record.study
    words = {"cooling_gap": "Cooling gap", "peel_wait": "Peel"}
    open_ended = tuple(word for name, word in words.items() if name not in {*study.factor_names, *study.held})
    return tuple(line for line in sheet.waits if line.startswith(open_ended))


def _facts(making: Making, coupons: tuple[Coupon, ...], stage: Stage) -> Iterator[str]:
    kind = KINDS.get(making.kind_of(coupons[0].round))
    if kind:
        yield kind
    if len(coupons) > 1:
        yield told("one_stroke", coupons=listing([c.name for c in coupons]))
    if any(c.material for c in coupons):
        yield told("materials", each=listing([f"{c.name}: {_material(c)}" for c in coupons]))
    uncured = [c.name for c in coupons if not c.is_cured] if stage == "press" and making.has_cure else []
    if uncured:
        yield told("uncured", coupons=listing(uncured))


def _material(coupon: Coupon) -> str:
    return MATERIALS.get(coupon.material, coupon.material)
