"""The failed coupons of a study: what was seen on each, and where it lies beside the setpoint and the window."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doe.domain.coding import code
from doe.domain.factors import Factor
from doe.symptoms.reading import symptom
from doe.words.wording import SIDE_WORDS, amount_both, count, difference_both, errors_away, listing, move, sentence
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
    fitted, groups = report.surfaces.results, []
    seen = _seen(report)
    near = np.sqrt(sum(_coded(report, f) ** 2 for f in report.study.numeric))
    for side in _ORDER:
        rows = np.flatnonzero(~fitted.passed & (fitted.side == side))
        if not len(rows):
            continue
        rows = rows[np.argsort(near[rows], kind="stable")]
        groups.append(
            FailedGroup(
                title=f"{_TITLES[side]}: {count(len(rows), 'coupon')}",
                place=_where(report, rows),
                coupons=tuple(_coupon(report, int(row), seen) for row in rows),
            )
        )
    return tuple(groups)


def _coded(report: StudyReport, f: Factor) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Coded distance of every fitted coupon from the setpoint along one factor."""
    values = report.surfaces.results.settings[f.name].to_numpy(dtype=float)
    return np.asarray(code(f, values) - code(f, [float(report.answer.setpoint[f.name])]))


def _seen(report: StudyReport) -> dict[str, tuple[tuple[str, ...], str]]:
    """Symptom keys and note of each coupon that has any."""
    results = report.results
    if "coupon" not in results:
        return {}
    out = {}
    for _, row in results.iterrows():
        keys = row.get("symptom", "")
        note = row.get("note", "")
        listed = tuple(k.strip() for k in str(keys).split(";") if k.strip()) if pd.notna(keys) else ()
        out[str(row["coupon"])] = (listed, str(note) if pd.notna(note) else "")
    return out


def _drawn(key: str) -> Drawn:
    try:
        label = symptom(key).label
    except ValueError:  # a word of the shop's own
        return Drawn(key.replace("_", " "), None)
    return Drawn(label, symptom_svg(key, beside_text=True))


def _coupon(report: StudyReport, row: int, seen: dict[str, tuple[tuple[str, ...], str]]) -> FailedCoupon:
    study, fitted = report.study, report.surfaces.results
    name = str(fitted.coupon[row])
    keys, note = seen.get(name, ((), ""))
    settings = fitted.settings.iloc[row]
    return FailedCoupon(
        name=name,
        settings=", ".join(f"{f.label} {amount_both(f, settings[f.name], report.shown)}" for f in study.factors),
        symptoms=tuple(_drawn(key) for key in keys),
        place=_beside_setpoint(report, row),
        note=note,
        photos=tuple(photo for photo in report.photos if photo.coupon == name),
    )


def _beside_setpoint(report: StudyReport, row: int) -> str:
    """Where one coupon lies against the setpoint, its largest departures first."""
    study, fitted, answer = report.study, report.surfaces.results, report.answer
    settings = fitted.settings.iloc[row]
    off = []
    for f in study.numeric:
        far = float(_coded(report, f)[row])
        if abs(far) >= _NEAR:
            step = float(settings[f.name]) - float(answer.setpoint[f.name])
            way = move(f, "higher" if step > 0 else "lower")
            off.append((abs(far), f"{f.label} {difference_both(f, step, report.shown)} {way}"))
    other = [f"{f.label} {settings[f.name]}" for f in study.categorical if settings[f.name] != answer.setpoint[f.name]]
    parts = [text for _, text in sorted(off, reverse=True)[:3]] + other
    beside = sentence(f"against the setpoint: {', '.join(parts)}" if parts else "at or very near the setpoint")
    return f"{beside} It lies inside the expected window." if _inside(report)[row] else beside


