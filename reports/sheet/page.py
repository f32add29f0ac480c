"""The bench sheet: what to dial in, in which order, with boxes to fill in by hand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from types import MappingProxyType
from zlib import crc32

import pandas as pd
from markupsafe import Markup

from doe.assure.gauges.line import GaugedLine
from doe.assure.gauges.summary import machine_temperatures, refuse_dial
from doe.domain.entry import sheet_letters
from doe.domain.factors import Factor, Stage
from doe.domain.finding import Finding
from doe.domain.limits import refuse_too_hot
from doe.domain.stack import Line, Machine, Stack
from doe.domain.standing import StudyStanding
from doe.domain.study import Study
from doe.domain.units import METRIC, SYMBOLS, Shown, rounded, show, show_both
from doe.symptoms.catalogue import short_list, symptom
from doe.words.cautions import NOT_CHECKED
from doe.words.gauges.dials import DialSetting, coarse_cautions, dial_setting
from doe.words.limits import LIMIT_LABELS, range_warnings
from doe.words.materials import peel_line, told_of, waits_line
from doe.words.press import MATERIALS
from doe.words.study.plans import plan_notes
from doe.words.study.standing import frame, headline
from doe.words.wording import amount_both, count, date_and_time, day, difference_both, held, listing, sentence
from reports.drawing.symptoms import symptom_svg
from reports.sheet.key import KeyRow, key_rows


@dataclass(frozen=True)
class SheetDials:
    """How settings of a study are printed: machine temperatures as dial settings where readings tell them.

    ``gauged`` is the line with its corrections, None where nobody asked for them.
    """

    study: Study
    gauged: GaugedLine | None
    shown: Shown

    def of(self, name: str, surface: float | str) -> DialSetting | None:
        """Dial setting of a machine's temperature that readings tell; None for other settings, and for levels."""
        if self.gauged is None or isinstance(surface, str):
            return None
        made = dial_setting(self.gauged, self.study, name, surface, self.shown)
        return made if made is not None and made.is_checked else None

    def value(self, factor: Factor, value: float) -> float:
        """What the machine is set to, in the factor's unit."""
        made = self.of(factor.name, value)
        return value if made is None else made.dial_degc

    def amount(self, factor: Factor, value: float | str) -> str:
        """What the machine is set to, in words."""
        made = self.of(factor.name, value)
        return amount_both(factor, value, self.shown) if made is None else made.dial

    def title(self, factor: Factor, value: float | str | None = None) -> str:
        """What stands beside the amount of a whole batch, or heads a column of settings that change by coupon."""
        made = self.of(factor.name, factor.low if value is None and not factor.is_categorical else value or "")
        if made is None:
            return factor.label + self._doubt(factor)
        return f"{factor.label} to dial in, {'and' if value is None else f'for {made.surface}'} on the surface"

    def cell(self, factor: Factor, value: float | str) -> str:
        """One coupon's setting in such a column."""
        made = self.of(factor.name, value)
        return amount_both(factor, value, self.shown) if made is None else f"{made.dial}, surface {made.surface}"

    def _doubt(self, factor: Factor) -> str:
        """Said where a display was never checked."""
        gauge = None if self.gauged is None else self.gauged.gauge_of(factor.name)
        if gauge is None:
            return ""
        return " to dial in" if gauge.as_dialled and gauge.readings else f" ({NOT_CHECKED})"

    @property
    def remarks(self) -> tuple[str, ...]:
        """What the sheet's temperatures are, and what a coarse dial cannot be given."""
        if self.gauged is None:
            return ()
        machines = [self.gauged.gauge_of(name) for name in machine_temperatures(self.study)]
        checked = [m.machine for m in machines if m is not None and m.is_checked]
        if not checked:
            return ()
        return (
            f"The plan means temperatures of the surface. What to dial in on the {' and the '.join(checked)} of "
            f"{self.gauged.line.name} makes up for the display, by its gauge readings up to {day(self.gauged.on)}. "
            "Print the sheet again after the machine was measured anew or adjusted.",
            *coarse_cautions(self.gauged, self.study, self.shown),
        )

    def refuse(self, coupons: pd.DataFrame) -> None:
        """Refuse a sheet that would ask for a dial setting a machine may not be given.

        Raises
        ------
        InputError
            Naming the machine and what is allowed.
        """
        if self.gauged is None:
            return
        for name, (_, high) in machine_temperatures(self.study).items():
            made = self.of(name, float(coupons[name].max()) if name in coupons else high)
            if made is not None:
                refuse_dial(self.study, name, made.dial_degc, shown=self.shown)


