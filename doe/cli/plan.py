"""`doe plan` and `doe extend`: candidate plans side by side, the one chosen, what sizes buy, and further rounds."""

from __future__ import annotations

from doe.acts.base import today
from doe.acts.study.plans import (
    PlanChoice,
    PlannedRound,
    commit_plan,
    compare_for,
    extend_study,
    may_withdraw,
    withdraw_plan,
)
from doe.acts.study.rounds import confirmation_counts, is_comparison, score_counts
from doe.acts.study.standing import standing_of
from doe.acts.study.worth import SizesWorth, sizes_worth
from doe.book.book import Book
from doe.book.records import StudyRecord
from doe.cli.ask import ask_choice
from doe.cli.desk import Block, Commands, Desk, Reply, Screen, Table, Warn, command, show_reply
from doe.cli.gauge_dials import caution_lines, coupon_table, dial_blocks, dial_data, dial_notes
from doe.cli.study_words import standing_data, step_command
from doe.cli.terminal import say
from doe.domain.errors import quoted
from doe.domain.finding import Finding
from doe.domain.jsonable import named
from doe.domain.study import Study
from doe.domain.units import Shown, fixed
from doe.plans.build import LEAST_OPTIMAL, suitable_kind
from doe.plans.decisions import outcome
from doe.plans.judge import PlanJudgement
from doe.practice.worth import Share, Worth
from doe.words.gauges.dials import SCALE_WORDS, Dialled, dials_of_coupons
from doe.words.limits import known_of_materials
from doe.words.study import worth as words
from doe.words.study.plans import (
    OUTCOME_HEADS,
    goes_on,
    judgement_data,
    kind_label,
    left_out_data,
    outcome_cells,
    outcome_note,
    plan_notes,
    said,
    why_left_out,
)
from doe.words.study.state import counts_sentence
from doe.words.wording import count, day, listing

USUAL_COUPONS, FIRST_STEP, MOST_COUPONS = 20, 12, 40
"""Coupons of a first round; those that a search step by step begins with, and that it may make altogether."""

ROUNDS_SHOWN = 6
"""Rounds of a planned study that are named, the last ones."""

TEXTBOOK_HEADS = ("plan", "random", "terms", "variance", "effect")

ALIASES_SHOWN = 3
"""Alias sentences of one plan that the comparison prints."""


@command("plan")
def plan(
    desk: Desk,
    study: str,
    coupons: int | None = None,
    choose: str | None = None,
    step_by_step: bool = False,
    most: int = MOST_COUPONS,
    grades: bool | None = None,
    order: str = "batched",
    per_garment: int | None = None,
    sizes: bool = False,
    lines: int | None = None,
    withdraw: str = "",
    seed: int | None = None,
) -> Reply:
    """Compare plans at a budget of coupons, before any is made; --choose makes one."""
    if withdraw:
        with desk.open(create=False) as book:
            gone = withdraw_plan(book, study, withdraw)
            following = step_command(gone.record.study, standing_of(book, gone.record.id).steps[0])
        return Reply(
            {"study": gone.record.name, "id": gone.record.id, "was": gone.was.id, **named(gone, "coupons")},
            (
                f"The plan of {gone.record.name} is withdrawn: {count(gone.coupons, 'coupon')} that nobody made. It "
                f"stays in the book as study {gone.was.id}, put away.",
                f"The same question waits for a plan, as study {gone.record.id}.",
                Warn("Throw away sheets and labels of the withdrawn plan."),
            ),
            (following,),
        )
    if sizes:
        with desk.look() as book, desk.progress("trying sizes") as tell:
            return sizes_reply(sizes_worth(book, study, lines=lines, progress=tell))
    coupons = coupons or (FIRST_STEP if step_by_step else USUAL_COUPONS)
    if step_by_step and choose is None:
        choose = "auto"
    with desk.open(create=False) as book:
        if choose is None and book.plan_info(study).rounds and not is_comparison(book, study):
            return already_planned(book, book.study(study), desk.shown)
        if choose is None:
            with desk.progress("comparing plans"):
                choice = compare_for(book, study, coupons=coupons, seed=seed, shown=desk.shown)
            blocks, rest = comparison(choice, desk.shown)
            if not desk.can_ask:
                best = choice.judgements[0]
                name = quoted(choice.record.name)
                return Reply(
                    choice_data(choice, desk.shown),
                    blocks,
                    (f"doe plan {name} --coupons {best.coupons} --choose {best.kind}", f"doe plan {name} --sizes"),
                    more=rest,
                )
            show_reply(Reply({}, blocks, more=rest), desk)
            kinds = [j.kind for j in choice.judgements]
            say(f"\nWhat 12 to 40 coupons would buy: doe plan {quoted(choice.record.name)} --sizes", indent="  ")
            choose = ask_choice("\nWhich plan is made", [*kinds, "none yet"], default="1")
            if choose == "none yet":
                return Reply(
                    choice_data(choice, desk.shown), ("No plan was made.",), (f"doe plan {quoted(choice.record.name)}",)
                )
            coupons = next(j.coupons for j in choice.judgements if j.kind == choose)
        with desk.progress("making the plan"):
            made = commit_plan(
                book,
                study,
                kind=choose,
                coupons=coupons,
                seed=seed,
                order=order,
                per_garment=per_garment,
                most=most if step_by_step else None,
                grades=grades,
                shown=desk.shown,
            )
    return planned(made, desk, f"doe sheet {quoted(made.record.name)} -o sheets")


