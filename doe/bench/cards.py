"""What is made next at oven and press: settings in large type, waits to count down, what changes before a batch."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from doe.acts.scoring.making import Coupon, Making, Step
from doe.bench.pages import act_url, coupon_url
from doe.bench.views import Card, Hidden, Link, SettingRow, Timer
from doe.domain.errors import InputError
from doe.domain.factors import KNOWN_FACTORS, Factor, Stage, usual_factor
from doe.domain.units import Shown, show
from doe.words import press
from doe.words.gauges.cautions import NOT_CHECKED
from doe.words.wording import amount, held, other_units
from reports.sheet.dials import SheetDials

if TYPE_CHECKING:
    from doe.assure.gauges.line import GaugedLine
    from doe.bench.shop import Shop
    from reports.sheet.page import SheetBatch

MATERIAL = "material"
"""Column of a comparison's plan that says which of the two materials a coupon is made of."""
_MATERIALS = {"new": "new material", "incumbent": "material in use"}
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
    mine = (first,) if stage == "cure" else _still(making.stroke_of(first))
    names = tuple(Link(c.name, coupon_url(making.record.id, c.name), _material(c)) for c in mine)
    title = "Cure next" if stage == "cure" else "Press next"
    after = press.after_this(len(queue) - len(mine))
    try:
        batches = batches_of(shop, making, first.round, stage)
    except InputError as error:
        return Card(title, f"Round {first.round}", after, "", names, (), (f"Stop: {error}",), (), (), "", "", ())
    batch = next((b for b in batches if first.name in [row.coupon for row in b.rows]), None)
    is_first = batch is not None and batch.rows[0].coupon == first.name
    step: Step = "cured" if stage == "cure" else "pressed"
    return Card(
        title=title,
        batch=f"{batch.title}, round {first.round}" if batch is not None else f"Round {first.round}",
        left=after,
        settle=batch.settle if batch is not None and is_first else "",
        names=names,
        dials=tuple(dials_of(making, first, stage, shop.shown, shop.gauged(making))),
        facts=tuple(_facts(making, mine, stage)),
        timers=tuple(_timers(making, first, stage, shop.shown)),
        waits=_waits(shop, making, first, stage),
        action=act_url("step", making.record.id),
        button=_button(stage, len(mine)),
        fields=(Hidden("step", step), *(Hidden("coupon", c.name) for c in mine)),
    )


def _button(stage: Stage, coupons: int) -> str:
    if stage == "cure":
        return "Cured"
    return "Pressed, score it" if coupons == 1 else f"All {coupons} pressed"


def _still(coupons: tuple[Coupon, ...]) -> tuple[Coupon, ...]:
    return tuple(c for c in coupons if not c.is_pressed)


def batches_of(shop: Shop, making: Making, number: int, stage: Stage) -> tuple[SheetBatch, ...]:
    """Batches of a round at a machine, in the words of the bench sheet; none where no plan says in which order."""
    needed = ("cure_batch", "press_batch", "cure_order", "press_order")
    if any(name not in c.place for c in making.coupons if c.round == number for name in needed):
        return ()
    sheet = shop.sheet(making, number)
    return sheet.cure_batches if stage == "cure" else sheet.press_batches


def dials_of(
    making: Making, coupon: Coupon, stage: Stage | None, shown: Shown, gauged: GaugedLine | None = None
) -> Iterator[SettingRow]:
    """Settings of a coupon at one machine, or at both; what the machine is set to where its readings tell."""
    study = making.record.study
    dials = SheetDials(study, gauged, shown)
    for f in study.factors:
        if stage is None or f.stage == stage:
            yield dial_of(f, coupon.settings[f.name], dials)
    for name, value in study.held.items():
        known = KNOWN_FACTORS.get(name)
        if known is None or known.stage != (stage or known.stage) or not known.unit or isinstance(value, str):
            continue
        if stage is None or name not in _WAITS[stage]:  # a wait of this machine stands among the countdowns
            made = dial_of(usual_factor(name), value, dials)
            yield SettingRow(
                made.name, made.value, made.other, "; ".join(t for t in ("held", made.more) if t), is_held=True
            )


def dial_of(f: Factor, value: float | str, dials: SheetDials) -> SettingRow:
    """One setting: on the display of its machine where readings tell, else as it is, and then that is said."""
    made = None if isinstance(value, str) else dials.of(f.name, float(value))
    if made is not None:
        big, other = amount(f, made.dial_degc, dials.shown), amount(f, made.dial_degc, other_units(dials.shown))
        return SettingRow(f.label, big, other, f"on the display, for {made.surface} on the surface")
    other = amount(f, value, other_units(dials.shown)) if f.is_temperature and not f.is_categorical else ""
    gauge = dials.gauged.gauge_of(f.name) if dials.gauged is not None else None
    unsure = gauge is not None and not (gauge.as_dialled and gauge.readings)
    return SettingRow(f.label, amount(f, value, dials.shown), other, NOT_CHECKED if unsure else "")


def _timers(making: Making, coupon: Coupon, stage: Stage, shown: Shown) -> Iterator[Timer]:
    study = making.record.study
    for name in _WAITS[stage]:
        value = coupon.settings.get(name, study.held.get(name))
        if isinstance(value, (int, float)) and value > 0:
            label = study.factor(name).label if name in study.factor_names else KNOWN_FACTORS[name].label
            key = f"{making.record.made_at:%Y%m%d%H%M%S%f}/{coupon.name}/{name}"
            yield Timer(key, label, show(float(value), "s", shown), f"{float(value):g}")


def _waits(shop: Shop, making: Making, coupon: Coupon, stage: Stage) -> tuple[str, ...]:
    """Waits that have no length of their own in this study, in the words of the bench sheet."""
    if stage == "cure" or not batches_of(shop, making, coupon.round, stage):
        return ()
    study = making.record.study
    known = {*study.factor_names, *study.held}
    words = {"cooling_gap": "Cooling gap", "peel_wait": "Peel"}
    sheet = shop.sheet(making, coupon.round)
    return tuple(line for line in sheet.waits if any(line.startswith(w) for n, w in words.items() if n not in known))


def _facts(making: Making, coupons: tuple[Coupon, ...], stage: Stage) -> Iterator[str]:
    kind = press.KINDS.get(making.kind_of(coupons[0].round))
    if kind:
        yield kind
    if len(coupons) > 1:
        yield press.one_stroke([c.name for c in coupons])
    if any(MATERIAL in c.place for c in coupons):
        yield press.materials([(c.name, _material(c)) for c in coupons])
    uncured = [c.name for c in coupons if not c.is_cured] if stage == "press" and making.has_cure else []
    if uncured:
        yield press.uncured(uncured)


def _material(coupon: Coupon) -> str:
    found = coupon.place.get(MATERIAL)
    return _MATERIALS.get(str(found), str(found)) if found is not None else ""


def held_words(making: Making, shown: Shown) -> tuple[str, ...]:
    """Settings held constant that are words, such as a peel mode."""
    pairs = (held(n, v, shown) for n, v in making.record.study.held.items() if isinstance(v, str))
    return tuple(f"{label}: {value}" for label, value in pairs)