HAND_RULE = (
    "1 (as stiff as the stiff reference) to 5 (as soft as the soft one), half steps. Each person scores alone, "
    "without looking at the settings. No score if it did not transfer."
)
_WAITS = (
    (
        "cooling_gap",
        "Cooling gap between cure and press: 5 to 10 s or longer, flat (common practice, no source).",
        "for every coupon",
    ),
    (
        "peel_wait",
        "Peel: as the film's data sheet says. Hot film waits at least 3 s, cold film until it is cold; slow, low, "
        "rolling peel (common practice, no source).",
        "for every coupon",
    ),
    ("second_press_time", "", "with a cover sheet, every coupon"),
)
"""Waits between the steps: factor, what is usual where nothing is said, and how it is said when it is held."""


@dataclass(frozen=True)
class Pair:
    """A ``name`` and the ``value`` that belongs to it, ready to print."""

    name: str
    value: str


@dataclass(frozen=True)
class SheetRow:
    """One coupon in a queue.

    ``order`` counts within the round; ``settings`` are the texts under the batch's ``columns``; ``stroke`` says with
    which press stroke the coupon is shared, empty when it has one to itself (or in the cure queue). ``material`` says
    of which material it is and in which pair, where two are compared; else empty.
    """

    order: str
    coupon: str
    settings: tuple[str, ...]
    stroke: str
    material: str = ""


@dataclass(frozen=True)
class SheetBatch:
    """Coupons made at one setting of the machine.

    ``title`` names the batch; ``dials`` are the settings the whole batch shares; ``settle`` says how long to wait
    before it; ``columns`` head the settings that change from coupon to coupon; ``rows`` are its coupons in order;
    ``width`` is the number of cells of a row.
    """

    title: str
    dials: tuple[Pair, ...]
    settle: str
    columns: tuple[str, ...]
    rows: tuple[SheetRow, ...]
    width: int


@dataclass(frozen=True)
class SymptomKey:
    """A line of the key: ``letter`` to write in the box, ``words`` for what it stands for, ``svg`` its drawing."""

    letter: str
    words: str
    svg: Markup


@dataclass(frozen=True)
class HandStrip:
    """What one ``person`` tears off and scores: ``coupons`` by their number alone, in an order that tells nothing."""

    person: str
    coupons: tuple[str, ...]


@dataclass(frozen=True)
class SheetPage:
    """Everything on a bench sheet.

    Attributes
    ----------
    page_title : str
        Title of the browser tab and of the printed file.
    study_name : str
    round_line : str
        Round and number of coupons, a sentence.
    made_line : str
        When and by whom the sheet was made, a sentence.
    standing, standing_kind : str
        What is known of the study, a headline, and the style of its frame; may be empty.
    kind_line : str
        What kind of sheet it is.
    rules : tuple of str
        Rules of a confirmation, to be read before anything is switched on; empty for other rounds.
    stack_pairs : tuple of Pair
        Materials with lots, and the machines.
    held_pairs : tuple of Pair
        Settings held constant, both temperatures.
    limit_pairs : tuple of Pair
        Limits from the data sheets; empty when none are on record.
    warnings : tuple of str
        What is unusual about the ranges; notes of the plan.
    cure_batches, press_batches : tuple of SheetBatch
        The queues; no cure queue when no factor is set at the oven.
    degree : str
        Unit of the temperatures that are written in by hand: the reader's.
    waits : tuple of str
        Cooling gap, peel wait and second press: varied, held, or what is usual.
    symptoms, wash_symptoms : tuple of SymptomKey
        Letter to write in the box, what it stands for, and what it looks like: seen at the press, and later.
    checks : tuple of Pair
        Name and meaning of each check.
    now_checks, later_checks : tuple of str
        Names of the checks at the press, and after washes.
    wash_coupons : tuple of str
        Coupons to tick after washing, in coupon order.
    which : tuple of KeyRow
        Which coupon of a comparison is of which material, for whoever makes the prints; none where a key of its own
        tells it.
    strips : tuple of HandStrip
        A strip for each person who scores the hand-feel.
    hand_rule : str
        How hand-feel is scored.
    grades : bool
        Whether there is a box for the grade.
    """

    page_title: str
    study_name: str
    round_line: str
    made_line: str
    standing: str
    standing_kind: str
    kind_line: str
    rules: tuple[str, ...]
    stack_pairs: tuple[Pair, ...]
    held_pairs: tuple[Pair, ...]
    limit_pairs: tuple[Pair, ...]
    warnings: tuple[str, ...]
    cure_batches: tuple[SheetBatch, ...]
    press_batches: tuple[SheetBatch, ...]
    degree: str
    waits: tuple[str, ...]
    symptoms: tuple[SymptomKey, ...]
    wash_symptoms: tuple[SymptomKey, ...]
    checks: tuple[Pair, ...]
    now_checks: tuple[str, ...]
    later_checks: tuple[str, ...]
    wash_coupons: tuple[str, ...]
    which: tuple[KeyRow, ...]
    strips: tuple[HandStrip, ...]
    hand_rule: str
    grades: bool