def already_planned(book: Book, record: StudyRecord, shown: Shown) -> Reply:
    """What is planned already, and what may be done now."""
    info, counts, name = book.plan_info(record.id), score_counts(book, record.id), quoted(record.name)
    known, is_free = standing_of(book, record.id), may_withdraw(book, record)
    rounds = [f"  Round {r.round}: {count(r.coupons, 'coupon')}, {r.kind}, made {day(r.made_at)}." for r in info.rounds]
    left = len(rounds) - ROUNDS_SHOWN
    apart = confirmation_counts(book, record.id)
    waits = next((c.coupon for c in book.coupon_states(record.id) if c.passed is None and not c.void), "")
    ways: list[Block] = []
    if waits:
        ways += ["\nPrint what is to be made:", Commands((f"doe sheet {name} -o sheets",))]
    ways += ["More coupons, where they help most:", Commands((f"doe extend {name} --coupons 4",))]
    if is_free:
        ways += [
            "Nobody has made a coupon of it yet. To withdraw it and choose another plan:",
            Commands((f'doe plan {name} --withdraw "why"',)),
        ]
    elif waits:
        ways += [
            "Its coupons are made or scored, so it is not withdrawn. To leave one out that is not made:",
            Commands((f'doe record {name} --coupon {waits} --void "not made"',)),
        ]
    return Reply(
        {
            "study": record.name,
            "rounds": info.rounds,
            "counts": counts,
            "confirmation_counts": apart,
            "standing": standing_data(known, shown),
            "can_be_withdrawn": is_free,
        },
        (
            f"{record.name} is planned already.",
            *([f"  {count(left, 'earlier round')}, see doe study show {name}."] if left > 0 else []),
            *rounds[-ROUNDS_SHOWN:],
            counts_sentence(counts),
            *([f"Confirmation: {counts_sentence(apart)}"] if apart else []),
            *ways,
        ),
        (step_command(record.study, known.steps[0]),),
    )


def choice_data(choice: PlanChoice, shown: Shown) -> dict[str, object]:
    """A comparison for ``--json``."""
    return {
        "study": choice.record.name,
        "budget": choice.coupons,
        "seed": choice.seed,
        "chosen": None,
        "plans": [
            judgement_data(j, choice.record.study, shown) | {"tried": outcome(choice.record.study, j.kind, j.coupons)}
            for j in choice.judgements
        ],
        "left_out": [left_out_data(x) for x in choice.left_out],
        "gauge_cautions": choice.cautions,
        "near_limits": choice.near,
    }


