"""The study and its coupons on the page: looking, noting steps, scoring, photos, taking back."""

from __future__ import annotations

from datetime import UTC, datetime

from starlette.responses import PlainTextResponse, Response

from doe.acts.scoring.making import STEPS, Coupon, Making, mark, unmark
from doe.acts.scoring.press import Difference, differences, keeping, store_scores, take_back
from doe.acts.scoring.progress import LEAST_FOR_HINT, scored_of
from doe.bench.coupon_page import coupon_page, coupon_people, differ_page, draft_key, undo_page
from doe.bench.forms import Typed
from doe.bench.hint_page import hint_page
from doe.bench.hints import Seen
from doe.bench.pages import act_url, coupon_url, study_url
from doe.bench.photos import clean_photo
from doe.bench.study_page import list_page, looks_for_settings, study_page, version_of, wash_page
from doe.bench.views import Hidden, Link
from doe.bench.web import MARK, TOKEN, Visit, page, problem_lines
from doe.domain.errors import InputError
from doe.words.dates import local

_NOT_SENT_ON = (TOKEN, MARK, "why", "reason")


def _links(making: Making, here: str) -> tuple[Link, ...]:
    study = making.record.id
    pages = (
        ("Make and score", study_url(study)),
        ("Wash", act_url("wash", study)),
        ("All", act_url("list", study)),
        ("Early look", act_url("hint", study)),
    )
    return (*(Link(text, url, is_here=text == here) for text, url in pages), Link("Studies", "/"))


def study(visit: Visit) -> Response:
    """The page of a study."""
    making = visit.bench.shop.making(visit.number("study"))
    saved = visit.query("saved")
    known = next((c for c in making.coupons if c.name == saved), None)
    frame = visit.frame(
        making.record.name,
        kicker="Bench page",
        links=_links(making, "Make and score"),
        said="" if known is None else f"{known.name} is stored.",
        undo=None if known is None else Link("Take it back", act_url("undo", making.record.id, known.name)),
        saved="" if known is None else draft_key(making, known),
    )
    return page("bench_study.html", study_page(visit.bench.shop, making, frame, now=local(datetime.now(UTC))))


def news(visit: Visit) -> Response:
    """Whether another coupon is next: asked by an open page every few seconds."""
    making = visit.bench.shop.making(visit.number("study"))
    return PlainTextResponse(version_of(making))


def wash(visit: Visit) -> Response:
    """The wash queue."""
    making = visit.bench.shop.making(visit.number("study"))
    frame = visit.frame("Wash queue", kicker=making.record.name, links=_links(making, "Wash"))
    return page("bench_list.html", wash_page(making, frame, now=local(datetime.now(UTC))))


def everything(visit: Visit) -> Response:
    """All coupons."""
    making = visit.bench.shop.making(visit.number("study"))
    frame = visit.frame("All coupons", kicker=making.record.name, links=_links(making, "All"))
    return page("bench_list.html", list_page(making, frame))


def hint(visit: Visit) -> Response:
    """The early look; it is computed beside the page."""
    making = visit.bench.shop.making(visit.number("study"))
    scored = scored_of(making)
    seen = visit.bench.hints.look(making.record.id) if scored >= LEAST_FOR_HINT else None
    if not looks_for_settings(making):
        seen = Seen(None, is_waiting=False, none="This study compares materials: there are no settings to look for.")
    frame = visit.frame("Early look", kicker=making.record.name, links=_links(making, "Early look"))
    return page("bench_hint.html", hint_page(making, frame, seen, scored, visit.bench.shop.shown))


def _coupon(visit: Visit) -> tuple[Making, Coupon]:
    making = visit.bench.shop.making(visit.number("study"))
    return making, making.coupon(visit.word("coupon"))


def coupon(visit: Visit) -> Response:
    """The page of a coupon, also behind the code on its label."""
    making, found = _coupon(visit)
    said = {"photo": "The photo is kept.", "undone": "Taken back.", "pressed": "Noted as pressed."}
    return _coupon_page(visit, making, found, said=said.get(visit.query("done"), ""))


def _coupon_page(
    visit: Visit,
    making: Making,
    found: Coupon,
    *,
    typed: Typed | None = None,
    problems: tuple[str, ...] = (),
    said: str = "",
) -> Response:
    frame = visit.frame(found.name, kicker=making.record.name, links=_links(making, ""), problems=problems, said=said)
    photos = [p for p in visit.bench.shop.look.photos(making.record.id, found.name) if not p.withdrawn]
    view = coupon_page(
        visit.bench.shop, making, found, frame, photos, who=visit.who, is_wash=bool(visit.query("wash")), typed=typed
    )
    return page("bench_coupon.html", view, status=422 if problems else 200)


def step(visit: Visit) -> str:
    """Note that films are cured or coupons pressed."""
    making = visit.bench.shop.making(visit.number("study"))
    word = visit.text("step")
    if word not in STEPS:
        raise InputError("step", repr(word), " or ".join(STEPS), "Use the buttons of the page.")
    names = visit.texts("coupon")
    if not names:
        raise InputError("coupon", "none", "a coupon of the queue", "Use the buttons of the page.")
    with visit.storing() as book:
        mark(book, making, names, word)
    if word == "pressed" and len(names) == 1:
        return coupon_url(making.record.id, names[0], done="pressed")
    return study_url(making.record.id)