def sheet_page(
    study: Study,
    stack: Stack,
    line: Line,
    coupons: pd.DataFrame,
    *,
    made_at: datetime,
    people: Sequence[str] = (),
    shown: Shown = METRIC,
    made_by: str = "",
    notes: Sequence[Finding | str] = (),
    gauged: GaugedLine | None = None,
    cautions: Sequence[str] = (),
    confirms: bool = False,
    standing: StudyStanding | None = None,
    waits: Mapping[str, float] = MappingProxyType({}),
) -> SheetPage:
    """What stands on the bench sheet of a round.

    Parameters
    ----------
    study, stack, line
        What is made, of what, and where. Limits and held settings come from the study.
    coupons : DataFrame
        Coupons of a plan, one row a coupon: coupon, factors, round, cure_batch, press_batch, cure_order,
        press_order, stroke. Those of the last round are printed.
    made_at : datetime
        When the sheet is made; printed.
    people : sequence of str, optional
        Who scores the hand-feel, a strip for each.
    shown : Shown, optional
        The reader's units; temperatures are printed in both.
    made_by : str, optional
    notes : sequence of Finding or str, optional
        Sentences of the plan that the person at the machine should see.
    gauged : GaugedLine, optional
        The line with its corrections in force: what is dialled in for the surface temperatures of the plan. Without it
        nothing is said about displays.
    cautions : sequence of str, optional
        What to be careful about in these corrections.
    confirms : bool
        Whether the coupons confirm a setpoint: then the notes are its rules, and stand first.
    standing : StudyStanding, optional
        What is known of the study when the sheet is printed.
    waits : mapping, optional
        Wait before the peel of each material of a comparison, in s, where its films have their own.

    Raises
    ------
    InputError
        If a surface or a dial would have to be at or above the ceiling, or a dial above the limit of its machine.
    """
    wanted = int(coupons["round"].max())
    mine = coupons[coupons["round"] == wanted]
    refuse_too_hot(study.factors, {f.name: mine[f.name] for f in study.numeric}, f"round {wanted}")
    dials = SheetDials(study, gauged, shown)
    dials.refuse(mine)
    now, later = (
        tuple(_plain(check.name) for check in study.spec.checks if check.is_later is washed) for washed in (False, True)
    )
    garments = f", {count(mine['garment'].nunique(), 'garment')}" if "garment" in mine else ""
    said = plan_notes(notes, study, shown)
    is_keyed = not ("material" in mine and mine["material"].isin(MATERIALS).all())
    if waits:  # what the recipe waits is for one of the materials only
        study = replace(study, held={name: value for name, value in study.held.items() if name != "peel_wait"})
    unusual = range_warnings(study, stack, made_at.date(), shown)
    return SheetPage(
        page_title=f"Bench sheet, {study.name}, round {wanted}",
        study_name=study.name,
        round_line=f"Round {wanted}, {count(len(mine), 'coupon')}{garments}.",
        made_line=f"Printed {date_and_time(made_at)}{' by ' + made_by if made_by else ''}.",
        standing="" if standing is None else headline(standing, shown),
        standing_kind="" if standing is None else frame(standing),
        kind_line="Bench sheet of a confirmation" if confirms else "Bench sheet",
        rules=said if confirms else (),
        stack_pairs=stack_pairs(stack, line),
        held_pairs=tuple(_held_pair(dials, name, value) for name, value in study.held.items()),
        limit_pairs=limit_pairs(study, shown),
        warnings=tuple(dict.fromkeys((*dials.remarks, *cautions, *unusual, *(() if confirms else said)))),
        cure_batches=_batches(mine, "cure", line.oven, dials, {}),
        press_batches=_batches(mine, "press", line.press, dials, _stroke_marks(mine), has_own_waits=bool(waits)),
        degree=SYMBOLS[shown.temperature],
        waits=_waits(study, stack, shown, waits_line(waits, shown, by_key=is_keyed)),
        symptoms=_symptom_keys(is_washed=False),
        wash_symptoms=_symptom_keys(is_washed=True),
        checks=tuple(Pair(_plain(check.name), check.label) for check in study.spec.checks),
        now_checks=now,
        later_checks=later,
        wash_coupons=tuple(sorted(map(str, mine["coupon"]))) if later else (),
        which=() if is_keyed else key_rows(mine, waits, shown),
        strips=tuple(hand_strip(person, mine["coupon"]) for person in people),
        hand_rule=HAND_RULE,
        grades=study.asks_grades,
    )


