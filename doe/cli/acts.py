"""What the commands do, as functions that return what happened. A page for the same act calls the same function."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from typing import TYPE_CHECKING, Any
from zlib import crc32

from doe.domain.errors import InputError, InputErrors
from doe.domain.factors import KNOWN_FACTORS
from doe.domain.limits import CEILING_DEGC, missing_limits
from doe.domain.serial import to_plain
from doe.domain.study import Study
from doe.domain.units import show_both

if TYPE_CHECKING:
    import pandas as pd

    from doe.book import AnalysisRecord, Book, StudyRecord
    from doe.domain.gauge import GaugeReading
    from doe.plans import LeftOut, Plan, PlanJudgement
    from doe.setpoint import Answer
    from doe.surfaces import Surfaces

Progress = Callable[[float], None]
Key = str | int

DISTRIBUTION = "first-article-tuning"
FIT, RECOMMEND = "fit", "recommend"
"""Kinds of analyses kept in the book."""

_HASHED = ("coupon", "passed", "side", "round", "cure_batch", "press_batch", "garment", "cure_order", "press_order")


@cache
def version() -> str:
    """Version of this program, kept with every analysis."""
    from importlib.metadata import PackageNotFoundError
    from importlib.metadata import version as installed

    try:
        return installed(DISTRIBUTION)
    except PackageNotFoundError:  # run from a folder that was never installed
        return "not installed"


def usual_seed(name: str) -> int:
    """Seed of a study when none is given: the same for the same name, so that nothing depends on luck."""
    return crc32(name.encode()) % 100_000


# limits


def refuse_held(study: Study) -> None:
    """Refuse a setting held constant that the limits do not permit.

    Raises
    ------
    InputErrors
        Naming every such setting.
    """
    problems = []
    for name, value in study.held.items():
        known = KNOWN_FACTORS.get(name)
        if known is None or isinstance(value, str):
            continue
        low, high = study.limits.bounds(name) if study.limits else (None, None)
        if known.unit == "degC" and value >= CEILING_DEGC:
            allowed = f"below {show_both(CEILING_DEGC, 'degC')}"
        elif high is not None and value > high:
            allowed = f"at most {show_both(high, known.unit)} (limit)"
        elif low is not None and value < low:
            allowed = f"at least {show_both(low, known.unit)} (limit)"
        else:
            continue
        remedy = "Correct the held setting, or the limit from the data sheet."
        problems.append(InputError(f"held {known.label}", show_both(value, known.unit), allowed, remedy))
    if problems:
        raise InputErrors(problems)


def refuse_without_limits(study: Study) -> None:
    """Refuse to plan before every needed limit is known.

    Raises
    ------
    InputError
        Naming the missing ones and what to type.
    """
    if missing_limits(study.factors, study.limits):
        from doe.cli.study_words import limits_command, missing

        raise InputError(
            f"limits of {study.name}", f"{len(missing(study))} missing ({', '.join(missing(study))})",
            "every limit of the makers' data sheets before a plan is made", f"Type: {limits_command(study)}",
        )  # fmt: skip
    refuse_held(study)


# gauges and counts


@dataclass(frozen=True)
class GaugeOffset:
    """How far one machine is from what it was set to: mean and standard deviation of measured - set, in degC."""

    machine: str
    readings: int
    mean_delta_degc: float
    spread_delta_degc: float | None


def gauge_offsets(readings: Sequence[GaugeReading]) -> tuple[GaugeOffset, ...]:
    """Offset of each machine over its readings."""
    from statistics import fmean, stdev

    made = []
    for machine in ("oven", "press"):
        off = [r.measured_degc - r.set_degc for r in readings if r.machine == machine]
        if off:
            made.append(GaugeOffset(machine, len(off), fmean(off), stdev(off) if len(off) > 1 else None))
    return tuple(made)


@dataclass(frozen=True)
class ScoreCounts:
    """How far the scoring of a study has come. ``unfinished`` coupons have some but not all of their checks."""

    coupons: int
    scored: int
    passed: int
    unfinished: int
    void: int

    @property
    def waiting(self) -> int:
        """Coupons without any pass/fail result that are not void."""
        return self.coupons - self.scored - self.void

    @property
    def sentence(self) -> str:
        """The counts in a sentence."""
        if not self.coupons:
            return "No coupon is planned yet."
        parts = [f"{self.scored} of {self.coupons} coupons scored"]
        if self.scored:
            parts.append(f"{self.passed} passed so far, {self.scored - self.passed} failed")
        if self.unfinished:
            parts.append(f"{self.unfinished} still wait for a check (wash)")
        if self.void:
            parts.append(f"{self.void} void")
        return "; ".join(parts) + "."


def score_counts(book: Book, key: Key) -> ScoreCounts:
    """Counts of a study."""
    frame = book.results(key, include_void=True)
    void = frame["void"].astype(bool)
    scored = frame["passed"].notna() & ~void
    good = frame["passed"].eq(True) & scored
    checks = [c for c in frame.columns if c.startswith("check_")]
    open_checks = frame[checks].isna().any(axis=1) & good
    return ScoreCounts(len(frame), int(scored.sum()), int(good.sum()), int(open_checks.sum()), int(void.sum()))


# plans


@dataclass(frozen=True)
class PlanChoice:
    """Candidate plans of a study at a budget, the most telling first, and the kinds that do not fit."""

    record: StudyRecord
    coupons: int
    seed: int
    judgements: tuple[PlanJudgement, ...]
    left_out: tuple[LeftOut, ...]


def compare_for(book: Book, key: Key, *, coupons: int, seed: int | None = None) -> PlanChoice:
    """Compare plans for a study that has none yet."""
    from doe.plans import compare_plans, left_out

    record = _without_plan(book, key)
    seed = usual_seed(record.name) if seed is None else seed
    judged = compare_plans(record.study, coupons=coupons, seed=seed, line=record.line)
    absent = left_out(record.study, coupons=coupons)
    if not judged:
        raise InputError(
            "--coupons", coupons, "enough for one of the plans", absent[0].reason if absent else "Add coupons."
        )
    return PlanChoice(record, coupons, seed, judged, absent)


@dataclass(frozen=True)
class Planned:
    """A round that was stored: the whole plan, the new round with how it was chosen and its notes, the plan's worth."""

    record: StudyRecord
    plan: Plan
    round: int
    kind: str
    notes: tuple[str, ...]
    judgement: PlanJudgement

    @property
    def coupons(self) -> pd.DataFrame:
        """The coupons of the new round."""
        return self.plan.coupons[self.plan.coupons["round"] == self.round]


