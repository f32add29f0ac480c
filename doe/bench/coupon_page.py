"""The page of a coupon: its score form and how it is read, photos; and the two pages that ask for a reason."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from functools import cache, partial
from typing import TypeVar

from markupsafe import Markup

from doe.acts.scoring.making import STEPS, Coupon, Difference, Making
from doe.bench.study_page import dials_of
from doe.bench.views import (
    CheckRow,
    Choice,
    CouponPage,
    DifferenceRow,
    DifferPage,
    Frame,
    Hidden,
    Link,
    Measured,
    ScoreForm,
    SymptomBox,
    UndoPage,
)
from doe.bench.web import Visit
from doe.domain.entry import HAND_CHOICES, check_people
from doe.domain.errors import InputError, InputErrors
from doe.domain.said import read_check, read_grade, read_handled, read_symptoms, said_hand
from doe.domain.score import FieldValue, ScoreEntry, entry_problems
from doe.domain.spec import Check
from doe.domain.study import Study
from doe.domain.units import SYMBOLS, Shown
from doe.symptoms.catalogue import CATALOGUE, WORDS, asks_of_handling, short_list
from doe.words.press import FACES, KINDS, field_name, field_value, told
from doe.words.typed import quantity
from doe.words.wording import GRADED, score
from reports.drawing.symptoms import symptom_svg
from reports.sheet.page import HAND_RULE

T = TypeVar("T")
CHECK, ACTUAL, HANDLED = "check:", "actual:", "handled"


def typed_entry(visit: Visit, making: Making, coupon: Coupon) -> ScoreEntry:
    """What was typed into the form; who felt the coupon is whoever scores here unless another one was named.

    Raises
    ------
    InputErrors
        Naming everything that cannot be read.
    """
    study, shop = making.record.study, visit.bench.shop
    problems: list[InputError] = []

    def taken(read: Callable[[], T], otherwise: T) -> T:
        try:
            return read()
        except InputError as error:
            problems.append(error)
            return otherwise

    checks = {c.name: taken(partial(read_check, visit.text(CHECK + c.name), c.name), None) for c in study.spec.checks}
    symptoms: list[str] = []
    for word in dict.fromkeys(visit.texts("symptom")):
        symptoms += taken(partial(read_symptoms, word, WORDS.labels, "symptom"), tuple[str, ...]())
    other, hand, void = visit.text("other_person"), visit.text("hand"), visit.text("void")
    person = spelled(other or visit.text("person") or visit.who, (*making.people, *(shop.people() if other else ())))
    if hand:
        taken(partial(check_people, [person]), None)
    entry = ScoreEntry(
        coupon.name,
        checks={name: found for name, found in checks.items() if found is not None},
        symptoms=tuple(symptoms),
        hand={person: taken(partial(said_hand, hand, "hand-feel"), 0.0)} if hand else {},
        actual={
            f.name: taken(partial(quantity, text, f.unit, f"measured {f.label}", shop.shown), 0.0)
            for f in study.numeric
            if (text := visit.text(ACTUAL + f.name))
        },
        note=_note(visit),
        void_reason=void or None,
        grade=taken(partial(read_grade, visit.text("grade"), "grade"), ""),
        handled=taken(partial(read_handled, visit.text(HANDLED), "handled well"), ""),
    )
    problems = problems or entry_problems(entry, study)
    if problems:
        raise InputErrors(problems)
    if void:  # a spoiled coupon has no scores
        return ScoreEntry(coupon.name, void_reason=void)
    if not list(entry.fields()):
        raise InputError("form", "nothing chosen", "a check, a symptom, the hand, a note or void", "Choose first.")
    return entry


def _note(visit: Visit) -> str:
    return visit.text("note").replace("\r\n", "\n")


def spelled(name: str, known: Sequence[str]) -> str:
    """A person's name as it is written already, in any case.

    >>> spelled(" ANA ", ["Ana", "Ben"]), spelled("Cleo", ["Ana"])
    ('Ana', 'Cleo')
    """
    words = " ".join(name.split())
    return next((other for other in known if other.casefold() == words.casefold()), words)


COMMON = 9
"""Symptoms shown at once; the rarer ones are one tap away."""


def coupon_page(visit: Visit, making: Making, coupon: Coupon, frame: Frame, *, is_typed: bool) -> CouponPage:
    """View-model of a coupon; what was typed is shown again (``is_typed``) after something in it was refused."""
    is_open = not coupon.is_scored and not coupon.void
    photos = visit.bench.shop.photos(making.record.id, coupon.name)
    return CouponPage(
        frame=frame,
        round=coupon.round,
        kind=KINDS.get(making.kind_of(coupon.round), ""),
        unpressed=is_open and not coupon.is_pressed and "press_order" in coupon.place,
        uncured=is_open and making.has_cure and not coupon.is_cured,
        settings=tuple(dials_of(making, coupon, None, visit.bench.shop.shown)),
        void=coupon.void,
        form=None if coupon.void or not frame.can_post else _form(visit, making, coupon, is_typed=is_typed),
        photos=tuple(Link(told("photo", face=FACES[p.face], by=p), f"/photo/{frame.study}/{p.id}") for p in photos),
        has_history=bool(coupon.said or coupon.marks or photos),
        has_symptom="symptoms" in coupon.said,
    )


def common_symptoms(*, is_washed: bool) -> list[str]:
    """The usual symptoms shown at once: those seen at the press first, after the wash those that show then.

    >>> common_symptoms(is_washed=False)[0], common_symptoms(is_washed=True)[0]
    ('no_transfer', 'edge_lift_wash')
    """
    usual = short_list()
    first = [s.key for s in usual if s.shows_later == is_washed]
    return [*first, *(s.key for s in usual if s.key not in first)][:COMMON]


@cache
def _drawn(key: str) -> Markup:
    return symptom_svg(key)


def symptom_boxes(ticked: Collection[str]) -> dict[str, SymptomBox]:
    """Every symptom with its drawing, by key."""
    return {s.key: SymptomBox(s.key, s.label, s.seen, _drawn(s.key), s.key in ticked) for s in CATALOGUE}


def _form(visit: Visit, making: Making, coupon: Coupon, *, is_typed: bool) -> ScoreForm:
    shown, who, study = visit.bench.shop.shown, visit.who, making.record.study
    common = common_symptoms(is_washed=bool(visit.query("wash")) or not coupon.misses(making.checks_now))
    ticked = visit.texts("symptom")
    boxes = symptom_boxes(ticked)
    rarer = tuple(box for key, box in boxes.items() if key not in common)
    person, hand, graded = visit.text("person") or who, visit.text("hand"), visit.text("grade")
    measured = tuple(
        Measured(
            ACTUAL + f.name,
            f"{f.label} ({SYMBOLS[shown.unit(f.unit)]})",
            visit.text(ACTUAL + f.name),
            _stored(study, coupon, f"actual:{f.name}", shown),
        )
        for f in study.numeric
    )

    def row(check: Check) -> CheckRow:
        now, name = visit.text(CHECK + check.name), check.name.replace("_", " ")
        stored = _stored(study, coupon, f"check:{check.name}", shown)
        return CheckRow(CHECK + check.name, name, check.label, now == "pass", now == "fail", stored)

    stored_grade = _stored(study, coupon, "grade", shown)
    asked = [s.label for s in CATALOGUE if asks_of_handling([s.key])]
    return ScoreForm(
        draft=making.key_of(coupon),
        is_typed=is_typed,
        now=tuple(map(row, making.checks_now)),
        later=tuple(map(row, making.checks_later)),
        later_open=bool(visit.query("wash"))
        or not coupon.misses(making.checks_now)
        or any(visit.text(CHECK + c.name) for c in making.checks_later),
        grades=tuple(Choice(g, words, g == graded) for g, words in (*GRADED.items(), ("", "no grade")))
        if study.asks_grades or graded or stored_grade
        else (),
        stored_grade=stored_grade,
        symptoms=tuple(boxes[key] for key in common),
        more_symptoms=rarer,
        more_open=any(box.is_on for box in rarer),
        stored_symptoms=_stored(study, coupon, "symptoms", shown),
        handled_asked=told("handled_asked", symptoms=asked),
        handled=tuple(
            Choice(value, told(f"handled_{value or 'open'}"), value == visit.text(HANDLED))
            for value in ("yes", "no", "")
        ),
        stored_handled=_stored(study, coupon, "handled", shown),
        hands=(
            Choice("", "not felt", not hand),
            *(Choice(value, value, value == hand) for value in HAND_CHOICES),
        ),
        hand_rule=HAND_RULE,
        stored_hands="; ".join(_stored_hands(coupon, who)),
        people=tuple(Choice(name, name, name == person) for name in dict.fromkeys([who, *making.people])),
        other_person=visit.text("other_person"),
        measured=measured,
        measured_open=any(m.typed for m in measured),
        note=_note(visit),
        stored_note=str(coupon.said["note"].value) if "note" in coupon.said else "",
        void=visit.text("void"),
    )


def _stored(study: Study, coupon: Coupon, field: str, shown: Shown) -> str:
    said = coupon.said.get(field)
    return "" if said is None else told("stored", value=field_value(study, field, said.value, shown), by=said)


def _stored_hands(coupon: Coupon, who: str) -> Iterator[str]:
    """What is stored about the hand: one's own score, and only who else gave one, so that nobody copies it."""
    others = []
    for name, value in coupon.hands.items():
        if name.casefold() == who.casefold():
            yield told("own_hand", hand=score(value))
        else:
            others.append(name)
    if others:
        yield told("other_hands", others=others)