def score(visit: Visit) -> Response | str:
    """Store the scores of a coupon; a value that differs from what is stored is asked about first."""
    making, found = _coupon(visit)
    study = making.record.study
    typed = Typed.of(visit, study)
    known = (*coupon_people(making), *(visit.bench.shop.people() if typed.other_person else ()))
    try:
        entry = typed.entry(found.name, study, visit.bench.shop.shown, who=visit.who, known=known)
        if entry.void_reason:  # a spoiled coupon has no scores
            entry = type(entry)(found.name, void_reason=entry.void_reason)
        if not any(True for _ in entry.fields()):
            raise InputError("form", "nothing chosen", "a check, a symptom, the hand, a note or void", "Choose first.")
    except InputError as error:
        return _coupon_page(visit, making, found, typed=typed, problems=problem_lines(error))
    entry = keeping(entry, {n.removeprefix("on:") for n in visit.form if visit.text(n) == "stored" and n[:3] == "on:"})
    why = visit.text("why") or visit.text("reason")
    asked = _ask(visit, making, found, differences(found, entry), why)
    if asked is not None:
        return asked
    try:
        with visit.storing() as book:
            store_scores(book, making.record, found, entry, why=why)
    except InputError as error:
        # somebody else may have scored it in this very moment
        making, found = _coupon(visit)
        asked = _ask(visit, making, found, differences(found, entry), why)
        return asked or _coupon_page(visit, making, found, typed=typed, problems=problem_lines(error))
    return study_url(making.record.id, saved=found.name)


def _ask(visit: Visit, making: Making, found: Coupon, rows: tuple[Difference, ...], why: str) -> Response | None:
    """The page that asks about corrections; None when there are none, or all are decided and explained."""
    undecided = [d for d in rows if visit.text(f"on:{d.field}") != "mine"]
    if not rows or (why and not undecided):
        return None
    sent_before = any(name.startswith("on:") for name in visit.form)
    problems = ("Choose one value in each line, and say why where you correct.",) if sent_before else ()
    fields = tuple(
        Hidden(name, value)
        for name, value in visit.form.multi_items()
        if isinstance(value, str) and name not in _NOT_SENT_ON and not name.startswith("on:") and value
    )
    frame = visit.frame(f"{found.name}: which is right?", kicker=making.record.name, problems=problems)
    view = differ_page(making, found, rows, frame, fields, why=visit.text("why"), shown=visit.bench.shop.shown)
    return page("bench_differ.html", view, status=409)


def photo(visit: Visit) -> Response | str:
    """Keep a photo of one face of a coupon, small and clean."""
    making, found = _coupon(visit)
    source = visit.upload("photo")
    try:
        if source is None:
            raise InputError("photo", "no file", "a photo of one face", "Choose or take a photo first.")
        with visit.bench.photo_turn:
            image = clean_photo(source)
        face = visit.text("face") or "print"
        with visit.storing() as book:
            book.add_photo(making.record.id, found.name, image, face=face, media_type="image/jpeg")
    except InputError as error:
        return _coupon_page(visit, making, found, problems=problem_lines(error))
    return coupon_url(making.record.id, found.name, done="photo")


def picture(visit: Visit) -> Response:
    """A photo of this study."""
    study, number = visit.number("study"), visit.number("photo")
    kept = next((p for p in visit.bench.shop.look.photos(study) if p.id == number and not p.withdrawn), None)
    if kept is None:
        raise InputError(f"photo {number}", "no such photo", "a photo of this study", "Open its coupon again.")
    image = visit.bench.shop.look.photo_image(number)
    headers = {"cache-control": "private, max-age=3600"}
    return Response(image, media_type=kept.media_type, headers=headers)


def undo_form(visit: Visit) -> Response:
    """What is stored about a coupon, to take some of it back."""
    return _undo_page(visit)


def _undo_page(visit: Visit, *problems: str) -> Response:
    making, found = _coupon(visit)
    frame = visit.frame(
        f"Take back, {found.name}", kicker=making.record.name, problems=problems, links=_links(making, "")
    )
    history = visit.bench.shop.look.history(making.record.id, found.name)
    photos = [p for p in visit.bench.shop.look.photos(making.record.id, found.name) if not p.withdrawn]
    view = undo_page(
        making,
        found,
        frame,
        history,
        photos,
        who=visit.who,
        why=visit.text("why"),
        shown=visit.bench.shop.shown,
    )
    return page("bench_undo.html", view, status=422 if problems else 200)


def undo(visit: Visit) -> Response | str:
    """Take back what was chosen, with its reason; it stays in the history."""
    making, found = _coupon(visit)
    chosen = visit.texts("what")
    why = visit.text("why") or visit.text("reason")
    if not chosen or not why:
        return _undo_page(visit, "Choose what to take back." if not chosen else "Say why it is taken back.")
    try:
        fields = [name for name in chosen if not name.startswith(("step:", "photo:"))]
        with visit.storing() as book:
            take_back(book, making.record, found, fields, why)
            for word in STEPS:
                if f"step:{word}" in chosen:
                    unmark(book, making, found.name, word, why)
            for photo_ in book.photos(making.record.id, found.name):
                if f"photo:{photo_.id}" in chosen and not photo_.withdrawn:
                    book.withdraw_photo(photo_.id, why)
    except InputError as error:
        return _undo_page(visit, *problem_lines(error))
    return coupon_url(making.record.id, found.name, done="undone")
