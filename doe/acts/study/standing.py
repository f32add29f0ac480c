"""What is known of a study, worked out from the book alone and without a fit; commands and pages repeat it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from doe.acts.base import PRIOR, RECOMMEND, Key, today
from doe.acts.recipe.days import days_of
from doe.acts.recipe.recipes import newest_for
from doe.acts.study.inputs import hash_now
from doe.acts.study.limits import missing
from doe.acts.study.rounds import is_comparison, score_counts
from doe.book.book import Book
from doe.book.records import AnalysisRecord, CouponState, StatedLimit, StudyRecord
from doe.domain.errors import InputError
from doe.domain.factors import KNOWN_FACTORS
from doe.domain.finding import Value
from doe.domain.gauge import MACHINE_KINDS, USUAL_INTERVAL_DAYS, MachineKind
from doe.domain.limits import LIMITED, Limits
from doe.domain.outcome import ScoreCounts
from doe.domain.plan_kinds import (
    COMPARISON,
    COMPARISON_PLAN,
    CONFIRM,
    CONFIRMATION,
    CONFIRMATION_PLAN,
    JUDGING,
    REPLACEMENT,
)
from doe.domain.recipe import KeptRecipe, Recipe, RecipeSetting, is_same_make
from doe.domain.stack import Line
from doe.domain.standing import (
    COMPARED,
    NextStep,
    Step,
    StudyStanding,
    confirmation_code,
    standing,
    standing_of_revision,
    state_of_answer,
)


def standing_of(book: Book, key: Key, *, answer: Mapping[str, Any] | None = None) -> StudyStanding:
    """What is known of a study as it stands in the book, from one look at it.

    Parameters
    ----------
    book : Book
    key : str or int
    answer : mapping, optional
        An answer to the present results, as it is kept; the newest one when left out.
    """
    with book.reading():
        record = book.study(key)
        recipe = newest_for(book, record.id)
        rounds = book.plan_info(record.id).rounds
        if recipe is not None:
            told = standing_of_recipe(book, recipe)
            since = recipe.recipe.retired_at or recipe.at
            if not rounds or rounds[-1].made_at <= since:
                return told
            later = _before_release(book, record, answer)
            # what was made since then decides what comes next; a recipe in force stays in force meanwhile
            return (
                later if told.state == "retired" else StudyStanding(told.state, told.said, (*later.steps, *told.steps))
            )
        return _before_release(book, record, answer)


def _before_release(book: Book, record: StudyRecord, answer: Mapping[str, Any] | None) -> StudyStanding:
    if missing(record.study):
        return standing("limits", "limits")
    known = record.study.known
    if known is not None and record.study.beyond_limits:
        return standing("limits", "limits", kind="beyond", told={"factors": record.study.beyond_limits})
    rounds = book.plan_info(record.id).rounds
    unproven = None if known is None else standing("known", "confirm", told={"source": known})
    if not rounds:
        return unproven or standing("unplanned", "plan")
    counts = score_counts(book, record.id)
    if is_comparison(book, record.id):
        return _comparing(book, record, counts)
    kept = answer or (answer_now(book, record) if unproven is None else None)
    reached = kept["setpoint"] if kept is not None and kept["verdict"] != "not reachable" else None
    if rounds[-1].kind == CONFIRM:
        names = _look_again(kept) if unproven is None and kept is not None else ()
        confirming = _confirmation(book, record, reached if unproven is None else record.study.settings, names)
        if confirming is not None:
            return confirming
    return unproven or _search(book, record, counts, kept)


def _comparing(book: Book, record: StudyRecord, counts: ScoreCounts) -> StudyStanding:
    """A comparison: how far it is scored, of a staged one its last verdict too."""
    told: dict[str, Value] = {"scored": counts.scored, "coupons": counts.coupons - counts.void}
    if (retuned := retune_of(book, record)) is not None:
        return standing("comparing", "compare", kind="retuned", told={**told, "retune": retuned.name})
    planned = book.latest_analysis(record.id, COMPARISON_PLAN)
    last = book.latest_analysis(record.id, COMPARISON)
    if planned is None or not planned.payload.get("stages"):
        if last is not None and last.verdict in COMPARED and not _scored_since(book, record.id, last.made_at):
            stacks = book.recipe(last.payload["recipe"]).recipe.stacks
            is_added = last.verdict == COMPARED[0] and record.stack in stacks
            told |= {"verdict": last.verdict, "recipe": last.payload["recipe"]}
            return standing("comparing", "compare", kind="added" if is_added else "decided", told=told)
        return standing("comparing", "compare" if counts.scored else "make", told=told)
    waits: Step | None = "score" if counts.waiting else "washes" if counts.unfinished else None
    steps: tuple[Step, ...] = (*([waits] if waits else []), "compare") if counts.scored else ("make",)
    if last is None or waits:
        return standing("comparing", *steps, kind="staged", told=told)
    return standing("comparing", *steps, kind="judged", told={**told, "verdict": last.verdict})


def retune_of(book: Book, record: StudyRecord) -> StudyRecord | None:
    """The study that looks for settings of its own for the material of a comparison; None while there is none."""
    planned = book.latest_analysis(record.id, COMPARISON_PLAN)
    if planned is None:
        return None
    about = (planned.payload["recipe"], planned.payload["revision"])
    for number, prior in book.analyses_of_kind(PRIOR):
        if (prior.payload["recipe"], prior.payload["revision"]) != about or prior.made_at < planned.made_at:
            continue
        found = book.study(number)
        if (found.stack, found.line.name) == (record.stack, record.line.name) and not found.archived:
            return found
    return None


# while settings are searched for


def answer_kept(book: Book, record: StudyRecord) -> AnalysisRecord | None:
    """The newest answer to the present results, as it is in the book."""
    kept = book.analyses(record.id, RECOMMEND)
    now = hash_now(book, record) if kept else ""
    return next((a for a in reversed(kept) if a.inputs_hash == now), None)


def answer_now(book: Book, record: StudyRecord) -> Mapping[str, Any] | None:
    """What it says, as it is kept; reading it whole would wait for pandas."""
    kept = answer_kept(book, record)
    return None if kept is None else kept.payload


def _search(book: Book, record: StudyRecord, counts: ScoreCounts, answer: Mapping[str, Any] | None) -> StudyStanding:
    if answer is None:
        return _unanswered(book, record, counts)
    asked = len(answer["next_coupons"]["rows"])
    limits = {found["code"]: found for found in answer["limits_on_certainty"] if isinstance(found, dict)}
    state = state_of_answer(
        answer["verdict"],
        washes=counts.unfinished,
        felt=answer["hand"] is not None,
        asked=asked,
        limits=limits,
    )
    if state == "washing":
        return _washing(book, record, counts, "report")
    washes: tuple[Step, ...] = ("washes",) if counts.unfinished else ()
    if state == "ready":
        return standing(state, "confirm", "report")
    if state == "feeling":
        return standing(state, *washes, NextStep("feel", coupon=_first_passed(book, record)), "report")
    if state == "unreachable" or "budget_used" in limits:
        return standing(state, *washes, "report")
    more = NextStep("score") if counts.waiting else NextStep("extend", coupons=max(1, asked))
    return standing(state, *washes, more, "report", told={"names": _look_again(answer)})


def _look_again(answer: Mapping[str, Any]) -> tuple[str, ...]:
    """Coupons to look at again where the results contradict the map, from an answer as it is kept."""
    limits = (found for found in answer["limits_on_certainty"] if isinstance(found, dict))
    found = next((fact for fact in limits if fact["code"] == "contradicted"), {})
    return tuple(found.get("values", found).get("names", ()))


def _unanswered(book: Book, record: StudyRecord, counts: ScoreCounts) -> StudyStanding:
    """Without an answer to the present results: coupons, washes or the answer are waited for."""
    if counts.waiting:
        steps: tuple[Step, ...] = ("recommend", "score") if counts.scored else ("make",)
        told = {"scored": counts.scored, "coupons": counts.coupons - counts.void, "waiting": counts.waiting}
        return standing("making", *steps, told=told)
    if not counts.scored:
        return standing("making", "make", told={"scored": 0, "coupons": 0, "waiting": counts.coupons})
    if counts.unfinished:
        return _washing(book, record, counts, "recommend")
    return standing("unanswered", "recommend", kind="again" if book.analyses(record.id, RECOMMEND) else "")


def _washing(book: Book, record: StudyRecord, counts: ScoreCounts, then: Step) -> StudyStanding:
    columns = book.result_columns(record.id)
    good = [i for i, passed in enumerate(columns["passed"]) if passed and not columns["void"][i]]
    checks = [c.name for c in record.study.spec.checks if any(columns[f"check_{c.name}"][i] is None for i in good)]
    told = {"unfinished": counts.unfinished, "passed": counts.passed}
    return standing("washing", "washes", then, told={**told, "checks": tuple(checks)})


def _first_passed(book: Book, record: StudyRecord) -> str:
    return next((c.coupon for c in book.coupon_states(record.id) if c.passed and _is_searched(c)), "")


def _is_searched(coupon: CouponState) -> bool:
    return coupon.kind not in JUDGING and not coupon.void


# while an answer is confirmed


def _confirmation(
    book: Book, record: StudyRecord, setpoint: Mapping[str, Any] | None, names: tuple[str, ...]
) -> StudyStanding | None:
    """How far the last confirmation is; None where it is not about the present setpoint, or has no rule.

    ``names`` are the coupons to look at again, where the map that led to the setpoint was not trusted.
    """
    rule = book.latest_analysis(record.id, CONFIRMATION_PLAN)
    if rule is None or setpoint is None:
        return None
    plan = rule.payload
    if not _is_same(setpoint, plan["setpoint"]):
        return None
    claim, wanted = plan["claim"], record.study.spec.pass_rate
    code, settled, coupons = _judged(book, record, plan)
    told: dict[str, Value] = {"claim": claim["pass_rate"], "assurance": claim["assurance"], "wanted": wanted}
    if code == "confirmed":
        told |= {"names": names} if names else {}
        below = "below" if claim["pass_rate"] < wanted else ""
        if new := machines_since(book, record):
            kind, told = f"machine {below}".rstrip(), {**told, "machines": tuple(new)}
            return standing("confirmed", "confirm", "confirmation_page", kind=kind, told=told)
        if otherwise := _dialled_otherwise(book, record, plan):
            kind, told = f"dial {below}".rstrip(), {**told, "factors": otherwise}
            return standing("confirmed", "confirm", "confirmation_page", kind=kind, told=told)
        return standing("confirmed", "release", "confirmation_page", kind=below, told=told)
    if code.startswith("refused"):
        return standing("refused", "confirm", "confirmation_page", kind=code.removeprefix("refused").strip(), told=told)
    return standing("confirming", "confirm", told={**told, "settled": settled, "coupons": coupons})


def _dialled_otherwise(book: Book, record: StudyRecord, plan: Mapping[str, Any]) -> tuple[str, ...]:
    """Temperatures of a confirmation whose dial would be another one by readings that came after its coupons."""
    rounds = _rounds_of(book, record.id, plan)
    first = min(r.made_at for r in book.plan_info(record.id).rounds if r.round in rounds)
    try:
        readings = [kept for kept in book.gauge_history(record.line.name) if not kept.withdrawn]
    except InputError:  # its line is no longer in the book
        return ()
    before = {kept.reading.machine for kept in readings if kept.at <= first}
    if all(kept.reading.machine in before for kept in readings):
        return ()
    from doe.acts.gauges.line import dialled_otherwise  # noqa: PLC0415 - only this waits for numerics

    return tuple(dialled_otherwise(book, record, {**record.study.held, **plan["setpoint"]}, rounds))


def machines_since(book: Book, record: StudyRecord) -> dict[MachineKind, datetime]:
    """Machines that stand on the line of a study since after the first coupon of its last confirmation was scored."""
    rule = book.latest_analysis(record.id, CONFIRMATION_PLAN)
    names = {c.coupon for c in _coupons_of(book, record.id, rule.payload)} if rule is not None else set()
    scored = [entry.at for entry in book.history(record.id) if entry.coupon in names]
    return new_machines(book, record.line, min(scored)) if scored else {}


def _is_same(ours: Mapping[str, Any], theirs: Mapping[str, Any]) -> bool:
    def same(a: Any, b: Any) -> bool:
        if isinstance(a, str) or isinstance(b, str) or a is None or b is None:
            return bool(a == b)
        return math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-9)

    return all(same(value, theirs.get(name)) for name, value in ours.items())


def _judged(book: Book, record: StudyRecord, plan: Mapping[str, Any]) -> tuple[str, int, int]:
    """What the coupons of the last confirmation say, how many are settled, and of how many."""
    states = _coupons_of(book, record.id, plan)
    settled = sum(c.passed is False or (c.passed is True and not c.unfinished) for c in states)
    if all(c.passed is None for c in states):
        return "confirming", settled, len(states)
    kept = book.latest_analysis(record.id, CONFIRMATION)
    if kept is None or _scored_since(book, record.id, kept.made_at, states):
        # judged anew: only this waits for numerics
        from doe.acts.confirmation.verdict import code_now  # noqa: PLC0415 - as said

        return code_now(book, record.id), settled, len(states)
    judged = kept.payload["judged"]
    corners = [corner["verdict"] for corner in judged["corners"]]
    code = confirmation_code(kept.payload["verdict"], judged["setpoint_verdict"], corners, judged["hand_verdict"])
    return code, settled, len(states)


def _rounds_of(book: Book, study: int, plan: Mapping[str, Any]) -> set[int]:
    """Rounds of one confirmation, with those made in place of void coupons."""
    again = [a.payload for a in book.analyses(study, REPLACEMENT) if a.payload["attempt"] == plan["attempt"]]
    return {*plan["rounds"], *(int(made["round"]) for made in again)}


def _coupons_of(book: Book, study: int, plan: Mapping[str, Any]) -> list[CouponState]:
    """Coupons of one confirmation that are not void, those made in place of others too."""
    mine = _rounds_of(book, study, plan)
    return [c for c in book.coupon_states(study) if c.round in mine and not c.void]


def _scored_since(book: Book, study: int, moment: datetime, coupons: list[CouponState] | None = None) -> bool:
    """Whether anything of some coupons, or of all, was stored later."""
    names = {c.coupon for c in coupons or ()}
    return any(entry.at > moment for entry in book.history(study) if coupons is None or entry.coupon in names)


def verdicts_of(book: Book, study: int) -> tuple[tuple[int, str], ...]:
    """Number and verdict of every confirmation of a study as it stands, oldest first.

    A verdict in the book holds until its coupons are scored again; only a new one waits for numerics.
    """
    plans = [a.payload for a in book.analyses(study, CONFIRMATION_PLAN)]
    ended = {plan["gives_up"]["attempt"] for plan in plans if plan["gives_up"]}
    kept = {a.payload["attempt"]: a for a in book.analyses(study, CONFIRMATION)}
    found = []
    for plan in plans:
        number, coupons, verdict = plan["attempt"], _coupons_of(book, study, plan), "open"
        if any(c.passed is not None for c in coupons):
            judged = kept.get(number)
            if judged is None or _scored_since(book, study, judged.made_at, coupons):
                from doe.acts.confirmation.verdict import verdicts_now  # noqa: PLC0415 - as said

                return verdicts_now(book, study)
            verdict = judged.payload["judged"]["verdict"]
        found.append((number, "given up" if verdict == "open" and number in ended else verdict))
    return tuple(found)


# once it is released


def standing_of_recipe(book: Book, kept: KeptRecipe) -> StudyStanding:
    """Where one revision of a recipe stands: in force, in doubt since something, superseded or retired."""
    recipe, plain = kept.recipe, standing_of_revision(kept)
    if plain.state != "released":
        return plain
    told = {name: plain.said.values[name] for name in ("recipe", "revision", "line")}
    retire = NextStep("retire", name=recipe.name)
    record = None if kept.study_id is None else book.study(kept.study_id)
    if broken := stricter_limits(book, kept):
        since, names = min(limit.at for limit in broken).isoformat(), (s.factor for s in recipe.settings)
        beyond = tuple(name for name in names if any(_is_beyond(recipe.setting(name), limit) for limit in broken))
        studies = tuple(dict.fromkeys(limit.study for limit in broken))
        told |= {"since": since, "factors": beyond, "studies": studies}
        return standing("doubtful", retire, kind="limit", told=told)
    if record is not None and recipe.confirmation is not None and (failed := _failed_since(book, kept, record)):
        return standing("doubtful", "confirm", retire, kind="check", told={**told, "since": failed.isoformat()})
    days = days_of(book, kept)
    new, changed = _machines_since(book, kept, days.cleared[0] if days.cleared else kept.at)
    if changed is not None:
        measure = NextStep("measure", name=recipe.line.name)
        new_told = {**told, "since": changed.isoformat(), "machines": new}
        return standing("doubtful", measure, "confirm", retire, kind="machine", told=new_told)
    if days.doubt:
        again = NextStep("diagnose", name=recipe.name)
        return standing("doubtful", again, retire, kind=days.doubt, told={**told, "since": days.since.isoformat()})
    old, due = _out_of_date(book, recipe)
    if due is not None:
        measure = NextStep("measure", name=recipe.line.name)
        return standing("doubtful", measure, kind="gauge", told={**told, "since": due.isoformat(), "machines": old})
    return plain


def stricter_limits(book: Book, kept: KeptRecipe) -> tuple[StatedLimit, ...]:
    """Limits on record that a recipe lies beyond, with its setpoint or an end of its window.

    Those of its own study count, and those that another study has stated since its release for the same film, powder,
    fabric or line: a new data sheet is read for one study and holds for every recipe.
    """

    def is_about(limit: StatedLimit) -> bool:
        if limit.study_id == kept.study_id:
            return True
        if limit.archived or limit.at <= kept.at:
            return False
        part = LIMITED[limit.limit]
        if part == "line":
            return limit.line == kept.recipe.line.name
        return any(is_same_make(getattr(stack, part), getattr(limit.stack, part)) for stack in kept.recipe.stacks)

    return tuple(
        limit
        for limit in book.limits_on_record()
        if any(_is_beyond(s, limit) for s in kept.recipe.settings) and is_about(limit)
    )


def _is_beyond(setting: RecipeSetting, limit: StatedLimit) -> bool:
    stated: dict[str, Any] = {limit.limit: limit.value}
    return breaks(setting, Limits(**stated))


def breaks(setting: RecipeSetting, limits: Limits) -> bool:
    """Whether a setting of a recipe, or an end of its window, lies beyond limits."""
    low, high = limits.bounds(setting.factor, setting.heated_mm)
    ends = (setting.window_low, setting.surface, setting.window_high)
    values = [float(v) for v in ends if v is not None and not isinstance(v, str)]
    return any((low is not None and v < low) or (high is not None and v > high) for v in values)


def _failed_since(book: Book, kept: KeptRecipe, record: StudyRecord) -> datetime | None:
    """When a confirmation coupon was scored as failed after the release, so that it is not accepted any more."""
    mine = {c.coupon for c in book.coupon_states(record.id) if c.kind == CONFIRM}
    checks = (e for e in book.history(record.id) if e.coupon in mine and e.at > kept.at and e.current)
    failed = [e.at for e in checks if e.field.startswith("check:") and e.value is False]
    rule = book.latest_analysis(record.id, CONFIRMATION_PLAN)
    if not failed or rule is None or _judged(book, record, rule.payload)[0] == "confirmed":
        return None
    return min(failed)


def _machines_since(
    book: Book, kept: KeptRecipe, explained: datetime
) -> tuple[tuple[MachineKind, ...], datetime | None]:
    """Machines of a recipe's line that took another one's place after its release, or was explained, and since when."""
    new = new_machines(book, kept.recipe.line, explained)
    return tuple(new), min(new.values(), default=None)


def new_machines(book: Book, line: Line, after: datetime) -> dict[MachineKind, datetime]:
    """Since when another machine stands on a line than it was made of, of those that came after a moment."""
    now = next((x for x in book.lines() if x.name == line.name), line)  # it may be kept no longer
    since = {kind: now.machine(kind).since for kind in MACHINE_KINDS if not line.is_same(kind, now)}
    return {kind: day for kind, day in since.items() if day is not None and day > after}


def _out_of_date(book: Book, recipe: Recipe) -> tuple[tuple[MachineKind, ...], datetime | None]:
    """Machines whose readings, which the dials of a recipe rest on, are too old by now, and since when they are."""
    needed: set[MachineKind] = {
        "oven" if KNOWN_FACTORS[s.factor].stage == "cure" else "press"
        for s in recipe.settings
        if s.dial is not None and s.factor in KNOWN_FACTORS
    }
    due = gauges_due(book, recipe.line.name)
    old = {machine: moment for machine, moment in due.items() if machine in needed and moment.date() < today()}
    return tuple(sorted(old)), min(old.values(), default=None)


def gauges_due(book: Book, line: str) -> dict[MachineKind, datetime]:
    """When each machine of a line that was ever measured is to be measured again, by the usual interval."""
    last: dict[MachineKind, datetime] = {}
    for kept in book.gauge_history(line):
        reading = kept.reading
        if not kept.withdrawn and reading.taken_at is not None:
            last[reading.machine] = max(reading.taken_at, last.get(reading.machine, reading.taken_at))
    return {machine: taken + timedelta(days=USUAL_INTERVAL_DAYS) for machine, taken in last.items()}