def differ_page(
    visit: Visit, study: Study, found: Sequence[Difference], frame: Frame, fields: tuple[Hidden, ...]
) -> DifferPage:
    """View-model that shows both values and asks which one holds, and why."""
    shown = visit.bench.shop.shown
    rows = []
    for d in found:
        stored = told("stored_by", value=field_value(study, d.field, d.stored.value, shown), by=d.stored)
        given = field_value(study, d.field, d.given, shown)
        rows.append(DifferenceRow(f"on:{d.field}", field_name(study, d.field), stored, given))
    return DifferPage(frame, told("differ" if len(rows) > 1 else "differ_one"), tuple(rows), fields, visit.text("why"))


def undo_page(visit: Visit, making: Making, coupon: Coupon, frame: Frame) -> UndoPage:
    """View-model of taking back what is stored about a coupon.

    Hand-feel that others gave stays hidden from who looks at it until they have felt the coupon themselves.
    """
    study, who, shop = making.record.study, visit.who.casefold(), visit.bench.shop
    has_felt = not who or any(name.casefold() == who for name in coupon.hands)

    def said(field: str, value: FieldValue) -> str:
        kind, _, person = field.partition(":")
        if kind == "hand" and not has_felt and person.casefold() != who:
            return told("hidden_hand")
        return field_value(study, field, value, shop.shown)

    items = [
        Choice(name, told("item", what=f"{field_name(study, name)}: {said(name, s.value)}", by=s))
        for name, s in coupon.said.items()
        if name != "side"
    ]
    items += [
        Choice(f"step:{step}", told("item", what=step, by=mark))
        for step in STEPS
        for mark in coupon.marks.get(step, ())[:1]
    ]
    items += [
        Choice(f"photo:{p.id}", told("photo_item", face=FACES[p.face], by=p))
        for p in shop.photos(making.record.id, coupon.name)
    ]
    lines = [
        told(
            "past_why" if h.why else "past",
            by=h,
            field=field_name(study, h.field),
            value=told("taken_back") if h.value in (None, "") else said(h.field, h.value),
        )
        for h in reversed(shop.look.history(making.record.id, coupon.name))
        if h.field != "side"
    ]
    return UndoPage(frame, tuple(items), visit.text("why"), tuple(lines))