def _inside(report: StudyReport) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Fitted coupons whose settings lie in the expected window, levels as in the setpoint."""
    fitted, window = report.surfaces.results, report.answer.window
    inside = np.full(fitted.coupons, window is not None)
    if window is None:
        return inside
    for f in report.study.numeric:
        values = fitted.settings[f.name].to_numpy(dtype=float)
        inside &= (values >= float(window.bounds["low"][f.name])) & (values <= float(window.bounds["high"][f.name]))
    for f in report.study.categorical:
        inside &= fitted.settings[f.name].to_numpy() == report.answer.setpoint[f.name]
    return inside


def _where(report: StudyReport, rows: np.ndarray[tuple[int], np.dtype[np.intp]]) -> str:
    """What most coupons of a group have in common against the setpoint, counted."""
    shares = []
    for f in report.study.numeric:
        far = _coded(report, f)[rows]
        for way, hits in (("lower", int((far <= -_NEAR).sum())), ("higher", int((far >= _NEAR).sum()))):
            shares.append((hits, f, way))
    most = max((hits for hits, _, _ in shares), default=0)
    if most * 2 <= len(rows):
        return (
            "They lie all over the tested region: no setting is on one side of the setpoint for more than half of them."
        )
    named = [f"{move(f, way)} {f.label}" for hits, f, way in shares if hits == most][:2]
    if len(rows) == 1:
        return f"Made with a {listing(named, 'and a')} than the setpoint."
    told = "all of them" if most == len(rows) else f"{most} of them"
    return sentence(f"{told} with a {f', {told} with a '.join(named)} than the setpoint")


def window_among_coupons(report: StudyReport) -> tuple[str, ...]:
    """How the expected window sits among the coupons tried, counted."""
    fitted, study, window = report.surfaces.results, report.study, report.answer.window
    if window is None:
        return (
            "There is no expected window to lay among the coupons; the upright line marks the setting named above.",
        )
    inside = _inside(report)
    passed = int(fitted.passed[inside].sum())
    held = int(inside.sum())
    if not held:
        first = (
            f"None of the {count(fitted.coupons, 'coupon')} was made inside the expected window: what is said about "
            "its inside is read off the coupons around it. Confirmation coupons are the first to be made there."
        )
    else:
        first = (
            f"{held} of {count(fitted.coupons, 'coupon')} {'was' if held == 1 else 'were'} made inside the expected "
            f"window: {passed} passed, {held - passed} failed."
        )
    beyond = _beyond(report)
    failed = np.flatnonzero(~fitted.passed & ~inside & np.isfinite(beyond))
    if not len(failed):
        return (first,)
    row = int(failed[np.argmin(beyond[failed])])
    outside = []
    for f in study.numeric:
        value = float(fitted.settings[f.name].iloc[row])
        low, high = float(window.bounds["low"][f.name]), float(window.bounds["high"][f.name])
        if value < low or value > high:
            size, way = (low - value, "lower") if value < low else (value - high, "higher")
            outside.append(f"{f.label} {difference_both(f, size, report.shown)} {move(f, way)} than any inside")
    errors = all(f.setting_sd for f in study.numeric)
    far = f" ({errors_away(beyond[row]).removesuffix(' away')} at the most)" if errors else ""
    return first, sentence(f"Outside it, the nearest failed coupon is {fitted.coupon[row]}: {', '.join(outside)}{far}")


def _beyond(report: StudyReport) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Largest distance of each coupon from the window along one factor, in setting errors; infinite at other levels."""
    fitted, window = report.surfaces.results, report.answer.window
    out = np.zeros(fitted.coupons)
    assert window is not None
    for f in report.study.numeric:
        values = fitted.settings[f.name].to_numpy(dtype=float)
        low, high = float(window.bounds["low"][f.name]), float(window.bounds["high"][f.name])
        size = np.maximum(np.maximum(low - values, values - high), 0.0)
        scale = f.setting_sd or (f.high - f.low) / 10  # no error stated: a tenth of the range stands for one
        out = np.maximum(out, size / scale)
    for f in report.study.categorical:
        out[fitted.settings[f.name].to_numpy() != report.answer.setpoint[f.name]] = np.inf
    return out


def photos_note(report: StudyReport) -> str:
    """How many photos are not in the page; empty when none was left out."""
    left = report.photos_left
    if not left:
        return ""
    return f"{count(left, 'more photo')} of failed coupons {'is' if left == 1 else 'are'} kept in the book."


__all__ = ["failed_groups", "photos_note", "window_among_coupons"]
