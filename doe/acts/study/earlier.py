"""Coupons of an earlier study that count for a part of one each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from doe.acts.base import PRIOR, digest, version
from doe.acts.gauges.line import gauged_line
from doe.acts.study.rounds import is_comparison, results_to_learn_from
from doe.assure.confirmation.attempts import same_setting
from doe.book.book import Book
from doe.book.records import NewAnalysis, StudyRecord, StudySummary
from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.domain.jsonable import jsonable, named
from doe.domain.outcome import ACTUAL_PREFIX, BATCH_COLUMNS, HAND_PREFIX
from doe.domain.plan_kinds import is_as_dialled, learning_rounds
from doe.domain.study import Study
from doe.surfaces.earlier import Earlier

USUAL_DISCOUNT = 0.3
"""What one coupon of the earlier study counts for. See `tests/benchmarks/prior_knowledge.py` and DEVELOPERS.md."""

Reason = Literal["same fabric", "other fabric", "as typed"]
"""Why earlier coupons count for so much; `doe.words.study.state.reason` says it. Older books hold sentences."""


@dataclass(frozen=True)
class Prior:
    """Coupons of an earlier study as they were when the retune began; a later correction of them changes nothing here.

    ``discount`` is what each counts for; 0 when they are left out, and then ``results`` is empty. ``why`` is the
    `Reason`, or a sentence of an older book.
    """

    study: str
    recipe: str
    revision: int
    discount: float
    why: str
    results: pd.DataFrame
    hash: str

    @property
    def coupons(self) -> int:
        """Scored coupons."""
        return len(self.results)

    @property
    def is_used(self) -> bool:
        """Whether any of it enters the fit."""
        return self.discount > 0 and self.coupons > 0

    def earlier(self) -> Earlier | None:
        """For `doe.fit`; None when nothing is used."""
        return Earlier(self.results, self.discount) if self.is_used else None

    @property
    def lent(self) -> Finding:
        """What was lent, as `doe.words.study.state` says it."""
        told = named(self, "study", "recipe", "revision", "coupons", "discount", "why")
        return Finding("lent" if self.is_used else "left out", told)


def check_discount(discount: float) -> float:
    """A discount from 0 (left out) to 1 (like coupons of the new stack).

    Raises
    ------
    InputError
        If it is outside.
    """
    if not 0 <= discount <= 1:
        raise InputError("--discount", discount, "0 to 1", "0 leaves the earlier coupons out, 1 counts them fully.")
    return discount


def usual_discount(differs: Mapping[str, str]) -> tuple[float, Reason]:
    """What the earlier coupons usually count for, and why: nothing when the fabric is another in kind."""
    if differs.get("fabric") == "material":
        return 0.0, "other fabric"
    return USUAL_DISCOUNT, "same fabric"


def results_of_surface(book: Book, base: StudyRecord) -> pd.DataFrame:
    """Results of an earlier study with the temperatures of the surface, as those of a new one are.

    Coupons from before dial settings were corrected hold what was dialled in; the readings say what that gave.
    """
    results = results_to_learn_from(book, base.id)
    if not is_as_dialled(book.plan_info(base.id).rounds):
        return results
    line = gauged_line(book, base.line)
    for f in base.study.numeric:
        known = {v: line.surface(f.name, float(v)) for v in results[f.name].unique()} if f.is_temperature else {}
        real = {v: s.surface_degc for v, s in known.items() if s is not None and s.is_checked}
        if real:
            results = results.assign(**{f.name: results[f.name].replace(real)})
    return results


def studies_to_lend(book: Book) -> tuple[StudySummary, ...]:
    """Studies with scored coupons that a new one may borrow, newest first; those put away too."""
    return tuple(
        s
        for s in book.studies(include_archived=True)
        if s.scored and not is_comparison(book, s.id) and learning_rounds(book.plan_info(s.id).rounds)
    )


def lend_earlier(book: Book, record: StudyRecord, key: str, discount: float | None) -> Prior:
    """Let the scored coupons of an earlier study count in a new one, for a part of one each.

    It may be a study of a material that is gone, and its recipe retired: what its coupons said of the settings stays.

    Raises
    ------
    InputError
        If that study is this one or a comparison, lacks a setting of this one, varied one that is neither varied nor
        held now, holds no scored coupon that fits, or is of another fabric, held something at another value or lacks
        a check, and nobody said what its coupons count for.
    """
    base = book.study(key)
    where = f"--earlier {base.name}"
    if base.id == record.id or is_comparison(book, base.id):
        raise InputError(where, "this study, or a comparison", "a study that tuned settings", "Name another one.")
    study, old = record.study, {f.name: f for f in base.study.factors}
    for f in study.factors:
        if f.name not in old or (f.unit, f.is_categorical) != (old[f.name].unit, old[f.name].is_categorical):
            raise InputError(where, f"a study without {f.label}", "one that varied what the new one varies", "Hold it.")
    others = [f for f in base.study.categorical if f.name not in study.factor_names]
    levels = {f.name: str(study.held.get(f.name, "")) for f in others}
    for f in others:
        if levels[f.name] not in f.levels:
            remedy = f"Add --hold {f.name}={f.levels[0]}."
            raise InputError(where, f"{f.label} not held", f"{f.label} held at {' or '.join(f.levels)}", remedy)
    different = base.stack.fabric.name.casefold() != record.stack.fabric.name.casefold()
    counts, why = usual_discount({"fabric": "material"} if different else {})
    if discount is not None:
        counts, why = check_discount(discount), "as typed"
    else:
        _refuse_made_otherwise(where, study, base.study)
    found = results_of_surface(book, base)
    for name, share in _same_times(where, study, base.study).items():
        both = [column for column in (name, ACTUAL_PREFIX + name) if column in found]
        found = found.assign(**{column: found[column].astype(float) * share for column in both})
    results = coupons_for_prior(_at_held(where, found, study, base.study), study, levels)
    for f in study.categorical:
        results = results[results[f.name].isin(f.levels)].reset_index(drop=True)
    if results.empty:
        raise InputError(where, "no scored coupon that fits", "a study with scored coupons", "Name another one.")
    if counts == 0 and discount is None:
        raise InputError(
            where,
            f"another fabric, {base.stack.fabric.name}",
            "a study on the same fabric",
            f"Add --discount {USUAL_DISCOUNT:g} if it behaves alike all the same.",
        )
    of = [k for k in book.recipes() if k.study_id == base.id]
    recipe, revision = (of[-1].recipe.name, of[-1].recipe.revision) if of else ("", 0)
    lent = prior_analysis(study=base.name, recipe=recipe, revision=revision, discount=counts, why=why, results=results)
    book.save_analysis(record.id, **vars(lent))
    prior = prior_of(book, record)
    assert prior is not None  # it has just been kept
    return prior


def _refuse_made_otherwise(where: str, study: Study, old: Study) -> None:
    """Refuse coupons that were made or looked at otherwise, where nobody said what they count for."""
    held = [n for n, value in study.held.items() if n in old.held and not same_setting(value, old.held[n])]
    looked = {(check.name, check.after_washes, check.after_hours) for check in old.spec.checks}
    missing = [c.label for c in study.spec.checks if (c.name, c.after_washes, c.after_hours) not in looked]
    if held or missing:
        otherwise = [*(f"{n} held at {old.held[n]}" for n in held), *(f"without {label}" for label in missing)]
        raise InputError(
            where,
            "; ".join(otherwise),
            "coupons made and looked at as those of this study",
            f"Add --discount {USUAL_DISCOUNT:g} if they tell the same all the same.",
        )


def _same_times(where: str, study: Study, old: Study) -> dict[str, float]:
    """What a belt's speed is multiplied by, by name, so that the time in the heat stays as it was."""
    shares = {}
    for f in study.numeric:
        now, then = f.heated_mm, old.factor(f.name).heated_mm
        if (now is None) != (then is None):
            raise InputError(
                where,
                f"{f.label} with the belt's heated length known {'then' if now is None else 'now'} only",
                "both heated lengths, or neither",
                "Give both, such as --factor belt_speed,heated=1.2m, or leave it out.",
            )
        if now and then and now != then:
            shares[f.name] = now / then
    return shares


