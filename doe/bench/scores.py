"""The study and its coupons on the page: looking, noting steps, scoring, photos, taking back."""

from __future__ import annotations

from datetime import UTC, datetime
from urllib.parse import urlencode

from starlette.responses import PlainTextResponse, Response

from doe.acts.scoring.making import (
    LEAST_FOR_HINT,
    STEPS,
    Coupon,
    Making,
    differences,
    keeping,
    mark,
    scored_of,
    store_scores,
    take_back,
    unmark,
)
from doe.bench.coupon_page import coupon_page, differ_page, typed_entry, undo_page
from doe.bench.photos import clean_photo
from doe.bench.state import Seen
from doe.bench.study_page import hint_page, list_page, looks_for_settings, study_page, version_of, wash_page
from doe.bench.views import Hidden
from doe.bench.web import MARK, TOKEN, Visit, coupon_url, page, problem_lines
from doe.domain.errors import InputError
from doe.domain.score import ScoreEntry
from doe.words.press import told
from doe.words.wording import local

_NOT_SENT_ON = (TOKEN, MARK, "why", "reason")


def study(visit: Visit) -> Response:
    """The page of a study; it names the coupon that was stored just now."""
    making, saved, marked = visit.making(), visit.query("saved"), visit.query("marked")
    known = next((c for c in making.coupons if c.name in (saved, marked) and c.name), None)
    said = told(f"noted_{visit.query('step')}") if marked and visit.query("step") in STEPS else ""
    frame = visit.frame(making, known, said=said, saved=making.key_of(known) if known and saved else "")
    return page("bench_study.html", study_page(visit.bench.shop, making, frame, now=local(datetime.now(UTC))))


def news(visit: Visit) -> Response:
    """Whether another coupon is next: asked by an open page every few seconds."""
    return PlainTextResponse(version_of(visit.making()))


def wash(visit: Visit) -> Response:
    """The wash queue."""
    making = visit.making()
    return page("bench_wash.html", wash_page(making, visit.frame(making), now=local(datetime.now(UTC))))


def everything(visit: Visit) -> Response:
    """All coupons."""
    making = visit.making()
    return page("bench_list.html", list_page(making, visit.frame(making)))


def hint(visit: Visit) -> Response:
    """The early look; it is computed beside the page."""
    making = visit.making()
    scored = scored_of(making)
    seen = visit.bench.hints.look(making.record.id) if scored >= LEAST_FOR_HINT else None
    if not looks_for_settings(making):
        seen = Seen(None, is_waiting=False, none=told("hint_no_settings"))
    return page("bench_hint.html", hint_page(making, visit.frame(making), seen, scored, visit.bench.shop))


def coupon(visit: Visit) -> Response:
    """The page of a coupon, also behind the code on its label."""
    done = visit.query("done")
    return _coupon_page(visit, said=told(f"done_{done}") if done in ("photo", "undone", "pressed") else "")


def _coupon_page(visit: Visit, *problems: str, is_typed: bool = False, said: str = "") -> Response:
    making, found = visit.coupon()
    frame = visit.frame(making, found, problems=problems, said=said)
    view = coupon_page(visit, making, found, frame, is_typed=is_typed)
    return page("bench_coupon.html", view, status=422 if problems else 200)


def step(visit: Visit) -> str:
    """Note that films are cured or coupons pressed."""
    making = visit.making()
    word, names = visit.text("step"), visit.texts("coupon")
    if word not in STEPS:
        raise InputError("step", repr(word), " or ".join(STEPS), "Use the buttons of the page.")
    if not names:
        raise InputError("coupon", "none", "a coupon of the queue", "Use the buttons of the page.")
    with visit.storing() as book:
        mark(book, making, names, word)
    if word == "pressed" and len(names) == 1:
        return f"{coupon_url(making.record.id, names[0])}?done=pressed"
    return f"/s/{making.record.id}?{urlencode({'marked': names[0], 'step': word})}"


