"""The page of a coupon: the score form, what is stored, photos; and the two pages that ask for a reason."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from functools import cache
from typing import TYPE_CHECKING

from markupsafe import Markup

from doe.acts.scoring.making import STEPS, Coupon, Making, Said
from doe.acts.scoring.press import Difference
from doe.bench.cards import dials_of
from doe.bench.forms import ACTUAL, CHECK, FAIL, PASS, Typed
from doe.bench.pages import act_url, coupon_url
from doe.bench.views import (
    CheckRow,
    Choice,
    CouponPage,
    DifferenceRow,
    DifferPage,
    Frame,
    Hidden,
    Measured,
    PhotoView,
    ScoreForm,
    SymptomBox,
    UndoPage,
)
from doe.domain.entry import HAND_CHOICES
from doe.domain.score import FieldValue
from doe.domain.spec import Check
from doe.domain.units import SYMBOLS, Shown
from doe.symptoms.catalogue import CATALOGUE
from doe.symptoms.reading import WORDS, short_list
from doe.words import press
from doe.words.dates import day_and_time
from doe.words.wording import amount, listing, score
from reports.drawing.symptoms import symptom_svg
from reports.sheet.page import HAND_RULE

if TYPE_CHECKING:
    from doe.bench.shop import Shop
    from doe.book.records import HistoryEntry, Photo

COMMON = 9
"""Symptoms shown at once; the rarer ones are one tap away."""
REASONS = ("looked again", "tapped the wrong button", "wrong coupon")
FACE_WORDS = {"print": "print side", "back": "back"}
PHOTO_RULE = (
    "JPEG, PNG or WebP, at most 64 megapixels and 32 MB, 12 photos a coupon. Place, time and device are removed from "
    "the picture before it is kept."
)


def coupon_page(
    shop: Shop,
    making: Making,
    coupon: Coupon,
    frame: Frame,
    photos: Sequence[Photo],
    *,
    who: str,
    is_wash: bool,
    typed: Typed | None = None,
) -> CouponPage:
    """View-model of a coupon; ``typed`` is shown again after something in it could not be taken."""
    study = making.record.id
    form = None if coupon.void or not frame.can_post else _form(making, coupon, shop.shown, who, is_wash, typed)
    facts = [f"Round {coupon.round}."]
    facts += [words] if (words := press.KINDS.get(making.kind_of(coupon.round))) else []
    facts += _where(making, coupon)
    return CouponPage(
        frame=frame,
        facts=tuple(facts),
        settings=tuple(dials_of(making, coupon, None, shop.shown)),
        void=coupon.void,
        form=form,
        photos=tuple(
            PhotoView(f"/photo/{study}/{p.id}", f"{FACE_WORDS[p.face]}, {p.who}, {_said_at(p.at)}") for p in photos
        ),
        photo_action=act_url("photo", study, coupon.name) if frame.can_post and not coupon.void else "",
        photo_rule=PHOTO_RULE,
        undo=act_url("undo", study, coupon.name) if coupon.said or coupon.marks or photos else "",
        wrong=act_url("wrong", study, coupon.name) if "symptoms" in coupon.said else "",
    )


def _where(making: Making, coupon: Coupon) -> Iterator[str]:
    if coupon.is_scored or coupon.void:
        return
    if not coupon.is_pressed and "press_order" in coupon.place:
        yield "It is not noted as pressed yet; scoring it notes that."
    if making.has_cure and not coupon.is_cured:
        yield "Its film is not noted as cured yet."


@cache
def _drawn(key: str) -> Markup:
    return symptom_svg(key, beside_text=True)


def _form(making: Making, coupon: Coupon, shown: Shown, who: str, is_wash: bool, typed: Typed | None) -> ScoreForm:
    common = [s.key for s in short_list()][:COMMON]
    ticked = typed.symptoms if typed else ()
    boxes = [SymptomBox(s.key, s.label, s.seen, _drawn(s.key), s.key in ticked) for s in CATALOGUE]
    known = {box.key: box for box in boxes}
    rarer = tuple(box for box in boxes if box.key not in common)
    people = list(dict.fromkeys([who, *coupon_people(making)]))
    person = typed.person if typed and typed.person else who
    given = typed.hand if typed else ""
    measured = tuple(_measured(making, coupon, shown, typed))
    is_later_due = is_wash or not coupon.misses(making.checks_now)
    said = coupon.said
    return ScoreForm(
        action=act_url("score", making.record.id, coupon.name),
        draft=draft_key(making, coupon),
        is_typed=typed is not None,
        now=tuple(_check(c, coupon, typed) for c in making.checks_now),
        later=tuple(_check(c, coupon, typed) for c in making.checks_later),
        later_open=is_later_due or bool(typed and any(typed.checks[c.name] for c in making.checks_later)),
        symptoms=tuple(known[key] for key in common),
        more_symptoms=rarer,
        more_open=any(box.is_on for box in rarer),
        stored_symptoms=_stored("symptoms", said),
        hands=(
            Choice("", "not felt", not given),
            *(Choice(value, value, value == given) for value in HAND_CHOICES),
        ),
        hand_rule=HAND_RULE,
        stored_hands=_stored_hands(coupon, who),
        people=tuple(Choice(name, name, name == person) for name in people),
        other_person=typed.other_person if typed else "",
        measured=measured,
        measured_open=any(m.typed for m in measured),
        note=typed.note if typed else "",
        stored_note=str(said["note"].value) if "note" in said else "",
        void=typed.void if typed else "",
        void_open=bool(typed and typed.void),
    )


def draft_key(making: Making, coupon: Coupon) -> str:
    """Key under which a device keeps what is typed about a coupon: no other study has it, in this book or another."""
    return f"{making.record.made_at:%Y%m%d%H%M%S%f}/{coupon.name}"


def coupon_people(making: Making) -> tuple[str, ...]:
    """Everybody who has felt a coupon of this study."""
    return tuple(dict.fromkeys(name for c in making.coupons for name in c.hands))


def _check(check: Check, coupon: Coupon, typed: Typed | None) -> CheckRow:
    now = typed.checks[check.name] if typed else ""
    choices = (Choice(PASS, "Pass", now == PASS), Choice(FAIL, "Fail", now == FAIL), Choice("", "not yet", now == ""))
    name = check.name.replace("_", " ")
    return CheckRow(CHECK + check.name, name, check.label, choices, _stored(f"check:{check.name}", coupon.said))


def _measured(making: Making, coupon: Coupon, shown: Shown, typed: Typed | None) -> Iterator[Measured]:
    for f in making.record.study.numeric:
        unit = SYMBOLS[shown.unit(f.unit)]
        said = coupon.said.get(f"actual:{f.name}")
        stored = ""
        if said is not None and isinstance(said.value, (int, float)):
            stored = f"stored: {amount(f, float(said.value), shown)} ({said.who})"
        yield Measured(ACTUAL + f.name, f"{f.label} ({unit})", typed.actual[f.name] if typed else "", stored)


def _stored(field: str, said: dict[str, Said] | object) -> str:
    found = said.get(field) if isinstance(said, dict) else None
    return "" if found is None else f"stored: {value_words(field, found.value)} ({found.who})"


def _stored_hands(coupon: Coupon, who: str) -> str:
    """What is stored about the hand: one's own score, and only how many others gave one, so that nobody copies it."""
    hands = coupon.hands
    own = next((f"yours is stored: {score(v)}" for n, v in hands.items() if n.casefold() == who.casefold()), "")
    others = [name for name in hands if name.casefold() != who.casefold()]
    parts = [own, f"{listing(others)} felt it too" if others else ""]
    return "; ".join(part for part in parts if part)