def commit_plan(
    book: Book,
    key: Key,
    *,
    kind: str,
    coupons: int,
    seed: int | None = None,
    order: str = "batched",
    per_garment: int = 4,
) -> Planned:
    """Make a plan of a kind and store it as the first round."""
    from doe.plans import judge_plan, make_plan

    record = _without_plan(book, key)
    plan = make_plan(
        record.study, coupons=coupons, kind=kind, seed=usual_seed(record.name) if seed is None else seed,
        line=record.line, order=order, coupons_per_garment=per_garment,
    )  # fmt: skip
    book.save_round(record.id, plan.coupons, kind=plan.kind, seed=plan.seed, notes=plan.notes)
    return Planned(record, plan, 1, plan.kind, plan.notes, judge_plan(plan, line=record.line))


def _without_plan(book: Book, key: Key) -> StudyRecord:
    record = book.study(key)
    refuse_without_limits(record.study)
    rounds = book.plan_info(record.id).rounds
    if rounds:
        from reports.wording import count

        raise InputError(
            f"plan of {record.name}", f"{count(len(rounds), 'round')} of coupons",
            "a study without a plan", "Add a round with doe extend, or start another study.",
        )  # fmt: skip
    return record


def stored_plan(book: Book, record: StudyRecord) -> Plan:
    """The plan of a study as it is in the book.

    Raises
    ------
    InputError
        If there is none.
    """
    from doe.plans import Plan

    info = book.plan_info(record.id)
    if not info.rounds:
        raise InputError(f"study {record.name}", "no plan", "a study with coupons", "Make one with doe plan.")
    return Plan(record.study, info.kind, info.seed, book.plan_coupons(record.id), info.notes)


