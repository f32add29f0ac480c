"""What coupons that nobody planned can and cannot tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.coding import code
from doe.domain.errors import InputError
from doe.domain.factors import Factor
from doe.domain.study import Study

TIED, CLOSE = 0.95, 0.70
"""Correlation of two settings from which they cannot, or hardly, be told apart (common practice, no source).
0.95 makes the variance of an effect ten times as large as in a balanced set, 0.70 twice."""

_REGION_SLACK = 1e-9


def judge_foreign(study: Study, coupons: pd.DataFrame) -> tuple[str, ...]:
    """What a set of coupons can and cannot tell about a study, in plain sentences.

    Looks at the settings only, and counts results; nothing is fitted.

    Parameters
    ----------
    study : Study
    coupons : DataFrame
        One row a coupon: the factors (stored units); optional ``passed`` (True, False or missing), ``side``,
        ``cure_batch``, ``press_batch``.

    Returns
    -------
    tuple of str
        First what there is and what it can tell, then each thing it cannot, the gravest first.

    Raises
    ------
    InputError
        If there are no coupons, a factor has no column, or a setting is not a number or level.
    """
    settings = _settings(study, coupons)
    varied = [f for f in study.factors if settings.levels[f.name] > 1]
    tied, found = _tied(settings, varied)
    sentences = [_what_there_is(settings, coupons), *_can_tell(varied, tied)]
    sentences += _never_varied(study, varied)
    sentences += found
    sentences += _acting_together(settings, varied)
    sentences += _bends(settings, varied)
    sentences += _region(study, settings)
    sentences += _results(coupons, varied)
    sentences += _repeats(settings, coupons)
    sentences += _batches(settings, coupons, varied)
    return tuple(sentences)


@dataclass(frozen=True)
class _Settings:
    """Settings of n coupons.

    ``coded`` holds, by factor, an array (n, columns): one column for a range, one less than its levels for a
    categorical factor. ``level`` numbers the different settings of each factor, shape (n,); ``levels`` counts them.
    ``row`` numbers the different combinations, shape (n,).
    """

    coded: dict[str, NDArray[np.float64]]
    level: dict[str, NDArray[np.intp]]
    levels: dict[str, int]
    row: NDArray[np.intp]

    @property
    def coupons(self) -> int:
        return len(self.row)

    @property
    def combinations(self) -> int:
        return int(self.row.max()) + 1


def _settings(study: Study, coupons: pd.DataFrame) -> _Settings:
    absent = [n for n in study.factor_names if n not in coupons.columns]
    if absent or coupons.empty:
        raise InputError(
            "coupons",
            f"{len(coupons)} rows, columns {', '.join(map(str, coupons.columns))}",
            f"rows with columns {', '.join(study.factor_names)}",
            "Give one row a coupon.",
        )
    coded, level, levels = {}, {}, {}
    for f in study.factors:
        if f.is_categorical:
            names = coupons[f.name].astype(str).to_numpy()
            unknown = sorted(set(names) - set(f.levels))
            if unknown:
                raise InputError(f"coupons, {f.name}", ", ".join(unknown), ", ".join(f.levels), "Correct the level.")
            coded[f.name] = (names[:, None] == np.array(f.levels[1:])[None, :]).astype(float)
            _, level[f.name] = np.unique(names, return_inverse=True)
        else:
            values = coupons[f.name].to_numpy(dtype=float)
            if not np.isfinite(values).all() or (f.scale == "log" and (values <= 0).any()):
                raise InputError(
                    f"coupons, {f.name}",
                    "a missing or impossible number",
                    f"a number in {f.symbol}",
                    "Enter the setting used.",
                )
            coded[f.name] = code(f, values)[:, None]
            # settings closer than the machine can be set are the same setting
            _, level[f.name] = np.unique(np.round(values / (f.step or 1e-6)), return_inverse=True)
        levels[f.name] = int(level[f.name].max()) + 1
    _, row = np.unique(np.column_stack(list(level.values())), axis=0, return_inverse=True)
    return _Settings(coded, level, levels, row.reshape(-1))


def _what_there_is(settings: _Settings, coupons: pd.DataFrame) -> str:
    n, different = settings.coupons, settings.combinations
    text = f"{_count(n, 'coupon')} at {_count(different, 'different setting')}"
    passed, failed = _passed_failed(coupons)
    if passed + failed:
        text += f"; {passed} passed, {failed} failed"
        if passed + failed < n:
            text += f", {n - passed - failed} without a result"
    return text + "."


def _can_tell(varied: Sequence[Factor], tied: set[str]) -> list[str]:
    free = [f.label for f in varied if f.name not in tied]
    return [f"It can show whether more or less of {_listing(free, 'or')} goes with passing."] if free else []


def _never_varied(study: Study, varied: Sequence[Factor]) -> list[str]:
    same = [f.label for f in study.factors if f not in varied]
    if not same:
        return []
    verb = "was" if len(same) == 1 else "were"
    return [
        f"{_capital(_listing(same))} {verb} the same on every coupon: the set says nothing about "
        f"{'it' if len(same) == 1 else 'them'}."
    ]


def _tied(settings: _Settings, varied: Sequence[Factor]) -> tuple[set[str], list[str]]:
    """Factors that moved together, and the sentences on them.

    Pairs first; then factors that follow from several others although no single pair shows it.
    """
    tied: set[str] = set()
    sentences: list[str] = []
    for f, g in combinations(varied, 2):
        r = float(np.abs(_correlations(settings.coded[f.name], settings.coded[g.name])).max())
        if r >= TIED:
            sentences.append(
                f"{_capital(f.label)} and {g.label} were changed together (correlation {r:.2f}): "
                f"which of the two did it cannot be told."
            )
            tied |= {f.name, g.name}
        elif r >= CLOSE:
            sentences.append(
                f"{_capital(f.label)} and {g.label} were mostly changed together (correlation {r:.2f}): "
                f"they are hard to tell apart."
            )
    for f in varied:
        others = [g for g in varied if g is not f]
        if f.name in tied or not others:
            continue
        share = _explained(settings.coded[f.name], np.column_stack([settings.coded[g.name] for g in others]))
        if share >= TIED**2:
            sentences.append(
                f"{_capital(f.label)} follows from {_listing([g.label for g in others])} taken together: "
                f"its own effect cannot be told."
            )
            tied.add(f.name)
    return tied, sentences


def _correlations(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Correlations of the columns of x (n, a) with those of y (n, b), shape (a, b); 0 for a constant column."""
    x, y = x - x.mean(axis=0), y - y.mean(axis=0)
    scale = np.sqrt((x**2).sum(axis=0)[:, None] * (y**2).sum(axis=0)[None, :])
    products: NDArray[np.float64] = x.T @ y
    return np.where(scale > 0, products / np.where(scale > 0, scale, 1.0), 0.0)