def _held_pair(dials: SheetDials, name: str, value: float | str) -> Pair:
    """A setting held constant; of a machine's temperature, what to dial in for it."""
    label, text = held(name, value, dials.shown)
    made = dials.of(name, value)
    return (
        Pair(label, text) if made is None else Pair(f"{label} to dial in, for {made.surface} on the surface", made.dial)
    )


def _plain(name: str) -> str:
    return name.replace("_", " ")


def stack_pairs(stack: Stack, line: Line) -> tuple[Pair, ...]:
    """Materials with supplier and lot, line, machines and gauge."""
    parts = (("fabric", stack.fabric), ("film", stack.film), ("powder", stack.powder), ("ink", stack.ink))
    told = ((name, part, told_of(part, name)) for name, part in parts if part)
    materials = [Pair(name, f"{part}{', ' + more if more else ''}") for name, part, more in told]
    machines = [Pair("line", line.name), Pair("oven and press", f"{line.oven.name}, {line.press.name}")]
    gauge = [Pair("gauge", line.gauge)] if line.gauge else []
    return (Pair("stack", stack.name), *materials, *machines, *gauge)


def limit_pairs(study: Study, shown: Shown) -> tuple[Pair, ...]:
    """Limits on record with their source, temperatures in both units; empty without limits."""
    limits = study.limits
    if limits is None:
        return ()
    pairs = []
    for entry in fields(limits):
        value = None if entry.name == "sources" else getattr(limits, entry.name)
        if value is None:
            continue
        unit = "degC" if entry.name.endswith("_degc") else "s" if entry.name.endswith("_s") else "bar"
        text = show(value, unit, shown, digits=3) if unit == "bar" else show_both(value, unit, shown)
        source = limits.sources.get(entry.name, "")
        pairs.append(Pair(LIMIT_LABELS[entry.name], text + (f" [{source}]" if source else "")))
    return tuple(pairs)


def _stroke_marks(coupons: pd.DataFrame) -> dict[str, str]:
    """Mark of every coupon that shares its press stroke: the letter of the stroke."""
    if "stroke" not in coupons:
        return {}
    strokes = coupons.sort_values("press_order").groupby("stroke", sort=False)["coupon"]
    shared = [group for _, group in strokes if len(group) > 1]
    return {str(coupon): f"one stroke ({n})" for n, group in enumerate(shared, start=1) for coupon in group}


_CELLS = {"cure": 5, "press": 7}
"""Cells of a row beside those of its settings."""


