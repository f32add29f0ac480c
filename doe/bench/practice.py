"""Exercises on the page: the same as in the terminal, with drawings of the coupons that come back."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from markupsafe import Markup
from starlette.responses import Response

from doe.acts.practising import EXERCISES, class_progress, keep_outcome, lesson_seed, seed_for, set_lesson
from doe.bench.shop import keep_newest
from doe.bench.views import Choice, ClassPage, DrillPage, Group, Link, ListPage, MadeView, TurnView
from doe.bench.web import Visit, page, problem_lines
from doe.domain.errors import InputError
from doe.domain.units import Shown, fixed, show
from doe.practice.drill import Drill, MadeCoupon, Turn, practice_study
from doe.practice.drill_chart import ReadCharts
from doe.practice.drills import HINT, reply, start
from doe.symptoms.catalogue import WORDS, fault
from doe.words import practice as words
from doe.words.press import told
from doe.words.wording import day, score
from reports.drawing.symptoms import symptom_svg
from reports.practice import pictures_of, run_chart
from reports.views import Picture

MOST_PLAYS = 50


@dataclass
class Play:
    """An exercise under way on a device: what was typed, what came back, and the pictures of its truth at the end."""

    drill: Drill
    typed: list[str] = field(default_factory=list)
    turns: list[Turn] = field(default_factory=list)
    pictures: tuple[Picture, ...] = ()

    def answer(self, text: str) -> None:
        """Pass on what was typed; nothing has changed if it cannot be used."""
        self.turns.append(reply(self.drill, text))
        self.typed.append(text)


def exercises(visit: Visit) -> Response:
    """The exercises, and how far one is."""
    look = visit.bench.shop.look
    mine = {p.exercise: p for p in class_progress(look) if p.person == visit.who}
    links = []
    for key in EXERCISES:
        parts = [told("exercise_done", best=mine[key].best, times=mine[key].times)] if key in mine else []
        parts += [told("exercise_class")] if lesson_seed(look, key) is not None else []
        links.append(Link(words.TITLES[key], f"/practice/{key}", "; ".join(parts) or told("exercise_new")))
    groups = [Group(told("exercise_group"), tuple(links))]
    groups.append(Group(told("class_group"), (Link(told("class_all"), "/class", told("class_more")),)))
    return page("bench_exercises.html", ListPage(visit.frame(), tuple(groups)))


def whole_class(visit: Visit, *problems: str) -> Response:
    """Who did which exercise how often and how well, for a trainer."""
    look, chosen = visit.bench.shop.look, visit.text("exercise") or EXERCISES[0]
    progress = class_progress(look)
    cells = {(p.person, p.exercise): told("class_cell", best=p.best, times=p.times) for p in progress}
    lines = tuple(
        (
            person,
            *(cells.get((person, key), "") for key in EXERCISES),
            day(max(p.at for p in progress if p.person == person)),
        )
        for person in dict.fromkeys(p.person for p in progress)
    )
    seeds = {key: lesson_seed(look, key) for key in EXERCISES}
    view = ClassPage(
        visit.frame(problems=problems),
        head=(told("class_who"), *(words.TITLES[key] for key in EXERCISES), told("class_day")),
        lines=lines,
        lessons=tuple(
            told("class_lesson", title=words.TITLES[key], seed=seed) for key, seed in seeds.items() if seed is not None
        ),
        exercises=tuple(Choice(key, words.TITLES[key], key == chosen) for key in EXERCISES),
        seed=visit.text("seed"),
    )
    return page("bench_class.html", view, status=422 if problems else 200)


def set_for_class(visit: Visit) -> Response | str:
    """Give everybody the same line of an exercise."""
    seed = visit.text("seed")
    try:
        if not (seed.isascii() and seed.isdecimal() and len(seed) < 10):
            raise InputError(
                "number of the line", repr(seed), "a whole number", "Choose any; the same number is the same line."
            )
        with visit.storing() as book:
            set_lesson(book, visit.text("exercise"), int(seed))
    except InputError as error:
        return whole_class(visit, *problem_lines(error))
    return "/class"


def _exercise(visit: Visit) -> str:
    key = visit.word("exercise")
    if key not in EXERCISES:
        raise InputError(f"exercise {key}", "no such exercise", ", ".join(EXERCISES), "Choose one from the list.")
    return key


def _play(visit: Visit, key: str) -> Play | None:
    """The exercise as it stands on this device; after a restart, or in another process, it is walked through again."""
    kept = visit.session.kept.get(key) if visit.session is not None else None
    if kept is None or visit.session is None:
        return None
    seed, typed = kept["seed"], list(kept["typed"])
    plays, place, shown = visit.bench.plays, (visit.session.key, key), visit.bench.shop.shown
    play = plays.get(place)
    if not isinstance(play, Play) or play.drill.seed != seed or play.typed != typed:
        play = Play(start(key, seed, shown))
        for text in typed:
            play.answer(text)
        keep_newest(plays, place, play, MOST_PLAYS)
    if play.drill.is_over and not play.pictures:
        with visit.bench.photo_turn:  # one heavy piece of work at a time
            play.pictures = pictures_of(play.drill.outcome, shown)
    return play


def answer(visit: Visit) -> Response | str:
    """Start an exercise, answer its question, or ask for a hint; the outcome is kept under the person's name."""
    key, session = _exercise(visit), visit.session
    assert session is not None
    place = f"/practice/{key}"
    with visit.bench.play_turn:
        if visit.text("act") == "start":
            session.kept[key] = {"seed": seed_for(visit.bench.shop.look, key, visit.who), "typed": []}
            visit.bench.plays.pop((session.key, key), None)
            visit.bench.sessions.keep(session)
            return place
        play = _play(visit, key)
        if play is None or visit.text("step") != str(len(play.typed)):
            return place  # sent again: the page shows how it stands
        text = HINT if visit.text("act") == HINT else visit.text("choice") or visit.text("answer")
        try:
            if not text:
                raise InputError("answer", "nothing", "an answer", "Answer the question, or ask for a hint.")
            play.answer(text)
        except InputError as error:
            return exercise(visit, text, *problem_lines(error))
        if play.drill.is_over:
            with visit.storing() as book:
                keep_outcome(book, visit.who, play.drill.outcome, play.typed)
        session.kept[key]["typed"] = list(play.typed)
        visit.bench.sessions.keep(session)
    return place