def _explained(y: NDArray[np.float64], X: NDArray[np.float64]) -> float:
    """Largest share of the variance of a column of y (n, a) that a straight-line fit on X (n, b) explains."""
    full = np.column_stack([np.ones(len(X)), X])
    rest = y - full @ np.linalg.lstsq(full, y, rcond=None)[0]
    total = ((y - y.mean(axis=0)) ** 2).sum(axis=0)
    varies = total > 0
    return float(1 - ((rest**2).sum(axis=0)[varies] / total[varies]).min()) if varies.any() else 1.0


def _acting_together(settings: _Settings, varied: Sequence[Factor]) -> list[str]:
    """Pairs of factors whose joint effect no coupon shows: their product is a straight line in the factors."""
    if len(varied) < 2:
        return []
    mains = np.column_stack([settings.coded[f.name] for f in varied])
    hidden = []
    for f, g in combinations(varied, 2):
        product = (settings.coded[f.name][:, :, None] * settings.coded[g.name][:, None, :]).reshape(len(mains), -1)
        if _explained(product, mains) > 1 - 1e-9:
            hidden.append((f, g))
    if not hidden:
        return []
    if _one_at_a_time(settings, varied):
        return [
            "Only one factor was changed at a time: whether factors act together (hotter allows shorter) cannot "
            "be told, and no corner of a window was tried."
        ]
    pairs = _listing([f"{f.label} with {g.label}" for f, g in hidden])
    return [f"Whether these act together cannot be told: {pairs}."]


def _one_at_a_time(settings: _Settings, varied: Sequence[Factor]) -> bool:
    """Whether some coupon differs from every other in one factor at most."""
    levels = np.column_stack([settings.level[f.name] for f in varied])
    moved = (levels[:, None, :] != levels[None, :, :]).sum(axis=2)
    return bool((moved <= 1).all(axis=1).any())


def _bends(settings: _Settings, varied: Sequence[Factor]) -> list[str]:
    two = [f.label for f in varied if not f.is_categorical and settings.levels[f.name] == 2]
    if not two:
        return []
    return [f"Only two settings of {_listing(two)}: a best point between them cannot be seen."]