def score(visit: Visit) -> Response | str:
    """Store the scores of a coupon; a value that differs from what is stored is asked about first."""
    making, found = visit.coupon()
    try:
        entry = typed_entry(visit, making, found)
    except InputError as error:
        return _coupon_page(visit, *problem_lines(error), is_typed=True)
    kept = {n.removeprefix("on:") for n in visit.form if visit.text(n) == "stored" and n[:3] == "on:"}
    entry = keeping(found, entry, kept)
    asked = _ask(visit, making, found, entry)
    if asked is not None:
        return asked
    then = f"/s/{making.record.id}?{urlencode({'saved': found.name})}"
    try:
        with visit.storing() as book, book.writing() as writing:
            store_scores(book, making.record, found, entry, why=_why(visit))
            visit.bench.receipts.keep_with(writing, visit.key, then)
    except InputError as error:
        # somebody else may have scored it in this very moment
        making, found = visit.coupon()
        asked = _ask(visit, making, found, entry)
        return asked or _coupon_page(visit, *problem_lines(error), is_typed=True)
    return then


def _why(visit: Visit) -> str:
    return visit.text("why") or visit.text("reason")


def _ask(visit: Visit, making: Making, found: Coupon, entry: ScoreEntry) -> Response | None:
    """The page that asks about corrections; None when there are none, or all are decided and explained."""
    rows = differences(found, entry)
    undecided = [d for d in rows if visit.text(f"on:{d.field}") != "mine"]
    if not rows or (_why(visit) and not undecided):
        return None
    sent_before = any(name.startswith("on:") for name in visit.form)
    fields = tuple(
        Hidden(name, value)
        for name, value in visit.form.multi_items()
        if isinstance(value, str) and name not in _NOT_SENT_ON and not name.startswith("on:") and value
    )
    frame = visit.frame(making, found, problems=(told("choose"),) if sent_before else ())
    return page("bench_differ.html", differ_page(visit, making.record.study, rows, frame, fields), status=409)


def photo(visit: Visit) -> Response | str:
    """Keep a photo of one face of a coupon, small and clean."""
    making, found = visit.coupon()
    source = visit.upload("photo")
    try:
        if source is None:
            raise InputError("photo", "no file", "a photo of one face", "Choose or take a photo first.")
        with visit.bench.photo_turn:
            image = visit.bench.photo_worker.submit(clean_photo, source).result()
        face = visit.text("face") or "print"
        with visit.storing() as book:
            book.add_photo(making.record.id, found.name, image, face=face, media_type="image/jpeg")
    except InputError as error:
        return _coupon_page(visit, *problem_lines(error))
    return f"{coupon_url(making.record.id, found.name)}?done=photo"


def picture(visit: Visit) -> Response:
    """A photo of this study."""
    number = visit.number("photo")
    kept = next((p for p in visit.bench.shop.photos(visit.number("study")) if p.id == number), None)
    if kept is None:
        raise InputError(f"photo {number}", "no such photo", "a photo of this study", "Open its coupon again.")
    image = visit.bench.shop.look.photo_image(number)
    return Response(image, media_type=kept.media_type, headers={"cache-control": "private, max-age=3600"})


def undo_form(visit: Visit, *problems: str) -> Response:
    """What is stored about a coupon, to take some of it back."""
    making, found = visit.coupon()
    view = undo_page(visit, making, found, visit.frame(making, found, problems=problems))
    return page("bench_undo.html", view, status=422 if problems else 200)


def undo(visit: Visit) -> Response | str:
    """Take back what was chosen, with its reason; it stays in the history."""
    making, found = visit.coupon()
    chosen, why = visit.texts("what"), _why(visit)
    if not chosen or not why:
        return undo_form(visit, told("undo_why" if chosen else "undo_what"))
    try:
        fields = [name for name in chosen if not name.startswith(("step:", "photo:"))]
        with visit.storing() as book:
            take_back(book, making.record, found, fields, why)
            for word in STEPS:
                if f"step:{word}" in chosen:
                    unmark(book, making, found.name, word, why)
            for kept in visit.bench.shop.photos(making.record.id, found.name):
                if f"photo:{kept.id}" in chosen:
                    book.withdraw_photo(kept.id, why)
    except InputError as error:
        return undo_form(visit, *problem_lines(error))
    return f"{coupon_url(making.record.id, found.name)}?done=undone"