def value_words(field: str, value: FieldValue, shown: Shown | None = None) -> str:
    """A stored or given value in words."""
    if isinstance(value, bool):
        return PASS if value else FAIL
    if isinstance(value, tuple):
        return ", ".join(WORDS.labels.get(str(key), str(key)) for key in value)
    if value in (None, ""):
        return "nothing"
    del field, shown
    return f"{value:g}" if isinstance(value, float) else str(value)


def field_words(making: Making, field: str) -> str:
    """A field in words."""
    kind, _, name = field.partition(":")
    if kind == "check":
        return f"check {name.replace('_', ' ')}"
    if kind == "hand":
        return f"hand-feel, {name}"
    if kind == "actual" and name in making.record.study.factor_names:
        return f"measured {making.record.study.factor(name).label}"
    return {"symptoms": "symptom", "void": "void", "note": "note", "side": "side"}.get(kind, field)


def said_value(making: Making, field: str, value: FieldValue, shown: Shown) -> str:
    """A value with its unit."""
    kind, _, name = field.partition(":")
    if kind == "actual" and name in making.record.study.factor_names and isinstance(value, (int, float)):
        return amount(making.record.study.factor(name), float(value), shown)
    return value_words(field, value)


def differ_page(
    making: Making,
    coupon: Coupon,
    found: Sequence[Difference],
    frame: Frame,
    fields: Sequence[Hidden],
    *,
    why: str,
    shown: Shown,
) -> DifferPage:
    """View-model that shows both values and asks which one holds, and why."""
    many = len(found) > 1
    return DifferPage(
        frame=frame,
        intro=f"{'These values are' if many else 'This value is'} stored already, and you gave "
        f"{'others' if many else 'another one'}. Nothing is overwritten: choose what holds, and say why if you "
        "correct something.",
        rows=tuple(
            DifferenceRow(
                f"on:{d.field}",
                field_words(making, d.field),
                f"{said_value(making, d.field, d.stored, shown)}, by {d.stored_by}, {_said_at(d.stored_at)}",
                said_value(making, d.field, d.given, shown),
            )
            for d in found
        ),
        fields=tuple(fields),
        reasons=REASONS,
        why=why,
        action=act_url("score", making.record.id, coupon.name),
        back=coupon_url(making.record.id, coupon.name),
    )