def _batches(
    coupons: pd.DataFrame,
    stage: Stage,
    machine: Machine,
    dials: SheetDials,
    strokes: dict[str, str],
    *,
    has_own_waits: bool = False,
) -> tuple[SheetBatch, ...]:
    """Batches of one machine in the order they are made; none at an oven at which no factor is set."""
    factors = [f for f in dials.study.factors if f.stage == stage and not (has_own_waits and f.name == "peel_wait")]
    if not factors and stage == "cure":
        return ()
    ordered = coupons.sort_values([f"{stage}_order", "coupon"])
    groups = [group for _, group in ordered.groupby(f"{stage}_batch", sort=False)]
    batches: list[SheetBatch] = []
    before: pd.Series | None = None
    for number, group in enumerate(groups, start=1):
        shared = [f for f in factors if len(set(group[f.name])) == 1 and (f.hard_to_change or len(group) > 1)]
        own = [f for f in factors if f not in shared]
        first = group.iloc[0]
        batches.append(
            SheetBatch(
                title=f"{stage.capitalize()} batch {number} of {len(groups)}",
                dials=tuple(Pair(dials.title(f, first[f.name]), dials.amount(f, first[f.name])) for f in shared),
                settle=_settle(shared, before, first, machine, dials),
                columns=tuple(sentence(dials.title(f)).rstrip(".") for f in own),
                rows=tuple(
                    SheetRow(
                        order=str(int(row[f"{stage}_order"])),
                        coupon=str(row["coupon"]),
                        settings=tuple(dials.cell(f, row[f.name]) for f in own),
                        stroke=strokes.get(str(row["coupon"]), ""),
                        # scores are written in the press queue: there a coupon is known by its code and pair alone
                        material=_material(row if stage == "cure" else row.drop("material", errors="ignore")),
                    )
                    for _, row in group.iterrows()
                ),
                width=len(own) + _CELLS[stage],
            )
        )
        before = group.iloc[-1]
    return tuple(batches)


def _material(row: pd.Series) -> str:
    """Which material a coupon of a comparison is of, and in which pair; the pair alone where codes only are told."""
    word = {"new": "NEW", "incumbent": "IN USE"}.get(str(row.get("material")), "")
    pair = row.get("pair")
    return "" if pd.isna(pair) else f"{word}, pair {int(pair)}".removeprefix(", ")


def _settle(
    factors: Iterable[Factor], before: pd.Series | None, first: pd.Series, machine: Machine, dials: SheetDials
) -> str:
    """What changes before a batch and how long the machine needs."""
    if before is None:
        return f"First batch: switch the {machine.name} on and wait until the gauge has stood still for 5 minutes."
    changes, minutes = [], 0.0
    for f in factors:
        if f.is_categorical:
            if first[f.name] != before[f.name]:
                changes.append(f"change {f.label} to {first[f.name]}")
            continue
        step = dials.value(f, float(first[f.name])) - dials.value(f, float(before[f.name]))
        if not step:
            continue
        word = "up" if step > 0 else "down"
        changes.append(f"{f.label} {word} by {difference_both(f, step, dials.shown)}")
        if f.is_temperature:
            rate = machine.heat_min_per_10 if step > 0 else machine.cool_min_per_10
            minutes = max(minutes, abs(step) / 10 * rate)
    if not changes:
        return "Same settings as the batch before: set them afresh and measure again."
    wait = f"; allow about {count(int(rounded(minutes)), 'minute')} to settle, then measure" if minutes else ""
    return sentence(f"{listing(changes)}{wait}")


def _waits(study: Study, stack: Stack, shown: Shown, of_each: str) -> tuple[str, ...]:
    """Cooling gap, peel wait and second press: varied, held, or what is usual; ``of_each`` of two films apart."""
    lines = []
    for name, usual, every in _WAITS:
        if name == "peel_wait" and of_each:
            lines.append(of_each)
        elif name in study.held:
            lines.append(sentence(f"{': '.join(held(name, study.held[name], shown))} {every}"))
        elif usual and name in study.factor_names:
            lines.append(sentence(f"{study.factor(name).label}: varies, see the column"))
        elif usual:
            lines.append((name == "peel_wait" and peel_line(stack.film, shown)) or usual)
    return tuple(lines)


def hand_strip(person: str, coupons: Iterable[str]) -> HandStrip:
    """Strip of a person: coupons of one setting or material stand together on it by chance only.

    The order comes from a checksum, so that a sheet that is printed again is the same.
    """
    return HandStrip(person, tuple(sorted(map(str, coupons), key=lambda name: crc32(f"{person} {name}".encode()))))


def _symptom_keys(*, is_washed: bool) -> tuple[SymptomKey, ...]:
    """Letter, words and drawing of the short list's symptoms: those seen at the press, or those that show later."""
    return tuple(
        SymptomKey(letter, f"{symptom(key).label}: {symptom(key).seen}", symptom_svg(key))
        for letter, key in sheet_letters(s.key for s in short_list()).items()
        if symptom(key).shows_later == is_washed
    )
