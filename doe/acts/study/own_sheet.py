"""Coupons made and scored elsewhere: how their sheet is read, a study that begins with one, and both kept."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from doe.acts.study.limits import refuse_without_limits
from doe.acts.study.new import NewStudy, new_study
from doe.acts.study.plans import stored_plan
from doe.book.book import Book
from doe.book.records import StudyRecord
from doe.book.sheets.foreign import ColumnUse, ForeignSheet, guess_mapping, guess_uses
from doe.book.sheets.foreign_results import (
    NOTHING,
    ForeignResults,
    known_meaning,
    map_foreign,
    without_rows,
    word_key,
    words_to_ask,
)
from doe.domain.errors import InputError, InputErrors
from doe.domain.factors import KNOWN_FACTORS, Factor, usual_factor
from doe.domain.finding import Finding, Value
from doe.domain.limits import CEILING_DEGC
from doe.domain.outcome import BATCH_COLUMNS
from doe.domain.said import is_nothing, squeeze
from doe.domain.score import entry_problems
from doe.domain.spec import DEFAULT_CHECKS, Check, Spec
from doe.domain.study import MIN_FACTORS, Study
from doe.domain.units import Shown, parse_quantity
from doe.plans.judge import judge_plan
from doe.symptoms.catalogue import EVERYDAY, WORDS, may_be_meant, meant
from doe.words import typed
from doe.words.study.plans import brought_from, brought_words
from doe.words.study.typed import SOUND_LABEL, StudyOptions

READ_AS = "read as"
"""Code of the note that keeps how a sheet was read."""
SOUND = Check("sound", SOUND_LABEL)
"""The one check of a study whose sheet has one verdict over everything."""


@dataclass(frozen=True)
class Reading:
    """How a sheet is read.

    Parameters
    ----------
    uses : mapping of heading to ColumnUse
    words : mapping
        What words of cells mean: ``pass``, ``fail``, ``nothing`` or keys of symptoms.
    left_out : tuple of str
        Rows that are not taken, by number or coupon.
    people : tuple of str
        Who felt the coupons.
    """

    uses: Mapping[str, ColumnUse] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)
    left_out: tuple[str, ...] = ()
    people: tuple[str, ...] = ()

    def as_note(self) -> Finding:
        """The reading as a note of the round that it made."""
        uses = tuple((heading, use.role, use.unit) for heading, use in self.uses.items())
        words: Value = tuple(self.words.items())
        return Finding(READ_AS, {"uses": uses, "words": words, "left_out": self.left_out, "people": self.people})


def kept_reading(book: Book, study: int) -> Reading | None:
    """How the last sheet of a study was read, but for rows left out; None where there was none."""
    notes = [note for made in book.plan_info(study).rounds for note in made.notes]
    kept: list[Any] = [note.values for note in notes if isinstance(note, Finding) and note.code == READ_AS]
    if not kept:
        return None
    uses = {heading: ColumnUse(role, unit) for heading, role, unit in kept[-1]["uses"]}
    return Reading(uses, dict(kept[-1]["words"]), people=tuple(kept[-1]["people"]))


def proposed_uses(sheet: ForeignSheet, study: Study | None) -> dict[str, ColumnUse]:
    """What each column is likely used for: a setting or check of the study, without one of the usual ones."""
    if study is not None:
        return guess_mapping(sheet, study)
    usual = [usual_factor(name) for name in KNOWN_FACTORS]
    uses = guess_uses(sheet, usual, DEFAULT_CHECKS, _is_telling)
    checks = {use.role for use in uses.values() if use.role.startswith("check_")}
    if not checks:
        return uses
    # beside looks after washing, what is said of the whole is what was seen at the press: without it, coupons that
    # failed there would have no result at all
    at_press = {f"check_{c.name}" for c in DEFAULT_CHECKS if not c.is_later}
    instead = "ignore" if checks & at_press else f"check_{next(c.name for c in DEFAULT_CHECKS if not c.is_later)}"
    return {h: ColumnUse(instead) if use.role == "pass" else use for h, use in uses.items()}


def _is_telling(heading: str) -> bool:
    return known_meaning(heading, {}, WORDS) is not None or bool(may_be_meant(heading))


def roles_of(study: Study | None) -> Mapping[str, tuple[str, ...]]:
    """Everything a column may be used for, each with other words for it; ``hand NAME`` aside."""
    factors = [usual_factor(name) for name in KNOWN_FACTORS] if study is None else study.factors
    checks = DEFAULT_CHECKS if study is None else study.spec.checks
    names: dict[str, tuple[str, ...]] = {f.name: (f.label,) for f in factors}
    names |= {f"check_{c.name}": (c.name, c.label) for c in checks}
    others = ("pass", "ticked", "hand", "coupon", "symptom", "side", "grade", "note", "void", *BATCH_COLUMNS, "ignore")
    return {
        **names,
        **{f"actual_{f.name}": (f"actual {f.label}",) for f in factors if not f.is_categorical},
        **dict.fromkeys(others, ()),
    }


def use_named(text: str, heading: str, study: Study | None) -> ColumnUse:
    """What a person says a column is: a setting or check by name or label, ``hand ana``, ``coupon`` and so on.

    Raises
    ------
    InputError
        If it is none of these.
    """
    kind, _, person = text.replace("_", " ").strip().partition(" ")
    if kind.casefold() == "hand" and person:
        return ColumnUse.of(f"hand_{person}", heading)
    return ColumnUse.of(typed.name_of(text, roles_of(study), f"column {heading}"), heading)


def meaning_of(text: str, where: str) -> str:
    """What a person says a word means: pass, fail, nothing, or what is seen, in the words of the list or everyday ones.

    Raises
    ------
    InputError
        If it is none of these, or may be several symptoms.
    """
    plain = known_meaning(text, {})
    if plain is not None:
        return plain
    return NOTHING if is_nothing(text) or word_key(text) in (NOTHING, "ignore") else ";".join(meant(text, where))


def with_everyday_words(sheet: ForeignSheet, reading: Reading) -> Reading:
    """The reading with everyday words that stand for one symptom, such as *bubbles*; a part of a word is not enough."""
    words = {word_key(word): meaning for word, meaning in reading.words.items()}
    for word in words_to_ask(_taken(sheet, reading), reading.uses, words, WORDS):
        keys = EVERYDAY.get(squeeze(word), ())
        if len(keys) == 1:
            words[word_key(word)] = keys[0]
    return replace(reading, words=words)


def unclear_words(sheet: ForeignSheet, reading: Reading) -> dict[str, list[int]]:
    """Words that a person has to explain, with the rows they stand in."""
    return words_to_ask(_taken(sheet, reading), reading.uses, reading.words, WORDS)


def _taken(sheet: ForeignSheet, reading: Reading) -> ForeignSheet:
    return without_rows(sheet, reading.uses, reading.left_out)


def read_coupons(sheet: ForeignSheet, study: Study, reading: Reading) -> ForeignResults:
    """Coupons and scores of a sheet, checked as the book will check them.

    Raises
    ------
    InputErrors
        Naming every column, cell and score that cannot be used.
    """
    taken = _taken(sheet, reading)
    found = map_foreign(taken, study, reading.uses, people=reading.people, symptoms=WORDS, words=reading.words)
    problems = [p for entry in found.entries for p in entry_problems(entry, study)]
    if problems:
        raise InputErrors(problems)
    return found


def store_sheet(
    book: Book, record: StudyRecord, sheet: ForeignSheet, reading: Reading, *, file: str, why: str = ""
) -> tuple[ForeignResults, int]:
    """Store coupons and scores as rounds after those already there, with how they were read; and the new fields.

    Raises
    ------
    InputErrors
        Naming limits that are missing, and what cannot be used.
    """
    refuse_without_limits(record.study)
    found = read_coupons(sheet, record.study, reading)
    before = book.plan_coupons(record.id)
    coupons = found.coupons.copy()
    if len(before):
        clash = sorted(set(before["coupon"]) & set(coupons["coupon"]))
        if clash:
            raise InputError(
                f"{file}, coupon",
                ", ".join(clash[:5]),
                "names that are not in the study yet",
                "Rename them, or record their scores with --file.",
            )
        coupons["round"] = coupons["round"] + int(before["round"].max())
    notes = (*found.notes, reading.as_note(), brought_from(file))
    return found, book.bring_in(record.id, coupons, found.entries, kind="brought", notes=notes, why=why)


def judgement_of(book: Book, record: StudyRecord) -> tuple[str, ...]:
    """What coupons that nobody planned can and cannot tell, in plain sentences."""
    plan = stored_plan(book, record)
    coupons = plan.coupons.copy()
    # a sheet seldom says which coupons shared a batch; each on its own is the kindest reading, and it is said
    assumed = False
    for name in ("cure_batch", "press_batch", "cure_order", "press_order", "garment", "stroke"):
        if name not in coupons or coupons[name].isna().any():
            coupons[name] = range(1, len(coupons) + 1)
            assumed = True
    if "role" not in coupons:
        coupons["role"] = "brought"
    judged = judge_plan(replace(plan, coupons=coupons), line=record.line)
    return brought_words(judged, record.study, batches_assumed=assumed)


# a study that begins with a sheet


def draft_of(sheet: ForeignSheet, reading: Reading, wanted: StudyOptions, shown: Shown) -> Study:
    """A study that can take the sheet: settings that differ between its rows, over the usual ranges, and its checks.

    Raises
    ------
    InputErrors
        If no setting with a range differs, or more than a study takes.
    """
    stated = {f.name: f for f in (typed.factor(text, shown) for text in wanted.factors)}
    factors: list[Factor] = []
    for heading, use in reading.uses.items():
        known, levels = KNOWN_FACTORS.get(use.role), _different(sheet, reading, heading)
        if use.role in stated:
            factors.append(stated[use.role])
        elif known is not None and len(levels) > 1:
            factors.append(Factor(use.role, levels=levels) if known.levels else usual_factor(use.role))
    ranged = [f.label for f in factors if not f.is_categorical]
    if len(ranged) < MIN_FACTORS:
        raise InputError(
            sheet.name,
            f"settings that differ between rows: {', '.join(ranged) or 'none'}",
            f"{MIN_FACTORS} or more temperatures, times or the like",
            "Say which columns hold settings.",
        )
    return Study(wanted.name or sheet.name, tuple(factors), Spec(checks=_checks(reading, wanted)))


def _different(sheet: ForeignSheet, reading: Reading, heading: str) -> tuple[str, ...]:
    """What stands in a column, each once, empty cells aside."""
    cells = map(str, _taken(sheet, reading).rows.get(heading, ()))
    return tuple(dict.fromkeys(cell for cell in cells if not is_nothing(cell)))


def _checks(reading: Reading, wanted: StudyOptions) -> tuple[Check, ...]:
    used = {use.role.removeprefix("check_") for use in reading.uses.values()}
    return tuple(map(typed.check, wanted.checks)) or tuple(c for c in DEFAULT_CHECKS if c.name in used) or (SOUND,)


def options_from(sheet: ForeignSheet, reading: Reading, wanted: StudyOptions, shown: Shown) -> StudyOptions:
    """What a study of this sheet is, where nothing else was said.

    The settings that differ vary from their least to their highest value, within the limits; one that never changes is
    held. Where nobody felt the coupons, hand-feel does not count.

    Raises
    ------
    InputErrors
        Naming what cannot be used.
    """
    draft = draft_of(sheet, reading, wanted, shown)
    found = read_coupons(sheet, draft, fitting(reading, draft)).coupons
    stated = {typed.factor(text, shown).name: text for text in wanted.factors}
    ranged = tuple(
        f
        if f.is_categorical or f.name in stated
        else replace(f, low=float(found[f.name].min()), high=_below_ceiling(f, float(found[f.name].max())))
        for f in draft.factors
    )
    limits = typed.limits(wanted.limits, None, shown)
    factors = [
        stated.get(f.name) or f"{f.name}={'/'.join(f.levels)}"
        if f.is_categorical or f.name in stated
        else f"{f.name}={typed.exact(f.low, f.unit)}..{typed.exact(f.high, f.unit)}"
        for f in replace(draft, factors=ranged).with_limits(limits).within_limits().factors
    ]
    felt = any(use.role.partition("_")[0] == "hand" for use in reading.uses.values())
    return replace(
        wanted,
        factors=factors,
        hold=(*wanted.hold, *_constant(sheet, reading, draft, wanted, shown)),
        checks=[f"{c.name}@{c.after_washes}={c.label}" for c in draft.spec.checks],
        hand_min=wanted.hand_min or (None if felt else "none"),
    )


def _below_ceiling(f: Factor, highest: float) -> float:
    return min(highest, CEILING_DEGC - 1) if f.is_temperature else highest


def _constant(sheet: ForeignSheet, reading: Reading, draft: Study, wanted: StudyOptions, shown: Shown) -> Iterable[str]:
    """Settings that are the same in every row, as ``--hold`` takes them."""
    said = typed.held(wanted.hold, shown)
    for heading, use in reading.uses.items():
        known = KNOWN_FACTORS.get(use.role)
        if known is None or use.role in draft.factor_names or use.role in said:
            continue
        for cell in _different(sheet, reading, heading):
            value = parse_quantity(cell, known.unit, heading, default=use.unit or known.unit) if known.unit else cell
            yield f"{use.role}={value if isinstance(value, str) else typed.exact(value, known.unit)}"


def fitting(reading: Reading, study: Study) -> Reading:
    """The reading for a study in which settings that never change are held: their columns are not needed."""
    held = {name for name in KNOWN_FACTORS if name not in study.factor_names}
    uses = {
        heading: ColumnUse("ignore") if use.role.removeprefix("actual_") in held else use
        for heading, use in reading.uses.items()
    }
    return replace(reading, uses=uses)


def begin_with_sheet(
    book: Book, wanted: StudyOptions, sheet: ForeignSheet, reading: Reading, shown: Shown, *, file: str
) -> tuple[NewStudy, ForeignResults, int]:
    """Store a study and the coupons it begins with, both or neither; and the new fields.

    Raises
    ------
    InputErrors
        Naming what is missing or cannot be used.
    """
    with book.writing():
        made = new_study(book, options_from(sheet, reading, wanted, shown), shown)
        reading = fitting(reading, made.record.study)
        return made, *store_sheet(book, made.record, sheet, reading, file=file)