# fits and recommendations


def inputs_hash(study: Study, results: pd.DataFrame) -> str:
    """SHA-256 over a study and its scored coupons: the same facts give the same text, whatever their order.

    Coupons that still wait change nothing in a fit, so they are left out.
    """
    from doe.cli.output import jsonable

    columns = sorted(
        c for c in results.columns
        if c in (*_HASHED, *study.factor_names) or str(c).startswith(("actual_", "hand_"))
    )  # fmt: skip
    scored = results.loc[results["passed"].notna(), columns].sort_values("coupon")
    rows = jsonable(scored.to_dict("records"))
    text = json.dumps({"study": to_plain(study), "results": rows}, sort_keys=True, ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


@dataclass(frozen=True)
class Fitted:
    """A fit with what it was made from."""

    record: StudyRecord
    results: pd.DataFrame
    surfaces: Surfaces
    hash: str
    seed: int
    counts: ScoreCounts


def fit_study(book: Book, key: Key, *, seed: int | None = None, progress: Progress | None = None) -> Fitted:
    """Fit the surfaces of a study to what is scored, and keep the fit in the book."""
    fitted = _fit(book, book.study(key), seed, progress)
    belief = fitted.surfaces.belief
    payload = {
        "coupons": fitted.surfaces.results.coupons, "passed": int(fitted.surfaces.results.passed.sum()),
        "score": belief.score, "score_no_factor": belief.score_no_factor, "right": belief.right,
        "fit_p_value": belief.fit_p_value, "learned": belief.learned, "sentences": belief.sentences,
        "warnings": fitted.surfaces.warnings,
    }  # fmt: skip
    _keep(book, fitted, FIT, payload)
    return fitted


def _fit(book: Book, record: StudyRecord, seed: int | None, progress: Progress | None) -> Fitted:
    from doe.surfaces import fit

    results = book.results(record.id)
    seed = usual_seed(record.name) if seed is None else seed
    surfaces = fit(record.study, results, seed=seed, progress=progress)
    return Fitted(record, results, surfaces, inputs_hash(record.study, results), seed, score_counts(book, record.id))


def _keep(book: Book, fitted: Fitted, kind: str, payload: Mapping[str, Any]) -> None:
    from doe.cli.output import jsonable

    book.save_analysis(
        fitted.record.id,
        kind=kind,
        inputs_hash=fitted.hash,
        seed=fitted.seed,
        version=version(),
        payload=jsonable(payload),
    )


@dataclass(frozen=True)
class Recommended:
    """An answer with the fit behind it.

    ``kept`` is the record of the same answer when it was in the book already; ``before`` the last answer to other
    results, when there is one.
    """

    fitted: Fitted
    answer: Answer
    kept: AnalysisRecord | None
    before: AnalysisRecord | None


def recommend_study(book: Book, key: Key, *, seed: int | None = None, progress: Progress | None = None) -> Recommended:
    """Recommend a setpoint from what is scored, and keep the answer in the book.

    An answer to the very same results, kept earlier, is given again as it was kept: a report made a year later says
    the same, whatever machine or version it is made with. With another seed, or after results changed, it is
    computed anew.
    """
    from doe.setpoint import recommend

    tell = progress or (lambda share: None)
    fitted = _fit(book, book.study(key), seed, lambda share: tell(0.7 * share))
    kept_answers = [a for a in book.analyses(fitted.record.id) if a.kind == RECOMMEND]
    same = [a for a in kept_answers if a.inputs_hash == fitted.hash and (seed is None or a.seed == seed)]
    others = [a for a in kept_answers if a.inputs_hash != fitted.hash]
    before = others[-1] if others and not same else None
    if same:
        tell(1.0)
        return Recommended(fitted, _with_open_checks(answer_from(same[-1].payload), fitted), same[-1], before)
    answer = recommend(
        fitted.record.study, fitted.surfaces, seed=fitted.seed, progress=lambda share: tell(0.7 + 0.3 * share)
    )
    _keep(book, fitted, RECOMMEND, answer_data(answer))
    return Recommended(fitted, _with_open_checks(answer, fitted), None, before)


def _with_open_checks(answer: Answer, fitted: Fitted) -> Answer:
    """The answer, which says first what it cannot know: a coupon counts as passed before it was washed.

    This is how things stand when the answer is given, so it is not kept with the answer: a wash that is passed
    later changes no result of the fit.
    """
    from reports.wording import listing

    if not fitted.counts.unfinished:
        return answer
    good = fitted.results[fitted.results["passed"].eq(True)]
    names = [c.name for c in fitted.record.study.spec.checks if good[f"check_{c.name}"].isna().any()]
    said = (
        f"{fitted.counts.unfinished} of {fitted.counts.passed} passed coupons still wait for a check "
        f"({listing([n.replace('_', ' ') for n in names])}); until then they count as passed, and the pass rate "
        "may look too good."
    )
    return replace(answer, limits_on_certainty=(said, *answer.limits_on_certainty))


def answer_data(answer: Answer) -> dict[str, Any]:
    """An answer as what JSON takes; `answer_from` reads it back."""
    from doe.cli.output import jsonable

    data: dict[str, Any] = jsonable(answer)
    # an empty frame keeps its columns too
    data["next_coupons"] = {"columns": list(answer.next_coupons.columns), "rows": data["next_coupons"]}
    return data


def answer_from(data: Mapping[str, Any]) -> Answer:
    """The answer that `answer_data` wrote down."""
    import math

    import pandas as pd

    from doe.setpoint import Answer, Cliff, Window

    def window(found: Mapping[str, Any] | None) -> Window | None:
        if found is None:
            return None
        rows = pd.DataFrame(found["bounds"])
        return Window(**{**found, "bounds": rows.set_index(rows.columns[0]).rename_axis(None)})

    values = dict(data)
    following = values["next_coupons"]
    values["next_coupons"] = pd.DataFrame(following["rows"], columns=following["columns"])
    values["window"], values["assured_window"] = window(values["window"]), window(values["assured_window"])
    values["cliffs"] = tuple(
        Cliff(**{**c, "setting_errors": math.nan if c["setting_errors"] is None else c["setting_errors"]})
        for c in values["cliffs"]
    )
    for name in ("limits_on_certainty", "changes", "warnings"):
        values[name] = tuple(values[name])
    return Answer(**values)


def extend_study(
    book: Book, key: Key, *, coupons: int = 8, seed: int | None = None, progress: Progress | None = None
) -> Planned:
    """Add a round of coupons where they would help most; without any score yet, where the plan is thinnest."""
    from doe.plans import augment_plan, judge_plan
    from doe.setpoint import extend_plan

    record = book.study(key)
    refuse_without_limits(record.study)
    plan = stored_plan(book, record)
    seed = usual_seed(record.name) if seed is None else seed
    if score_counts(book, record.id).scored:
        fitted = _fit(book, record, seed, progress)
        longer = extend_plan(record.study, plan, fitted.surfaces, coupons=coupons, seed=seed, line=record.line)
        kind = "towards the likely window"
    else:
        longer = augment_plan(plan, coupons=coupons, seed=seed, line=record.line)
        kind = "where the plan is thinnest"
    number, notes = longer.rounds, longer.notes[len(plan.notes) :]
    fresh = longer.coupons[longer.coupons["round"] == number]
    book.save_round(record.id, fresh, kind=kind, seed=seed, notes=notes)
    return Planned(record, longer, number, kind, notes, judge_plan(longer, line=record.line))


def local(when: datetime) -> datetime:
    """A stored time on the reader's clock."""
    return when.astimezone()