def comparison(choice: PlanChoice, shown: Shown) -> Screen:
    """Candidate plans side by side, and what the first of them can and cannot tell; then what a textbook says."""
    heads = ("plan", "coupons", "garments", "hours", *OUTCOME_HEADS)
    study = choice.record.study
    rows = [
        (j.kind, str(j.coupons), str(j.garments), fixed(j.hours, 1), *outcome_cells(outcome(study, j.kind, j.coupons)))
        for j in choice.judgements
    ]
    textbook = [
        (
            j.kind,
            fixed(j.hours_random, 1),
            f"{j.quadratic.rank}/{j.quadratic.terms}",
            fixed(j.precision.variance_average, 2),
            f"{fixed(j.smallest_effect, 1)} sd" if j.smallest_effect < 99 else "none",
        )
        for j in choice.judgements
    ]
    first = choice.judgements[0]
    notes: list[Block] = [
        "",
        Table(TEXTBOOK_HEADS, textbook, right=TEXTBOOK_HEADS[1:]),
        "\nhours: at the machines in this order, one person; random: the same coupons in random order. "
        "terms: of the full quadratic, how many can be estimated. variance: of a prediction, on average over the "
        "region, for the richest model the plan carries, in residual variances. effect: smallest main effect likely "
        "seen, in standard deviations of the leftover scatter.",
        *(_aliases(j, choice.record.study) for j in choice.judgements if j.aliases),
        *(f"Not possible: {x.kind} ({kind_label(x.kind)}). {why_left_out(x)}" for x in choice.left_out),
    ]
    return [
        f"{count(len(rows), 'plan')} for {choice.record.name} with at most {count(choice.coupons, 'coupon')}; "
        f"the {'surest' if rows[0][-1] else 'most telling'} first{_automatic(choice)}.",
        Table(heads, rows, right=heads[1:]),
        *outcome_note(study, [outcome(study, j.kind, j.coupons) for j in choice.judgements]),
        *caution_lines(choice.cautions),
        f"\nThe first, {kind_label(first.kind)}:",
        *tells(first, study, shown),
        *map(Warn, plan_notes(choice.near, choice.record.study, shown)),
        *map(Warn, known_of_materials(choice.record.study, choice.record.stack, today(), shown)),
    ], [*notes, *map(Warn, choice.cautions)]


def _automatic(choice: PlanChoice) -> str:
    """Which of them is made where nobody chooses."""
    if choice.coupons < LEAST_OPTIMAL:
        return ""
    return f"; auto makes {suitable_kind(choice.record.study, choice.coupons)[0]}"


def _aliases(judgement: PlanJudgement, study: Study) -> str:
    """The aliases of a plan, the first few in words."""
    first, rest = said(judgement.aliases[:ALIASES_SHOWN], study), judgement.aliases[ALIASES_SHOWN:]
    more = f" And {len(rest)} more; --json names them all." if rest else ""
    return f"Aliases in {judgement.kind}: {' '.join(first)}{more}"


def tells(judgement: PlanJudgement, study: Study, shown: Shown, *, warns: bool = True) -> list[Block]:
    """What a plan can and cannot tell, one sentence each."""
    return [
        *((Warn(text) for text in said(judgement.warnings, study, shown)) if warns else ()),
        *(f"  + {text}" for text in said(judgement.can_tell, study, shown)),
        *(f"  - {text}" for text in said(judgement.cannot_tell, study, shown)),
    ]


def planned_data(made: PlannedRound, shown: Shown) -> dict[str, object]:
    """A stored round for ``--json``."""
    dials = dials_of_coupons(made.gauged, made.record.study, made.coupons)
    return {
        "study": made.record.name,
        "round": made.made.round,
        "kind": made.made.kind,
        "seed": made.plan.seed,
        "coupons": made.coupons,
        "notes": plan_notes(made.made.notes, made.record.study, shown),
        "note_facts": made.made.notes,
        "scale": made.scale,
        "judgement": judgement_data(made.judgement, made.record.study, shown),
        "dials": dial_data(dials),
        "gauge_cautions": made.cautions,
    }