def exercise(visit: Visit, typed: str = "", *problems: str) -> Response:
    """One exercise as it stands on this device."""
    key, shown = _exercise(visit), visit.bench.shop.shown
    play = _play(visit, key)
    view = DrillPage(visit.frame(problems=problems), words.TITLES[key], key, typed)
    if play is not None:
        turns = zip(play.typed, play.turns, strict=True)
        view = replace(
            view,
            brief=words.brief(play.drill),
            turns=tuple(
                TurnView(text, words.said(turn, shown), tuple(_made(play.drill, c, shown) for c in turn.coupons))
                for text, turn in turns
            )[::-1],
            step=str(len(play.typed)),
        )
        if play.drill.is_over:
            outcome = play.drill.outcome
            head, *lines = words.table(outcome, shown) or ((),)
            view = replace(
                view,
                score=words.score(outcome),
                parts=tuple((what, fixed(points, 0, "+")) for what, points in words.parts(outcome, shown)),
                truth=words.truth(outcome, shown),
                head=head,
                lines=tuple(lines),
                pictures=play.pictures,
            )
        elif (question := play.drill.question()) is not None:
            asked, form = words.asked(question, shown)
            choices = tuple(Choice(key, words.choice(key)) for key in question.choices)
            causes = tuple(Choice(f"={key}", fault(key).label) for key in question.causes)
            view = replace(view, question=asked, form=form, choices=choices, namings=causes)
            if isinstance(play.drill, ReadCharts):
                number = len(play.drill.read) + 1
                view = replace(view, pictures=(run_chart(play.drill.chart, number, shown),))
    return page("bench_practice.html", view, status=422 if problems else 200)


def _made(drill: Drill, made: MadeCoupon, shown: Shown) -> MadeView:
    study = practice_study(drill.seed)
    settings = ", ".join(show(made.settings[f.name], f.unit, shown, digits=3) for f in study.numeric)
    # a failed coupon may come without a symptom: nobody wrote one down
    seen = "passed" if made.passed else WORDS.labels.get(made.symptom, "failed")
    is_drawn = made.passed or bool(made.symptom)
    svg = symptom_svg("" if made.passed else made.symptom) if is_drawn else Markup("")
    hand = "" if made.hand is None else f"hand {score(made.hand)}"
    return MadeView(made.coupon, settings, seen, svg, hand)
