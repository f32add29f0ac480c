"""`doe diagnose`: what a failing recipe suffers from, and the cheapest check that tells."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from typing import Any

from doe.acts import diagnosis as acts
from doe.acts.diagnosis import CASE, Back, Diagnosed, Setting
from doe.acts.recipe.recipes import find_recipe
from doe.book.book import Book
from doe.book.records import StudyRecord
from doe.cli.ask import ask, ask_choice, ask_text, questions, tell
from doe.cli.desk import Block, Desk, Reply, Screen, Table, Warn, command, show_reply
from doe.cli.terminal import say
from doe.domain.errors import InputError, quoted
from doe.domain.factors import KNOWN_FACTORS, usual_factor
from doe.domain.jsonable import named
from doe.domain.recipe import KeptRecipe
from doe.domain.study import Study
from doe.domain.units import Shown, parse_number
from doe.symptoms.catalogue import CATALOGUE, FAULTS, PRACTICE, WORDS, fault, look, may_be_meant, meant, symptom
from doe.symptoms.diagnosis import Evidence
from doe.symptoms.known import FILM_CLASSES, PLACES, SHOWN_WHEN, Known
from doe.words import diagnosis as words
from doe.words.cautions import FOOTER
from doe.words.gauges.cautions import status_words
from doe.words.typed import as_set, pairs
from doe.words.typed import setting as setting_named
from doe.words.wording import day

MOST = 8
"""Causes, and checks, that ``--json`` carries."""


@command("diagnose")
def diagnose(
    desk: Desk,
    known: Known,
    study: str | None = None,
    symptom: Sequence[str] = (),
    absent: Sequence[str] = (),
    settings_typed: Sequence[str] = (),
    found: Sequence[str] = (),
    turned_out: str | None = None,
    back: str = "",
    note: str = "",
    close: int | None = None,
    recipe: str | None = None,
    listed: bool = False,
    past: bool = False,
    withdraw: int | None = None,
    why: str = "",
) -> Reply:
    """Rank what may be wrong with a failing recipe, and propose the check that tells most per minute."""
    if listed:
        return _list()
    came_back = acts.came_back(back, "--coupon")
    if close is not None:
        return _close(desk, close, came_back, note)
    if past or withdraw is not None:
        return _past(desk, withdraw, why)
    if (back or note) and turned_out is None:
        raise InputError(
            "--coupon, --note", "no cause", "with --turned-out or --close", "Say what it turned out to be."
        )
    asks = not symptom and not found and desk.can_ask
    with _book(desk, needed=(study or recipe) is not None, stores=asks or turned_out is not None) as book:
        released = _released(book, study, recipe)
        if released is not None:
            study = str(released.study_id)
        record = _study_meant(book, study) if book is not None and study is not None else None
        current = _settings(settings_typed, record.study if record else None, desk.shown)
        setting = acts.setting_of(book, study, current, kept=released)
        known = setting.added_to(known)
        outcomes = dict(map(_outcome, found))
        if asks and book is not None:
            return _session(desk, book, setting, questions(partial(_asked, known)))
        evidence = Evidence(_keys(symptom), _keys(absent), known, outcomes)
        done = acts.diagnose_case(book, evidence, setting)
        kept = None
        if book is not None and turned_out is not None:
            kept = acts.keep_case(book, setting, evidence, turned_out, back=came_back, note=note)
    said = [_kept_words(kept, came_back)] if kept else []
    blocks, rest = _blocks(done, setting, desk)
    return Reply(
        {
            "study": record.name if record else None,
            "recipe": setting.released or None,
            "revision": setting.revision or None,
            **_data(done, desk.shown),
            "case": kept,
        },
        (*said, *blocks),
        ((f"doe diagnose --close {kept} --coupon passed",) if not came_back else ()) if kept else (_again(done),),
        more=rest,
    )


def _kept_words(number: int, back: Back) -> str:
    taught = "It teaches the odds nothing: say what is seen on that coupon." if back == "failed" else LEARNED
    return f"Kept as case {number}, {words.BACK[back]}. {taught}"


LEARNED = "The shop's odds have learned from it."


def _close(desk: Desk, number: int, back: Back, note: str) -> Reply:
    """One coupon back at the recipe closes a case, or says that its cause was not it."""
    with desk.open(create=False) as book:
        kept = acts.close_case(book, number, back, words.CLOSED, note)
    return Reply({"case": kept, "back": back}, (_kept_words(kept, back),), ("doe diagnose --past",))


def _released(book: Book | None, study: str | None, recipe: str | None) -> KeptRecipe | None:
    """The recipe that was named."""
    if book is None or recipe is None:
        return None
    if study is not None:
        raise InputError("doe diagnose", "a study and a recipe", "one of them", "Name the recipe alone.")
    kept = find_recipe(book, recipe)
    if not kept.in_force or kept.study_id is None:
        found = f"retired: {kept.retired_why}" if kept.retired_why else "without its study in this book"
        raise InputError(f"recipe {kept.recipe.name}", found, "a recipe in force", "Name another, or a study.")
    return kept


def _study_meant(book: Book, study: str) -> StudyRecord:
    """The study that was named; words for what is seen are told where they belong."""
    try:
        return book.study(study)
    except InputError as error:
        if not may_be_meant(study):
            raise
        remedy = f"What is seen stands behind its option: doe diagnose --symptom {quoted(study)}"
        raise InputError("study", repr(study), "a study of the book", remedy) from error


def _settings(texts: Sequence[str], study: Study | None, shown: Shown) -> dict[str, float]:
    """Stored values of ``press_temp=150`` and the like; factors of the study, or the usual ones."""
    known = {name: usual_factor(name) for name, usual in KNOWN_FACTORS.items() if usual.unit}
    known |= {f.name: f for f in study.numeric} if study is not None else {}
    found = {}
    for called, value in pairs(texts, "--set", "press_temp=150").items():
        name = setting_named(called, known.values(), "--set")
        found[name] = as_set(value, known[name].unit, f"--set {name}", shown)
    return found


@contextmanager
def _book(desk: Desk, *, needed: bool, stores: bool) -> Iterator[Book | None]:
    """The book; None where a shop has none yet and none is needed. One is made only to store something."""
    if needed or stores:
        with desk.open(create=stores and not needed) as book:
            yield book
        return
    try:
        book = desk.look()
    except InputError:
        yield None
        return
    with book:
        yield book


def _keys(texts: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(key for text in texts for key in meant(text, "--symptom")))


def _outcome(text: str) -> tuple[str, str]:
    key, equals, outcome = (part.strip() for part in text.partition("="))
    if not equals:
        raise InputError("--found", repr(text), "a check and its outcome", "Write it like --found room=dry.")
    made = look(key)
    return made.key, made.outcome_keys()[made.place(outcome)]


def _blocks(done: Diagnosed, setting: Setting, desk: Desk) -> Screen:
    """A diagnosis for a person: danger, the likely cause, what to check next; then what moved the odds."""
    found = done.diagnosis
    rows = [(c.fault.label, words.likelihood(c.p), words.chance(c.p)) for c in found.causes[:5] if c.p >= 0.03]
    blocks: list[Block] = [*map(Warn, words.stop_sentences(done.advice, setting.beyond)), words.headline(found)]
    if setting.released:
        blocks.append(f"Held against recipe {setting.released}, revision {setting.revision}, which is in force.")
    blocks += [f"  {text}" for text in words.advice_sentences(found, done.advice, desk.shown)]
    blocks += [Warn(status_words(status, desk.shown)) for status in setting.not_read]
    blocks += [Warn(FOOTER), "", words.what_next(found)]
    if found.checks:
        look = found.checks[0].look
        blocks += [f"  - {o.key}: {o.words}" for o in look.outcomes] + [f"  - usual: {look.usual}"]
    reasons = [f"  {text}" for text in words.reasons(found, WORDS.labels, desk.shown)]
    blocks += [*reasons[:1], Table(("it may be", "", "chance"), rows, right=("chance",), is_list=True)]
    helps = [f"  {text}" for text in words.remedies(done.evidence)]
    told = [f"{words.REMEDIES}:", *helps, ""] if helps else []
    return blocks, ["", *reasons[1:], "", *told, words.odds_sentence(found)]


def _again(done: Diagnosed) -> str:
    """How to carry on: the same command with one more option."""
    if done.diagnosis.checks:
        return f"doe diagnose ... --found {done.diagnosis.checks[0].look.key}=OUTCOME"
    return "doe diagnose ... --turned-out CAUSE"


def _asked(known: Known) -> Evidence:
    """Symptoms and the facts that are quickly given, asked at a terminal."""
    for number, s in enumerate(CATALOGUE, start=1):
        tell(f"{number:3}  {s.label}: {s.seen}", indent="     ")

    def read(answer: str) -> tuple[str, ...]:
        parts = [p.strip() for p in answer.replace(";", ",").split(",") if p.strip()]
        keys: list[str] = []
        for part in parts:
            if part.isdigit() and 1 <= int(part) <= len(CATALOGUE):
                keys.append(CATALOGUE[int(part) - 1].key)
            else:
                keys += meant(part, "symptom")
        if not keys:
            raise InputError("symptoms", "none", "at least one", "Type its number or its name.")
        return tuple(dict.fromkeys(keys))

    about = "Numbers or names of the list above, or everyday words such as bubbles."
    symptoms = ask("What is seen (numbers or names, comma between)", read, about=about)
    return Evidence(symptoms, known=_facts(known, symptoms))


_QUICK = (
    ("humidity_pct", "Humidity of the room in %"),
    ("powder_months", "Months since the powder was opened"),
    ("film_months", "Months since the film was opened"),
    ("ink_months", "Months since the ink was opened"),
    ("gap_s", "Seconds between oven and press"),
    ("peel_wait_s", "Seconds between press and peel"),
    ("wash_wait_h", "Hours between press and wash"),
)
"""Facts asked at a terminal, each only while it is not known: field of `Known`, question."""


def _facts(known: Known, symptoms: tuple[str, ...]) -> Known:
    """Facts that are quickly given; Enter leaves one out, a dot the rest."""
    washed = any(symptom(key).when in ("after wash", "days later") for key in symptoms)
    chosen = {
        "where": ("Where on the print", PLACES),
        "when": ("When it shows", SHOWN_WHEN),
        "film_class": ("Peel class of the film in use", FILM_CLASSES),
    }
    for name, (question, choices) in chosen.items():
        if not getattr(known, name):
            answer = ask_choice(question, [*choices, "not known"], default="not known")
            told_now: Any = {name: "" if answer == "not known" else answer}
            known = replace(known, **told_now)
    tell("Further facts: Enter leaves one out, a dot leaves out the rest.")
    for name, question in _QUICK:
        if getattr(known, name) is not None or (name == "wash_wait_h" and not washed):
            continue

        def read(answer: str, name: str = name, question: str = question) -> Known | None:
            if answer == ".":
                return None
            value: Any = {name: parse_number(answer.removesuffix("%").strip(), question) if answer else None}
            return replace(known, **value)  # noqa: B023 - asked at once

        told = ask(question, read, default="", about="A number; a dot leaves out this one and the rest.")
        if told is None:
            break
        known = told
    return known


def _session(desk: Desk, book: Book, setting: Setting, evidence: Evidence) -> Reply:
    """Diagnose, check, diagnose again, until the person stops or nothing is left to check; then ask what it was."""
    skipped: set[str] = set()
    while True:
        done = acts.diagnose_case(book, evidence, setting)
        blocks, rest = _blocks(done, setting, desk)
        show_reply(Reply({}, ["", *blocks], more=rest), desk)
        left = [n for n in done.diagnosis.checks if n.look.key not in skipped]
        if not left:
            break
        proposed = left[0]
        if proposed is not done.diagnosis.checks[0]:
            say(f"Check next: {words.check_words(proposed)}")
        look = proposed.look
        choices = [*(o.words for o in look.outcomes), look.usual, "skip this check", "stop"]
        chosen = ask_choice("What came out", choices)
        if chosen == "stop":
            break
        if chosen == "skip this check":
            skipped.add(look.key)
            continue
        outcome = look.outcome_keys()[choices.index(chosen)]
        evidence = replace(evidence, found={**evidence.found, look.key: outcome})
    likely = [c.fault.label for c in done.diagnosis.causes[:6]]
    for number, label in enumerate(likely, start=1):
        say(f"  {number}  {label}")

    def read(answer: str) -> str | None:
        if not answer:
            return None
        if answer.isdigit() and 1 <= int(answer) <= len(likely):
            return done.diagnosis.causes[int(answer) - 1].fault.key
        return "none" if answer.lower() == "none" else fault(answer).key

    cause = ask("What did it turn out to be (number, name, none; Enter: not known yet)", read, default="")
    if cause is None:
        return Reply({**_data(done, desk.shown), "case": None}, ("Nothing is kept.",), ("doe diagnose --past",))
    tell(words.CLOSING)
    back = _BACK[ask_choice("That coupon", list(_BACK), default="not made yet")]
    note = ask_text("Anything to remember (Enter: nothing)", default="")
    kept = acts.keep_case(book, setting, evidence, cause, back=back, note=note)
    said = _kept_words(kept, back)
    return Reply({**_data(done, desk.shown), "case": kept}, (said,), ("doe diagnose --past",))


_BACK: dict[str, Back] = {"passed": "passed", "failed": "failed", "not made yet": ""}


def _list() -> Reply:
    """Every symptom, with the name of its drawing, and every cause."""
    seen = [(s.label, s.key, s.seen) for s in CATALOGUE]
    causes = [(f.label, f.key, f.at) for f in FAULTS]
    return Reply(
        {
            "symptoms": [{**named(s, "key", "label", "seen", "remedy"), "drawing": s.key} for s in CATALOGUE],
            "causes": [named(f, "key", "label", "at", "remedy") for f in FAULTS],
        },
        (Table(("seen", "drawing", "what it looks like"), seen, is_list=True), Warn(FOOTER)),
        ('doe diagnose --symptom "edge haze"',),
        more=["", Table(("cause", "name", "where"), causes)],
    )


def _past(desk: Desk, withdraw: int | None, why: str) -> Reply:
    if withdraw is not None:
        with desk.open(create=False) as book:
            book.withdraw_note(acts.numbered(book, withdraw, "--withdraw").id, why)
        return Reply(
            {"withdrawn": withdraw},
            (f"Case {withdraw} no longer counts; it stays in the book.",),
            ("doe diagnose --past",),
        )
    with desk.look() as book:
        notes = book.notes(CASE)
    rows = [
        (
            str(acts.case_number(n)),
            day(n.at),
            n.name,
            ", ".join(WORDS.labels.get(s, s) for s in n.data["symptoms"]),
            fault(n.data["cause"]).label if n.data["cause"] else "not on the list",
            words.BACK[n.data.get("back", "")].partition(":")[0],
        )
        for n in notes
    ]
    if not rows:
        return Reply({"cases": []}, ("No case is kept yet.",), ("doe diagnose --help",))
    still_open = [acts.case_number(n) for n in notes if not n.data.get("back")]
    waiting = [f"doe diagnose --close {number} --coupon passed" for number in still_open[:1]]
    return Reply(
        {"cases": [{"id": acts.case_number(n), "at": n.at, "study": n.name, "by": n.who, **n.data} for n in notes]},
        (Table(("no.", "day", "study", "seen", "turned out to be", "case"), rows, right=("no.",), is_list=True),),
        (*waiting, 'doe diagnose --symptom "edge haze"'),
        more=[
            f"Case {acts.case_number(n)}: {'; '.join(known)}."
            for n in notes
            if (known := words.case_known(n.data, desk.shown))
        ],
    )


def _data(done: Diagnosed, shown: Shown) -> dict[str, Any]:
    """The diagnosis for ``--json``; what moved the odds as facts, and in words."""
    found = done.diagnosis
    return {
        **named(done.evidence, "symptoms", "absent", "found"),
        **named(found, "settled", "tied", "p_none"),
        "shop_cases": found.cases,
        "causes": [
            {
                "cause": c.fault.key,
                "label": c.fault.label,
                "side": c.fault.side,
                "p": c.p,
                "explains": c.explains,
                "moved_by": [
                    {"factor": m.factor, "because": words.because(m.because, shown), "fact": m.because}
                    for m in c.moved_by
                ],
                "source": PRACTICE,
            }
            for c in found.causes[:MOST]
        ],
        "checks": [
            {
                "check": n.look.key,
                "words": n.look.words,
                "minutes": n.look.minutes,
                "bits": n.bits,
                "bits_per_minute": n.bits_per_minute,
                "outcomes": {o.key: o.words for o in n.look.outcomes} | {"usual": n.look.usual},
            }
            for n in found.checks[:MOST]
        ],
        "advice": {
            "remedy": done.advice.remedy,
            "catalogue": words.remedies(done.evidence),
            "caution": FOOTER,
            "moves": done.advice.moves,
            "call": done.advice.call,
            "stop": done.advice.stop,
        },
    }