def planned(made: PlannedRound, desk: Desk, sheet: str) -> Reply:
    """A stored round: what it costs and its coupons as they are dialled in; then what it tells, and the surfaces."""
    shown, study, j = desk.shown, made.record.study, made.judgement
    dialled = Dialled(study, made.gauged, shown)
    near = [note for note in made.made.notes if isinstance(note, Finding) and note.code == "near a limit"]
    others = [note for note in made.made.notes if note not in near]
    notes = (*plan_notes(others, study, shown), SCALE_WORDS[made.scale])
    return Reply(
        planned_data(made, shown),
        [
            f"Round {made.made.round} of {made.record.name} is in the book: {count(len(made.coupons), 'coupon')}, "
            f"{kind_label(made.made.kind)}.",
            f"In all: {count(j.coupons, 'coupon')}, {count(j.garments, 'garment')}, about "
            f"{fixed(j.hours, 1)} hours at the "
            f"machines, {j.oven_changes:g} oven and {j.press_changes:g} press temperature changes "
            f"(in random order {fixed(j.hours_random, 1)} hours).",
            *(Warn(text) for text in said(j.warnings, study, shown)),
            *(Warn(text) for text in plan_notes(near, study, shown)),
            *map(Warn, known_of_materials(study, made.record.stack, today(), shown)),
            *goes_on(study),
            "\nTo dial in; oven, press: batches made at one setting of that machine.",
            coupon_table(study, made.coupons, dialled, coupon="coupon", cure_batch="oven", press_batch="press"),
            *dial_notes(dialled, made.cautions),
        ],
        (sheet,),
        is_once=True,
        more=[
            "",
            *tells(j, study, shown, warns=False),
            *(f"  * {note}" for note in notes),
            *dial_blocks(dials_of_coupons(made.gauged, study, made.coupons, shown), made.cautions, made.gauged),
        ],
    )


@command("extend")
def extend(desk: Desk, study: str, coupons: int | None = None, seed: int | None = None) -> Reply:
    """Add a round of the coupons that are expected to help the verdict most, as a block in runnable order."""
    with desk.open(create=False) as book, desk.progress("choosing coupons") as tell:
        made = extend_study(book, study, coupons=coupons, seed=seed, progress=tell, shown=desk.shown)
    return planned(made, desk, f"doe sheet {quoted(made.record.name)} -o sheets --round {made.made.round}")


def sizes_reply(found: SizesWorth) -> Reply:
    """Sizes side by side, with what the table says and does not say."""
    study = found.record.study
    blocks: list[Block] = [
        words.lead(study, found.lines),
        Table(words.HEADS, words.rows(found.rows), right=words.HEADS),
        *(f"\n{text}" for text in words.findings(found.rows)),
        Warn("The lines are invented: compare the sizes with each other, and do not take a share for a promise."),
    ]
    if found.lines < found.wanted_lines:
        left = found.wanted_lines - found.lines
        blocks.append(
            f"{count(left, 'line')} of {found.wanted_lines} could not be drawn: their families do not fit these "
            "ranges, setting errors and spec."
        )
    if found.impossible:
        blocks.append(
            f"No plan of {listing([str(n) for n in found.impossible], 'or')} coupons exists for so many factors."
        )
    data = {
        "study": found.record.name,
        **named(found, "lines", "wanted_lines", "from_cache", "impossible"),
        "sizes": [_size_data(row) for row in found.rows],
    }
    following = (f"doe plan {quoted(found.record.name)} --coupons 20",)
    return Reply(data, blocks, following, more=["\n" + words.legend(study)])


def _size_data(row: Worth) -> dict[str, object]:
    """A size for ``--json``: every share with its counts and standard error."""
    data: dict[str, object] = {"coupons": row.coupons, "hours": row.hours}
    for name in ("ready", "good", "bad", "ready_bad", "given_up", "found_out"):
        share: Share = getattr(row, name)
        data[name] = {"share": share.value, **named(share, "error", "hits", "lines")}
    return data
