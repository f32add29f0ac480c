"""Exercises on the page: the same as in the terminal, with drawings of the coupons that come back."""

from __future__ import annotations

from dataclasses import dataclass, field

from markupsafe import Markup
from starlette.responses import Response

from doe.acts.practising import EXERCISES, class_progress, keep_outcome, lesson_seed, seed_for
from doe.bench.entrance import here
from doe.bench.views import DrillPage, Group, Link, ListPage, MadeView, PointsRow, TurnView
from doe.bench.web import Visit, page, problem_lines
from doe.domain.errors import InputError
from doe.domain.units import Shown, show
from doe.practice.drill import Drill, MadeCoupon, Turn, practice_study
from doe.practice.drills import HINT, reply, start
from doe.symptoms.reading import WORDS
from doe.words import practice as words
from doe.words.wording import count, score
from reports.drawing.symptoms import symptom_svg
from reports.practice import pictures_of

INVENTED = "An invented world: no machine, film, powder or fabric was measured for it. No study is changed by it."


@dataclass
class Play:
    """An exercise under way on a device: what was typed, what came back, and the pictures of its truth at the end."""

    drill: Drill
    typed: list[str] = field(default_factory=list)
    turns: list[Turn] = field(default_factory=list)
    pictures: tuple[str, ...] = ()


def exercises(visit: Visit) -> Response:
    """The exercises, and how far everybody is."""
    look = visit.bench.shop.look
    progress = class_progress(look)
    mine = {p.exercise: p for p in progress if p.person == visit.who}
    links = []
    for key in EXERCISES:
        parts = [f"best {mine[key].best} of 100, done {count(mine[key].times, 'time')}"] if key in mine else []
        if lesson_seed(look, key) is not None:
            parts.append("set for the class")
        links.append(Link(words.TITLES[key], f"/practice/{key}", "; ".join(parts) or "not done yet"))
    people = tuple(
        Link(p.person, "", f"{words.TITLES[p.exercise]}: best {p.best}, last {p.last}, {count(p.times, 'time')}")
        for p in progress
    )
    groups = (Group("Exercises", tuple(links)), *((Group("The class", people),) if people else ()))
    frame = visit.frame("Practice", kicker="Bench page", links=here(visit, practice=True))
    return page("bench_list.html", ListPage(frame, (INVENTED,), groups, ""))


def _exercise(visit: Visit) -> str:
    key = visit.word("exercise")
    if key not in EXERCISES:
        raise InputError(f"exercise {key}", "no such exercise", ", ".join(EXERCISES), "Choose one from the list.")
    return key


def _play(visit: Visit, key: str) -> Play | None:
    found = visit.session.kept.get(f"practice {key}") if visit.session is not None else None
    return found if isinstance(found, Play) else None


def exercise(visit: Visit) -> Response:
    """One exercise as it stands on this device."""
    return _page(visit, _exercise(visit))


def answer(visit: Visit) -> Response | str:
    """Start an exercise, answer its question, or ask for a hint; the outcome is kept under the person's name."""
    key = _exercise(visit)
    assert visit.session is not None
    place = f"/practice/{key}"
    with visit.session.lock:
        if visit.text("act") == "start":
            seed = seed_for(visit.bench.shop.look, key, visit.who)
            visit.session.kept[f"practice {key}"] = Play(start(key, seed, visit.bench.shop.shown))
            return place
        play = _play(visit, key)
        if play is None or visit.text("step") != str(len(play.typed)):
            return place  # sent again, or after a restart: the page shows how it stands
        text = HINT if visit.text("act") == HINT else visit.text("choice") or visit.text("answer")
        try:
            if not text:
                raise InputError("answer", "nothing", "an answer", "Answer the question, or ask for a hint.")
            turn = reply(play.drill, text)
        except InputError as error:
            return _page(visit, key, text, *problem_lines(error))
        play.typed.append(text)
        play.turns.append(turn)
        if play.drill.is_over:
            with visit.bench.photo_turn:  # one heavy piece of work at a time
                play.pictures = tuple(str(p.svg) for p in pictures_of(play.drill.outcome, visit.bench.shop.shown))
            with visit.storing() as book:
                keep_outcome(book, visit.who, play.drill.outcome, play.typed)
    return place


def picture(visit: Visit) -> Response:
    """One picture of the truth of an exercise that is over."""
    play, number = _play(visit, _exercise(visit)), visit.number("picture")
    if play is None or number >= len(play.pictures):
        raise InputError("picture", "no such picture", "a finished exercise", "Finish the exercise first.")
    return Response(play.pictures[number], media_type="image/svg+xml")


def _page(visit: Visit, key: str, typed: str = "", *problems: str) -> Response:
    play, shown = _play(visit, key), visit.bench.shop.shown
    title = words.TITLES[key]
    frame = visit.frame(title, kicker="Practice", links=here(visit, practice=True), problems=problems)
    over = play is not None and play.drill.is_over
    question = play.drill.question() if play is not None and not over else None
    asked, form = words.asked(question, shown) if question is not None else ("", "")
    outcome = play.drill.outcome if play is not None and over else None
    compared = words.table(outcome, shown) if outcome is not None else ()
    pictures = play.pictures if play is not None else ()
    named = pictures_names(len(pictures))
    view = DrillPage(
        frame=frame,
        brief=words.brief(play.drill) if play is not None else (),
        is_new=play is not None and not play.typed,
        turns=_turns(play, shown) if play is not None else (),
        question=asked,
        form=form,
        choices=question.choices if question is not None else (),
        step=str(len(play.typed)) if play is not None else "",
        action=f"/practice/{key}",
        typed=typed,
        start="" if question is not None else "Do another one" if over else "Start",
        score=f"{words.score(outcome)}, kept under {visit.who}." if outcome is not None else "",
        parts=tuple(PointsRow(what, f"{points:+.0f}") for what, points in words.parts(outcome, shown))
        if outcome is not None
        else (),
        truth=words.truth(outcome, shown) if outcome is not None else (),
        head=compared[0] if compared else (),
        lines=compared[1:],
        pictures=tuple(Link(name, f"/practice/{key}/{n}.svg") for n, name in enumerate(named)),
    )
    return page("bench_practice.html", view, status=422 if problems else 200)


def pictures_names(many: int) -> tuple[str, ...]:
    """Names of the pictures: two maps, or one of the causes.

    >>> pictures_names(2), pictures_names(1)
    (('The truth at the press', 'The truth at the oven'), ('The causes',))
    """
    return ("The truth at the press", "The truth at the oven")[:many] if many != 1 else ("The causes",)


def _turns(play: Play, shown: Shown) -> tuple[TurnView, ...]:
    steps = [
        TurnView(typed, words.said(turn, shown), tuple(_made(play.drill, c, shown) for c in turn.coupons))
        for typed, turn in zip(play.typed, play.turns, strict=True)
    ]
    return tuple(reversed(steps))


def _made(drill: Drill, made: MadeCoupon, shown: Shown) -> MadeView:
    study = practice_study(drill.seed)
    settings = ", ".join(show(made.settings[f.name], f.unit, shown, digits=3) for f in study.numeric)
    # a failed coupon may come without a symptom: nobody wrote one down
    seen = "passed" if made.passed else WORDS.labels.get(made.symptom, "failed")
    is_drawn = made.passed or bool(made.symptom)
    svg = symptom_svg("" if made.passed else made.symptom, beside_text=True) if is_drawn else Markup("")
    hand = "" if made.hand is None else f"hand {score(made.hand)}"
    return MadeView(made.coupon, settings, seen, svg, hand)