def _region(study: Study, settings: _Settings) -> list[str]:
    sentences = []
    outside = np.zeros(settings.coupons, dtype=bool)
    narrow = []
    for f in study.numeric:
        z = settings.coded[f.name][:, 0]
        outside |= np.abs(z) > 1 + _REGION_SLACK
        covered = max(0.0, min(float(z.max()), 1.0) - max(float(z.min()), -1.0)) / 2
        if settings.levels[f.name] > 1 and covered < 0.5:
            narrow.append(f"{f.label} ({covered:.0%})")
    if outside.all():
        sentences.append("No coupon lies inside the ranges of the study: a setpoint there would be a guess.")
    elif outside.any():
        sentences.append(
            f"{_count(int(outside.sum()), 'coupon')} outside the ranges of the study: they help to find "
            f"the edge, but no setpoint is looked for there."
        )
    if narrow:
        sentences.append(f"Less than half of the range was tried of {_listing(narrow)}: the rest stays unknown.")
    return sentences


def _passed_failed(coupons: pd.DataFrame) -> tuple[int, int]:
    if "passed" not in coupons.columns:
        return 0, 0
    given = coupons["passed"].dropna().astype(bool).to_numpy()
    return int(given.sum()), int((~given).sum())


def _results(coupons: pd.DataFrame, varied: Sequence[Factor]) -> list[str]:
    passed, failed = _passed_failed(coupons)
    if passed + failed == 0:
        return ["No pass or fail is given: nothing can be said about a window."]
    if failed == 0:
        return ["Nothing failed: it shows a place that works, not where it stops."]
    if passed == 0:
        return ["Nothing passed: it shows what does not work, not what does."]
    sentences = []
    fewer, word = (failed, "failed") if failed < passed else (passed, "passed")
    if fewer <= len(varied):
        sentences.append(
            f"Only {_count(fewer, 'coupon')} {word}, no more than the {len(varied)} factors that were "
            f"changed: where the edge runs is hardly known."
        )
    if "side" in coupons.columns:
        lost = coupons.loc[coupons["passed"].eq(False).fillna(False).astype(bool), "side"].astype(str)
        sides = set(lost) & {"under", "over"}
        if len(sides) == 1:
            much = {"under": "too little", "over": "too much"}
            (here,) = sides
            there = "over" if here == "under" else "under"
            sentences.append(
                f"All failures with a known side had {much[here]} heat: how far it is to {much[there]} heat is unknown."
            )
        if not sides and not lost.eq("other").all():
            sentences.append("No failure says which way it failed: name the symptom where it is still known.")
    return sentences


def _repeats(settings: _Settings, coupons: pd.DataFrame) -> list[str]:
    counts = np.bincount(settings.row)
    if (counts == 1).all():
        return [
            "No setting was made twice: how much coupons of one setting differ cannot be told from the effect of "
            "the settings."
        ]
    batch = _labels(coupons, "press_batch")
    if batch is not None:
        again = [set(batch[settings.row == r]) for r in np.flatnonzero(counts > 1)]
        if all(len(batches) == 1 for batches in again):
            return ["Settings were repeated only inside one press batch: the spread between batches is not in it."]
    return []


def _batches(settings: _Settings, coupons: pd.DataFrame, varied: Sequence[Factor]) -> list[str]:
    known = {stage: _labels(coupons, f"{stage}_batch") for stage in ("cure", "press")}
    if all(labels is None for labels in known.values()):
        return [
            "Which coupons were cured or pressed in one go is not known: they count as made one by one, so "
            "limits come out surer than they are."
        ]
    sentences = []
    for f in varied:
        labels = known[f.stage or "press"]
        if not f.hard_to_change or labels is None:
            continue
        level = settings.level[f.name]
        if all(len(set(labels[level == k])) == 1 for k in range(settings.levels[f.name])):
            sentences.append(
                f"Each {f.label} was made in one {f.stage} batch only: its effect cannot be told from the batch."
            )
    return sentences


def _labels(coupons: pd.DataFrame, column: str) -> NDArray[np.str_] | None:
    """Batch labels as text, None unless every coupon has one."""
    if column not in coupons.columns or coupons[column].isna().any():
        return None
    labels = coupons[column].astype(str).to_numpy(dtype=str)
    return None if (labels == "").any() else labels


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'s' if number != 1 else ''}"


def _listing(parts: Sequence[str], last: str = "and") -> str:
    return f"{', '.join(parts[:-1])} {last} {parts[-1]}" if len(parts) > 1 else "".join(parts)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
