"""The failed coupons of a study: what was seen on each, and where it lies beside the setpoint and the window."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doe.domain.coding import code
from doe.setpoint.answer import Window
from doe.symptoms.reading import symptom
from doe.words.wording import (
    SIDE_WORDS,
    amount_both,
    count,
    difference_both,
    errors_away,
    listing,
    move,
    sentence,
    verb,
)
from reports.drawing.symptoms import symptom_svg
from reports.study.inputs import StudyReport
from reports.views import Drawn, FailedCoupon, FailedGroup

_ORDER = ("under", "over", "other", "unknown")
_TITLES = {side: words.capitalize() for side, words in SIDE_WORDS.items()} | {
    "other": "Not heat: powder, moisture or handling"
}
_NEAR = 0.15
"""Coded distance (a half-range is 1) below which a setting is called that of the setpoint."""


def failed_groups(report: StudyReport) -> tuple[FailedGroup, ...]:
    """Failed coupons by the side they failed on, the nearest to the setpoint first."""
    fitted, away = report.surfaces.results, _away(report)
    near = (away**2).sum(axis=1).to_numpy()
    inside = _inside(report)
    groups = []
    for side in _ORDER:
        rows = np.flatnonzero(~fitted.passed & (fitted.side == side))
        if len(rows):
            rows = rows[np.argsort(near[rows], kind="stable")]
            coupons = tuple(_coupon(report, away.iloc[row], int(row), is_inside=inside[row]) for row in rows)
            title = f"{_TITLES[side]}: {count(len(rows), 'coupon')}"
            groups.append(FailedGroup(title, _where(report, away.iloc[rows]), coupons))
    return tuple(groups)


def _away(report: StudyReport) -> pd.DataFrame:
    """Coded distance of every fitted coupon from the setpoint, a column a numeric factor."""
    settings, setpoint = report.surfaces.results.settings, report.answer.setpoint
    return pd.DataFrame(
        {
            f.name: code(f, settings[f.name].to_numpy(dtype=float)) - code(f, [float(setpoint[f.name])])
            for f in report.study.numeric
        }
    )


def _drawn(key: str) -> Drawn:
    try:
        label = symptom(key).label
    except ValueError:  # a word of the shop's own
        return Drawn(key.replace("_", " "), None)
    return Drawn(label, symptom_svg(key, beside_text=True))


def _coupon(report: StudyReport, away: pd.Series, row: int, *, is_inside: bool) -> FailedCoupon:
    study, fitted = report.study, report.surfaces.results
    name, settings = str(fitted.coupon[row]), fitted.settings.iloc[row]
    seen = (
        report.results[report.results["coupon"].astype(str) == name] if "coupon" in report.results else pd.DataFrame()
    )
    keys, note = (str(seen[c].iloc[0]) if c in seen and seen[c].notna().any() else "" for c in ("symptom", "note"))
    return FailedCoupon(
        name=name,
        settings=", ".join(f"{f.label} {amount_both(f, settings[f.name], report.shown)}" for f in study.factors),
        symptoms=tuple(_drawn(key.strip()) for key in keys.split(";") if key.strip()),
        place=_beside_setpoint(report, settings, away) + (" It lies inside the expected window." if is_inside else ""),
        note=note,
        photos=tuple(photo for photo in report.photos if photo.coupon == name),
    )


def _beside_setpoint(report: StudyReport, settings: pd.Series, away: pd.Series) -> str:
    """Where one coupon lies against the setpoint, its largest departures first."""
    study, setpoint = report.study, report.answer.setpoint
    parts = []
    for name in away[away.abs() >= _NEAR].abs().sort_values(ascending=False, kind="stable").index[:3]:
        f = study.factor(name)
        step = float(settings[name]) - float(setpoint[name])
        way = move(f, "higher" if step > 0 else "lower")
        parts.append(f"{f.label} {difference_both(f, step, report.shown)} {way}")
    parts += [f"{f.label} {settings[f.name]}" for f in study.categorical if settings[f.name] != setpoint[f.name]]
    return sentence(f"against the setpoint: {', '.join(parts)}" if parts else "at or very near the setpoint")


def _where(report: StudyReport, away: pd.DataFrame) -> str:
    """What most coupons of a group have in common against the setpoint, counted."""
    hits = [
        (int((sign * away[f.name] >= _NEAR).sum()), f"{move(f, way)} {f.label}")
        for f in report.study.numeric
        for sign, way in ((-1, "lower"), (1, "higher"))
    ]
    most = max((number for number, _ in hits), default=0)
    if most * 2 <= len(away):
        return (
            "They lie all over the tested region: no setting is on one side of the setpoint for more than half of them."
        )
    named = [text for number, text in hits if number == most][:2]
    if len(away) == 1:
        return f"Made with a {listing(named, 'and a')} than the setpoint."
    told = "all of them" if most == len(away) else f"{most} of them"
    return sentence(f"{told} with a {f', {told} with a '.join(named)} than the setpoint")


def _outside(report: StudyReport, window: Window) -> pd.DataFrame:
    """How far every fitted coupon lies outside a window, a column a numeric factor; below it less than 0."""
    values = report.surfaces.results.settings[[f.name for f in report.study.numeric]].astype(float)
    bounds = window.bounds.astype(float)
    return values - values.clip(bounds["low"], bounds["high"], axis=1)


def _at_levels(report: StudyReport) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Fitted coupons made at the levels of the setpoint."""
    names = [f.name for f in report.study.categorical]
    here = pd.Series({name: report.answer.setpoint[name] for name in names}, dtype=object)
    return np.asarray((report.surfaces.results.settings[names] == here).all(axis=1))


