"""The demo's story, read from the data that ships with the program."""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from importlib.resources import files
from typing import Any

import pandas as pd

from doe.assure.gauges.line import gauge_line
from doe.domain.gauge import GaugeReading
from doe.domain.score import ScoreEntry
from doe.domain.stack import DEFAULT_OVEN, DEFAULT_PRESS, Line, Stack
from doe.domain.study import Study
from doe.domain.units import METRIC
from doe.plans.plan import columns
from doe.practice.demo import demo_line
from doe.practice.lines import SimulatedLine
from doe.words import typed

_MATERIALS = ("fabric", "film", "powder", "ink")


@dataclass(frozen=True)
class Round:
    """One round of the story: its coupons in the columns of a plan, and what people said about them."""

    kind: str
    seed: int
    coupons: pd.DataFrame
    entries: tuple[ScoreEntry, ...]


@dataclass(frozen=True)
class Story:
    """The invented shop: what it is about, its stack, line, study, gauge readings and the commands for them."""

    about: str
    people: tuple[str, ...]
    stack: Stack
    line: Line
    study: Study
    readings: tuple[GaugeReading, ...]
    commands: tuple[str, ...]
    data: Mapping[str, Any]


def packaged(name: str) -> str:
    """Text of a data file of the demo."""
    return files("doe.demo").joinpath(name).read_text(encoding="utf-8")


def read_story() -> Story:
    """The story without its coupons; needs no pandas."""
    data = tomllib.loads(packaged("shop.toml"))
    stack, line, study = data["stack"], data["line"], data["study"]
    factors = tuple(typed.factor(text, METRIC) for text in study["factors"])
    return Story(
        about=data["about"],
        people=tuple(data["people"]),
        stack=Stack(stack["name"], **{part: typed.material(stack[part], part, place=part) for part in _MATERIALS}),  # type: ignore[arg-type] # the parts are materials
        line=_line(line),
        study=Study(
            name=study["name"],
            factors=factors,
            spec=typed.spec(study["pass_rate"], study["hand_min"], study["assurance"], ()),
            limits=typed.limits(study["limits"], None, METRIC),
            forbidden=typed.forbidden(study["forbid"], factors, METRIC),
            held=typed.held(study["hold"], METRIC),
        ),
        readings=tuple(_readings()),
        commands=tuple(line.format(**data) for line in data["commands"]),
        data=data,
    )


def _line(line: Mapping[str, str]) -> Line:
    oven_u, press_u = (
        typed.spread(line[option], "degC", option, METRIC) for option in ("oven_uncertainty", "press_uncertainty")
    )
    oven = replace(DEFAULT_OVEN, name=line["oven"], uncertainty_degc=oven_u)
    press = replace(DEFAULT_PRESS, name=line["press"], uncertainty_degc=press_u)
    return Line(line["name"], oven, press, line["gauge"])


def rows_of(text: str) -> list[dict[str, str]]:
    """Rows of a data file; lines that start with # say how it was made."""
    return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))


def _readings() -> list[GaugeReading]:
    return [
        GaugeReading(
            row["machine"],  # type: ignore[arg-type] # GaugeReading refuses other machines
            float(row["set_degc"]),
            float(row["shown_degc"]),
            float(row["measured_degc"]),
            row["place"],
            row["tool"],
        )
        for row in rows_of(packaged("gauge.csv"))
    ]


def read_rounds(story: Story) -> tuple[Round, ...]:
    """The coupons of the story with their scores, round by round."""
    return tuple(
        Round(made["kind"], made["seed"], *_read_round(story, rows_of(packaged(made["file"]))))
        for made in story.data["rounds"]
    )


def _read_round(story: Story, rows: Sequence[Mapping[str, str]]) -> tuple[pd.DataFrame, tuple[ScoreEntry, ...]]:
    texts = pd.DataFrame(rows)[columns(story.study)]
    numbers = [c for c in texts.columns if c not in ("coupon", "role")]
    settings = set(story.study.factor_names)
    frame = texts.assign(**{c: texts[c].astype(float if c in settings else int) for c in numbers})
    return frame, tuple(entry_of(story, row) for row in rows)


def entry_of(story: Story, row: Mapping[str, str]) -> ScoreEntry:
    """Scores of one row of a data file."""
    words = {"pass": True, "fail": False}
    return ScoreEntry(
        row["coupon"],
        checks={c.name: words[row[c.name]] for c in story.study.spec.checks if row[c.name]},
        symptoms=tuple(row["symptom"].split(";")) if row["symptom"] else (),
        side=row["side"],
        hand={who: float(row[f"hand_{who}"]) for who in story.people if row[f"hand_{who}"]},
        note=row["note"],
        void_reason=row["void"] or None,
    )


def simulated_line(story: Story) -> SimulatedLine:
    """The simulated line on which the stored coupons were made, for settings at the surface.

    Its machines show more than they give; the gauge readings say so, and the bench sheet makes up for it. What remains
    between wanted and real surface is the error of that correction, a fraction of a degree.
    """
    gauged = gauge_line(story.line, story.readings, on=date.max - date.resolution)
    remains = {}
    for name, offset in display_offsets(story).items():
        factor = story.study.factor(name)
        middle = (factor.low + factor.high) / 2
        made = gauged.dial(name, middle)
        assert made is not None  # ovens and presses only
        remains[name] = made.dial_degc + offset - middle
    return replace(demo_line(story.study), display_offset=remains)


def display_offsets(story: Story) -> dict[str, float]:
    """Real minus shown temperature of the story's machines, in degC of difference."""
    made = story.data["simulated"]
    return {key.removeprefix("offset_"): float(value) for key, value in made.items() if key.startswith("offset_")}
