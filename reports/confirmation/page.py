"""The confirmation on paper: a section of the study report, and a page of its own."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import pandas as pd

from doe.assure.confirmation.allocation import SETPOINT
from doe.assure.confirmation.verdict import CHECK_PREFIX, coupon_states
from doe.domain.outcome import HAND_PREFIX, hand_columns
from doe.domain.stack import Line, Stack
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.words.confirmation.plan import sentences
from doe.words.confirmation.verdict import (
    CORNER_WORDS,
    ConfirmationFacts,
    attempt_rows,
    attempts_line,
    care_lines,
    headline,
    kind_of,
    lead,
    lines,
    rule_sentence,
    source_notes,
    source_rows,
    steps,
)
from doe.words.wording import amount_both, count, date_and_time, listing, score, sentence
from reports.drawing.rows import draw_rows
from reports.names import given_names
from reports.pages import render
from reports.sheet.page import Pair, stack_pairs
from reports.study.proof import headed, number, words
from reports.views import ConfirmationSection, PageTable, Picture, heads


@dataclass(frozen=True)
class ConfirmationPage:
    """A confirmation as a page of its own.

    Attributes
    ----------
    page_title, study_name : str
    facts : tuple of str
        Stack, line, when planned, when printed; sentences.
    confirmation : ConfirmationSection
    stack_pairs : tuple of Pair
    """

    page_title: str
    study_name: str
    facts: tuple[str, ...]
    confirmation: ConfirmationSection
    stack_pairs: tuple[Pair, ...]


def confirmation_page(
    facts: ConfirmationFacts, stack: Stack, line: Line, *, made_at: datetime, made_by: str = "", shown: Shown = METRIC
) -> str:
    """A confirmation as one HTML document that needs no network.

    Parameters
    ----------
    facts : ConfirmationFacts
    stack, line
        As they were when the study was made or last amended.
    made_at : datetime
        When the page is made; printed.
    made_by : str
    shown : Shown
        The reader's units; temperatures are printed in both.
    """
    plan = facts.current.plan
    planned = f"Planned {date_and_time(plan.made_at)} by {plan.made_by}." if plan.made_at else ""
    return render(
        "confirmation_page.html",
        ConfirmationPage(
            page_title=f"Confirmation, {facts.study.name}",
            study_name=facts.study.name,
            facts=tuple(
                text
                for text in (
                    f"Stack: {stack.name}. Line: {line.name}.",
                    planned,
                    f"Printed {date_and_time(made_at)}{' by ' + made_by if made_by else ''}.",
                )
                if text
            ),
            confirmation=confirmation_section(facts, shown=shown),
            stack_pairs=stack_pairs(stack, line),
        ),
        names=given_names(facts, stack, line, made_by),
    )


def confirmation_section(facts: ConfirmationFacts, *, shown: Shown = METRIC) -> ConfirmationSection:
    """View-model of a confirmation."""
    attempt = facts.current
    sources = source_rows(facts)
    return ConfirmationSection(
        verdict_kind=kind_of(attempt),
        headline=headline(attempt, facts.study),
        lead=lead(facts),
        doubts=sentences(facts.doubts, facts.study),
        rule=rule_sentence(attempt),
        picture=_picture(facts),
        lines=lines(facts, shown),
        source_table=PageTable(
            "Pass rate at the setpoint, by each source (assurance in brackets)",
            heads("Source | Pass rate: | At least: | At most:"),
            sources,
        )
        if sources
        else None,
        source_notes=source_notes(facts),
        care_lines=care_lines(facts),
        steps=steps(facts),
        point_table=_point_table(facts, shown),
        attempts_line=attempts_line(facts),
        attempt_table=PageTable(
            "Every attempt",
            heads("No.: | Claim | Allowed | Result | Verdict"),
            attempt_rows(facts.attempts),
        )
        if len(facts.attempts) > 1
        else None,
        coupon_table=_coupon_table(facts),
    )


def states_of(study: Study, rows: pd.DataFrame) -> list[str]:
    """passed, failed, waiting or not scored, for each coupon."""
    untouched = rows[[CHECK_PREFIX + c.name for c in study.spec.checks]].isna().all(axis=1)
    return [
        "not scored" if bare else str(state)
        for bare, state in zip(untouched, coupon_states(rows, study.spec.checks), strict=True)
    ]


def _picture(facts: ConfirmationFacts) -> Picture:
    rows = facts.current.rows.sort_values(["round", "press_order"])
    marks = {
        str(role): states_of(facts.study, part)
        for role, part in sorted(rows.groupby("role", sort=False), key=lambda p: (p[0] != SETPOINT, str(p[0])))
    }
    told = [f"{label}: {_counted(states)}" for label, states in marks.items()]
    key = [words for state, words in _KEY.items() if any(state in states for states in marks.values())]
    title = sentence("; ".join(told)) or "No coupon counts yet."
    return Picture(
        draw_rows(
            {label: [(_SHAPES[state],) for state in states] for label, states in marks.items()},
            title=title,
            description="One mark a coupon.",
        ),
        title,
        sentence("; ".join(("in press order", *key))) + (" Void coupons are left out." if facts.current.void else ""),
    )


_KEY = {
    "passed": "circle: passed every check",
    "failed": "cross: failed",
    "waiting": "dashed: waits for a check",
    "not scored": "dash: not scored",
}


_SHAPES = {"passed": "pass", "failed": "unknown", "waiting": "waiting", "not scored": "missing"}


def _counted(states: list[str]) -> str:
    each = {state: states.count(state) for state in ("passed", "failed", "waiting", "not scored")}
    return listing([f"{number} {state}" for state, number in each.items() if number])


def _point_table(facts: ConfirmationFacts, shown: Shown) -> PageTable:
    study, attempt = facts.study, facts.current
    verdicts = {} if attempt.judged is None else {c.role: CORNER_WORDS[c.verdict] for c in attempt.judged.corners}
    if attempt.judged is not None:
        verdicts[SETPOINT] = attempt.judged.setpoint_verdict
    rows = []
    for point in attempt.plan.points.to_dict("records"):
        role = str(point["role"])
        part = attempt.rows[attempt.rows["role"].eq(role)]
        rows.append(
            (
                headed(role),
                *(amount_both(f, point[f.name], shown) for f in study.factors),
                str(len(part)),
                _counted(states_of(study, part)) or "none",
                verdicts.get(role, "open"),
            )
        )
    return PageTable(
        "Where the coupons were made, and what they say",
        (
            words("Place"),
            *(number(headed(f.label)) for f in study.factors),
            *heads("Coupons | State | Verdict"),
        ),
        tuple(rows),
    )


def _coupon_table(facts: ConfirmationFacts) -> PageTable:
    """Every coupon of the last attempt, void ones named apart."""
    study, rows = facts.study, facts.current.rows
    people = [c for c in hand_columns(rows) if rows[c].notna().any()]
    marks = {True: "pass", False: "fail"}
    body = []
    for state, row in zip(states_of(study, rows), rows.to_dict("records"), strict=True):
        checks = [marks.get(row[CHECK_PREFIX + c.name], "–") for c in study.spec.checks]
        hands = [score(float(row[p])) if row[p] == row[p] and row[p] is not None else "–" for p in people]
        body.append(
            (
                str(row["coupon"]),
                str(row["role"]),
                *checks,
                *hands,
                str(row["symptom"]).replace("_", " "),
                str(row["note"]),
                state,
            )
        )
    body += [
        (coupon, "void", *("–" for _ in study.spec.checks), *("–" for _ in people), "", reason, "void")
        for coupon, reason in facts.current.void
    ]
    return PageTable(
        f"The {count(len(body), 'coupon')} of confirmation {facts.current.plan.attempt}",
        (
            *heads("Coupon | Place"),
            *(words(c.name.replace("_", " ")) for c in study.spec.checks),
            *(number(f"hand: {p.removeprefix(HAND_PREFIX)}") for p in people),
            *heads("Symptom | Note | State"),
        ),
        tuple(body),
    )