def _inside(report: StudyReport) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Fitted coupons whose settings lie in the expected window, levels as in the setpoint."""
    window = report.answer.window
    if window is None:
        return np.zeros(report.surfaces.results.coupons, dtype=bool)
    return np.asarray((_outside(report, window) == 0).all(axis=1)) & _at_levels(report)


def window_among_coupons(report: StudyReport) -> tuple[str, ...]:
    """How the expected window sits among the coupons tried, counted."""
    fitted, study, window = report.surfaces.results, report.study, report.answer.window
    if window is None:
        return (
            "There is no expected window to lay among the coupons; the upright line marks the setting named above.",
        )
    inside = _inside(report)
    passed, held = int(fitted.passed[inside].sum()), int(inside.sum())
    if held:
        first = (
            f"{held} of {count(fitted.coupons, 'coupon')} {verb(held, 'was', 'were')} made inside the expected "
            f"window: {passed} passed, {held - passed} failed."
        )
    else:
        first = (
            f"None of the {count(fitted.coupons, 'coupon')} was made inside the expected window: what is said about "
            "its inside is read off the coupons around it. Confirmation coupons are the first to be made there."
        )
    outside = _outside(report, window)
    # no error stated: a tenth of the range stands for one
    errors = pd.Series({f.name: f.setting_sd or (f.high - f.low) / 10 for f in study.numeric})
    far = (outside.abs() / errors).max(axis=1).to_numpy(dtype=float)
    failed = ~fitted.passed & ~inside & _at_levels(report)
    if not failed.any():
        return (first,)
    row = int(np.where(failed, far, np.inf).argmin())
    places = []
    for f in study.numeric:
        if size := float(outside[f.name].iloc[row]):
            way = move(f, "higher" if size > 0 else "lower")
            places.append(f"{f.label} {difference_both(f, size, report.shown)} {way} than any inside")
    stated = all(f.setting_sd for f in study.numeric)
    most = f" ({errors_away(far[row]).removesuffix(' away')} at the most)" if stated else ""
    return first, sentence(f"Outside it, the nearest failed coupon is {fitted.coupon[row]}: {', '.join(places)}{most}")


def photos_note(report: StudyReport) -> str:
    """How many photos are not in the page; empty when none was left out."""
    left = report.photos_left
    return f"{count(left, 'more photo')} of failed coupons {verb(left, 'is', 'are')} kept in the book." if left else ""