def _at_held(where: str, results: pd.DataFrame, study: Study, old: Study) -> pd.DataFrame:
    """Coupons at the held value of each setting that was varied then and is held now, within its setting error."""
    for f in old.numeric:
        if f.name in study.factor_names:
            continue
        value = study.held.get(f.name)
        if value is None or isinstance(value, str):
            raise InputError(
                where,
                f"{f.label} varied",
                f"{f.label} varied or held now too",
                f"Vary it too, or hold it: --hold {f.name}=VALUE.",
            )
        results = results[(results[f.name].astype(float) - value).abs() <= max(f.setting_sd, 1e-9)]
    return results


def coupons_for_prior(results: pd.DataFrame, study: Study, levels: Mapping[str, str]) -> pd.DataFrame:
    """Scored coupons of an earlier study with the columns a fit of the new one reads.

    Parameters
    ----------
    results : DataFrame
        As the book gives them.
    study : Study
        The new study; its factors are among those of the earlier one.
    levels : mapping
        Levels at which categorical factors of the earlier study are held now: coupons at another level are left out.
    """
    keep = results["passed"].notna()
    for name, level in levels.items():
        keep &= results[name].astype(str) == level
    names = ("coupon", *study.factor_names, "passed", "side", *BATCH_COLUMNS)
    actual = [ACTUAL_PREFIX + n for n in study.factor_names]
    columns = [c for c in results.columns if c in names or c in actual or str(c).startswith(HAND_PREFIX)]
    if (results["grade"] != "").any():
        columns.append("grade")
    found: pd.DataFrame = results.loc[keep, columns].reset_index(drop=True)
    return found


def prior_analysis(
    *, study: str, recipe: str, revision: int, discount: float, why: str, results: pd.DataFrame
) -> NewAnalysis:
    """Prior knowledge as the book keeps it."""
    used = results if discount > 0 else results.iloc[:0]
    rows = {"columns": list(used.columns), "rows": jsonable(used.to_dict("records"))}
    total = digest(rows)
    said = {"study": study, "recipe": recipe, "revision": revision, "discount": discount, "why": why}
    return NewAnalysis(PRIOR, total, 0, version(), {**said, "results": rows, "hash": total})


def prior_of(book: Book, record: StudyRecord) -> Prior | None:
    """Prior knowledge of a study; None when it has none on record."""
    kept = book.latest_analysis(record.id, PRIOR)
    if kept is None:
        return None
    rows = kept.payload["results"]
    return Prior(**{**kept.payload, "results": pd.DataFrame(rows["rows"], columns=rows["columns"])})
