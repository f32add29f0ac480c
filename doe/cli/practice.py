"""`doe practice`: exercises on simulated lines, and a class at a glance."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import numpy as np

from doe.acts import practising
from doe.cli.ask import ask_text
from doe.cli.desk import Block, Desk, Reply, Table, command
from doe.cli.terminal import error_lines, say
from doe.domain.errors import InputError, quoted
from doe.domain.jsonable import named
from doe.domain.units import Shown, fixed, show
from doe.practice.drill import Drill, DrillResult, MadeCoupon, MapPicture, Question, Turn, practice_study
from doe.practice.drills import reply, start
from doe.symptoms.catalogue import WORDS
from doe.words import practice as words
from doe.words.wording import day
from reports.files import write_whole
from reports.pages import render
from reports.practice import map_finding, practice_page


@command("practice list")
def list_exercises(desk: Desk) -> Reply:
    """List the exercises and what each one teaches."""
    return Reply(
        {"exercises": [{"exercise": name, "about": text} for name, text in words.ABOUT.items()]},
        (Table(("exercise", "what you do"), list(words.ABOUT.items())),),
        ("doe practice play fault",),
    )


@command("practice play")
def play(
    desk: Desk, exercise: str, seed: int | None = None, answers: Sequence[str] = (), output: Path | None = None
) -> Reply:
    """Do an exercise; at the end the truth comes out and the score is kept under your name."""
    if not answers and not desk.can_ask:
        raise InputError(
            "doe practice play", "nobody to ask", "a terminal, or --answer", "See doe practice play --help."
        )
    with desk.open() as book:
        chosen = practising.seed_for(book, exercise, desk.name) if seed is None else seed
    drill = start(exercise, chosen, desk.shown)
    given: list[str] = []
    if answers:
        turns = [_pass_on(drill, text, given) for text in answers]
    else:
        turns = []
        _talk(drill, given)
    if not drill.is_over:
        open_question = drill.question()
        asked = words.asked(open_question, desk.shown) if open_question is not None else ("", "")
        told = [line for turn in turns for line in words.said(turn, desk.shown)]
        said: list[Block] = [*told, *asked] if answers else []
        said += ["Not finished; nothing is kept.", *(["", *words.brief(drill)] if answers else [])]
        data = {
            "exercise": exercise,
            "seed": chosen,
            "over": False,
            "question": None if open_question is None else _question_data(open_question, desk.shown),
            "turns": [_turn_data(turn, desk.shown) for turn in turns],
        }
        return Reply(data, said, (f"doe practice play {exercise} --seed {chosen}",))
    outcome = drill.outcome
    page = _write_page(desk, drill, output)
    with desk.open() as book:
        number = practising.keep_outcome(book, desk.name, outcome, given)
    blocks = _outcome_blocks(drill, page)
    return Reply(
        {
            "exercise": exercise,
            "seed": chosen,
            "over": True,
            **named(outcome, "score", "coupons", "minutes", "hints"),
            "parts": words.parts(outcome, desk.shown),
            "truth": words.truth(outcome, desk.shown),
            "facts": {"parts": outcome.parts, "truth": outcome.truth},
            "turns": [_turn_data(turn, desk.shown) for turn in turns],
            "note": number,
            "page": page,
        },
        blocks if answers else [*blocks, *little_map(outcome)],
        ("doe practice class", f"doe practice play {exercise}"),
        more=little_map(outcome) if answers else (),
        is_whole=not answers,
        is_once=True,
    )


def _pass_on(drill: Drill, text: str, given: list[str]) -> Turn:
    turn = reply(drill, text)
    given.append(text)
    return turn


def _question_data(question: Question, shown: Shown) -> dict[str, object]:
    text, form = words.asked(question, shown)
    return {"text": text, "form": form, "choices": question.choices, "asks": question.asks}


def _turn_data(turn: Turn, shown: Shown) -> dict[str, object]:
    return {"lines": words.said(turn, shown), "said": turn.said, "coupons": turn.coupons}


def _talk(drill: Drill, given: list[str]) -> None:
    """Ask and answer at a terminal until it is over, or the person types q."""
    for line in words.brief(drill):
        say(line)
    say("Type hint for a hint, q to leave it.")
    while (question := drill.question()) is not None:
        say("")
        if given and (case := words.case(drill, drill.shown)):
            say(case)
        text, form = words.asked(question, drill.shown)
        say(text)
        if form:
            say(f"({form})", indent=" ")
        typed = ask_text(">", about="An answer in the form above; hint for a hint, q to leave it.")
        if typed.strip().lower() == "q":
            return
        try:
            turn = _pass_on(drill, typed, given)
        except InputError as error:
            for line in error_lines(error):
                say(line, indent="  ", style="31")
            continue
        for line in words.said(turn, drill.shown):
            say(line)
        _show_coupons(drill, turn.coupons)


def _show_coupons(drill: Drill, coupons: Sequence[MadeCoupon]) -> None:
    """Coupons as they come back, three beside one another: drawing, what is seen, hand-feel."""
    study = practice_study(drill.seed)

    def settings_of(made: MadeCoupon) -> list[str]:
        return [show(made.settings[f.name], f.unit, drill.shown, digits=3) for f in study.numeric]

    told = [settings_of(made) for made in coupons]
    differ = [j for j in range(len(told[0]) if told else 0) if len({row[j] for row in told}) > 1]
    alike = [value for j, value in enumerate(told[0] if told else ()) if j not in differ]
    if alike:
        say(", ".join(alike))
    for first in range(0, len(coupons), 3):
        columns = []
        for made in coupons[first : first + 3]:
            settings = settings_of(made)
            # a failed coupon may come without a symptom: nobody wrote one down
            seen = "passed" if made.passed else WORDS.labels.get(made.symptom, "failed")
            hand = "" if made.hand is None else f"hand {fixed(made.hand, 1)}"
            own = [settings[j] for j in differ]
            own = [", ".join(own[i : i + 2]) for i in range(0, len(own), 2)]
            columns.append([f"{made.coupon} {hand}", *own, *words.drawing("" if made.passed else made.symptom), seen])
        print()
        for lines in zip(*columns, strict=True):
            print("  ".join(line.ljust(words.SIGNS + 2)[: words.SIGNS + 2] for line in lines).rstrip())


def _write_page(desk: Desk, drill: Drill, output: Path | None) -> Path | None:
    if output is None:
        return None
    page = practice_page(drill.outcome, who=desk.name, day=day(datetime.now()), shown=desk.shown)
    return write_whole(output, render("practice.html", page, names=(desk.name,)))


def _outcome_blocks(drill: Drill, page: Path | None) -> list[Block]:
    outcome = drill.outcome
    counted = [(what, fixed(points, 0, "+")) for what, points in words.parts(outcome, drill.shown)]
    again = f"doe practice play {outcome.exercise} --seed {outcome.seed} -o truth.html"
    told = f"The picture of the truth is in {page}" if page is not None else f"The truth as a page: {again}"
    blocks: list[Block] = [
        f"{words.score(outcome)}. {told}",
        Table(("what counts", "points"), counted, right=("points",)),
        "",
        *words.truth(outcome, drill.shown),
    ]
    if outcome.compared:
        head, *rows = words.table(outcome, drill.shown)
        blocks.append(Table(head, rows))
    return blocks


@command("practice lesson")
def lesson(desk: Desk, exercise: str, seed: int) -> Reply:
    """Set the same line for the whole class."""
    with desk.open() as book:
        practising.set_lesson(book, exercise, seed)
    return Reply(
        {"exercise": exercise, "seed": seed},
        (f"Whoever plays {exercise} next in this book gets line {seed}.",),
        (f"doe practice play {exercise}", "doe practice class"),
    )


@command("practice class")
def class_(desk: Desk, person: str | None = None) -> Reply:
    """Show who did which exercise, how often and how well."""
    with desk.look() as book:
        found = [p for p in practising.class_progress(book) if person is None or p.person == person]
        lessons = {e: practising.lesson_seed(book, e) for e in practising.EXERCISES}
    people = list(dict.fromkeys(p.person for p in found))
    cells = {(p.person, p.exercise): f"{p.best} ({p.times}x)" for p in found}
    rows = [
        (
            name,
            *(cells.get((name, e), "-") for e in practising.EXERCISES),
            day(max(p.at for p in found if p.person == name)),
        )
        for name in people
    ]
    said: list[Block] = [
        Table(("who", *practising.EXERCISES, "last day"), rows, title="Best score (times done)", is_list=True)
    ]
    said = said if rows else ["Nobody has done an exercise in this book yet."]
    set_for = [f"{e}: line {s}" for e, s in lessons.items() if s is not None]
    if set_for:
        said += ["", f"Set for the class: {', '.join(set_for)}."]
    return Reply(
        {"progress": found, "lessons": {e: s for e, s in lessons.items() if s is not None}},
        said,
        () if rows else (f"doe practice play tune --who {quoted(desk.name)}",),
    )


_COLUMNS, _ROWS = 46, 12


def little_map(outcome: DrillResult) -> list[Block]:
    """Truth over press temperature and dwell, the other settings at the best; nothing for other pictures."""
    picture = outcome.picture
    if not isinstance(picture, MapPicture):
        return []
    study = picture.line.study
    fx, fy = study.factor("press_temp"), study.factor("dwell")
    xs, ys = np.linspace(fx.low, fx.high, _COLUMNS), np.geomspace(fy.low, fy.high, _ROWS)
    rates = picture.rates("press_temp", "dwell", xs, ys, nodes=32)
    grid = np.where(rates >= 0.95, "#", np.where(rates >= 0.8, "+", np.where(rates >= 0.5, ".", " ")))
    keys = {}
    for name, settings in picture.marks.items():
        mark = name.removeprefix("the ")[0].upper()
        keys[mark] = name
        column = int(np.abs(xs - settings["press_temp"]).argmin())
        row = int(np.abs(np.log(ys / settings["dwell"])).argmin())
        grid[row, column] = mark
    lines = ["The truth: # 95 of 100 or more pass, + 80, . 50; the other settings as the best."]
    lines += [f"  |{''.join(line)}|" for line in grid[::-1]]
    finding = map_finding(rates)
    named = ", ".join(f"{mark} {name}" for mark, name in keys.items())
    return ["", *lines, f"  across: press temperature, up: dwell; {named}", f"  {finding[0].upper()}{finding[1:]}."]