def undo_page(
    making: Making,
    coupon: Coupon,
    frame: Frame,
    history: Sequence[HistoryEntry],
    photos: Sequence[Photo],
    *,
    who: str,
    why: str,
    shown: Shown,
) -> UndoPage:
    """View-model of taking back what is stored about a coupon.

    ``who`` looks at it: hand-feel that others gave stays hidden until they have felt the coupon themselves.
    """

    def said(field: str, value: FieldValue) -> str:
        kind, _, person = field.partition(":")
        mine = person.casefold() == who.casefold() or any(n.casefold() == who.casefold() for n in coupon.hands)
        is_hidden = kind == "hand" and bool(who) and not mine
        return "shown once you have felt it" if is_hidden else said_value(making, field, value, shown)

    items = [
        Choice(name, f"{field_words(making, name)}: {said(name, s.value)} ({s.who}, {_said_at(s.at)})", False)
        for name, s in coupon.said.items()
        if name != "side"
    ]
    items += [
        Choice(f"step:{step}", f"{step} ({mark.who}, {_said_at(mark.at)})", False)
        for step in STEPS
        for mark in coupon.marks.get(step, ())[:1]
    ]
    items += [
        Choice(f"photo:{p.id}", f"photo of the {FACE_WORDS[p.face]} ({p.who}, {_said_at(p.at)})", False) for p in photos
    ]
    lines = [
        f"{_said_at(h.at)}, {h.who}: {field_words(making, h.field)} "
        f"{'taken back' if h.value in (None, '') else said(h.field, h.value)}"
        f"{f' ({h.why})' if h.why else ''}"
        for h in history
        if h.field != "side"
    ]
    return UndoPage(
        frame, tuple(items), REASONS, why, act_url("undo", making.record.id, coupon.name), tuple(reversed(lines))
    )


def _said_at(at: datetime) -> str:
    """When something was stored, as it reads today."""
    return day_and_time(at, datetime.now(UTC))
