from __future__ import annotations

import base64
import csv
import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from doe.symptoms.catalogue import symptom
from reports.study.inputs import photos_for_page, small_jpeg
from reports.study.page import failed_groups, study_page, study_report, window_among_coupons
from reports.views import csv_text, frame_csv
from tests.reports.study.samples import samples
from tests.shared import untapped


def picture(width: int = 1600, height: int = 1200, *, turned: bool = False) -> bytes:
    buffer = io.BytesIO()
    image = Image.new("RGB", (width, height), (200, 30, 30))
    image.paste((10, 10, 200), (0, 0, width // 2, height))
    tags = Image.Exif()
    tags[0x0112] = 6 if turned else 1  # orientation
    tags[0x010F] = "camera"
    image.save(buffer, "JPEG", exif=tags)
    return buffer.getvalue()


@pytest.mark.parametrize("case", ["ready", "all fail", "all pass", "six factors", "no hand-feel"])
def test_every_failed_coupon_stands_once_with_what_was_seen_on_it(case):
    report = samples()[case]
    fitted = report.surfaces.results
    listed = [coupon for group in failed_groups(report) for coupon in group.coupons]
    assert sorted(c.name for c in listed) == sorted(map(str, fitted.coupon[~fitted.passed]))
    seen = report.results.set_index("coupon")["symptom"]
    for coupon in listed:
        keys = [key.strip() for key in str(seen[coupon.name]).split(";") if key.strip()]
        assert [d.label for d in coupon.symptoms] == [symptom(key).label for key in keys]
        assert all(d.svg is not None for d in coupon.symptoms)


def test_the_title_counts_and_the_nearest_comes_first():
    report = samples()["ready"]
    groups = failed_groups(report)
    fitted = report.surfaces.results
    for side, title in (("under", "Too little heat"), ("over", "Too much heat")):
        n = int((fitted.side == side).sum())
        assert any(g.title == f"{title}: {n} coupon{'s' if n > 1 else ''}" for g in groups)
    # nearest by coded distance, computed in a loop
    f = report.study.numeric

    def far(name: str) -> float:
        row = fitted.settings.iloc[list(map(str, fitted.coupon)).index(name)]
        total = 0.0
        for each in f:
            if each.scale == "log":
                u = 2 * np.log(row[each.name] / report.answer.setpoint[each.name]) / np.log(each.high / each.low)
            else:
                u = 2 * (row[each.name] - report.answer.setpoint[each.name]) / (each.high - each.low)
            total += u**2
        return total

    for group in groups:
        distances = [far(c.name) for c in group.coupons]
        assert distances == sorted(distances)


def test_what_most_have_in_common_is_counted():
    report = samples()["ready"]
    fitted, here = report.surfaces.results, report.answer.setpoint
    group = next(g for g in failed_groups(report) if g.title.startswith("Too little heat"))
    under = fitted.settings[fitted.side == "under"]
    # a half-range of cure temperature is 15 degC here; nearer than 0.15 of it counts as the same setting
    f = report.study.factor("cure_temp")
    cooler = int((under["cure_temp"] <= float(here["cure_temp"]) - 0.15 * (f.high - f.low) / 2).sum())
    told = "All of them" if cooler == len(under) else f"{cooler} of them"
    assert f"{told} with a cooler cure temperature".lower() in group.place.lower()


def test_a_word_of_the_shops_own_is_shown_without_a_drawing():
    report = samples()["ready"]
    results = report.results.assign(symptom="odd smear", note="=looks <b>odd</b>")
    page = study_page(replace(report, results=results))
    drawn = page.failed_groups[0].coupons[0].symptoms[0]
    assert (drawn.label, drawn.svg) == ("odd smear", None)
    assert "<b>odd</b>" not in study_report(replace(report, results=results))


def test_coupons_inside_the_window_are_counted_and_the_nearest_failure_is_named():
    report = samples()["ready"]
    window, fitted = report.answer.window, report.surfaces.results
    assert window is not None
    inside = np.ones(fitted.coupons, dtype=bool)
    for name in window.bounds.index:
        inside &= fitted.settings[name].between(window.bounds["low"][name], window.bounds["high"][name]).to_numpy()
    passed = int(fitted.passed[inside].sum())
    told = window_among_coupons(report)
    assert f"{inside.sum()} of {fitted.coupons} coupons" in told[0]
    assert f"{passed} passed, {inside.sum() - passed} failed" in told[0]
    named = told[1].split(":")[0].split()[-1]
    assert named in set(map(str, fitted.coupon[~fitted.passed & ~inside]))


def test_without_a_window_nothing_is_said_about_its_inside():
    assert "no expected window" in window_among_coupons(samples()["not reachable"])[0]


def test_a_photo_is_turned_upright_made_small_and_loses_its_tags():
    small = small_jpeg(picture(turned=True))
    assert small is not None
    image = Image.open(io.BytesIO(small))
    assert image.size == (360, 480)
    assert not image.getexif()


def test_what_is_no_picture_is_left_out_and_a_page_stays_light():
    one = ("R1-01", "print", picture)
    kept, left = photos_for_page([("R1-02", "back", lambda: b"\xff\xd8\xff broken"), one])
    assert [p.coupon for p in kept] == ["R1-01"]
    assert left == 1
    asked: list[int] = []
    heavy = [("R1-03", "print", lambda i=i: asked.append(i) or picture()) for i in range(5)]
    kept, left = photos_for_page(heavy, most_bytes=len(kept[0].address) + 10)
    assert (len(kept), left) == (1, 4)


def test_every_coupon_is_shown_once_before_any_is_shown_twice():
    photos = [("a", "print", picture), ("a", "back", picture), ("b", "print", picture)]
    kept, _ = photos_for_page(photos)
    assert [(p.coupon, p.face) for p in kept] == [("a", "print side"), ("b", "print side"), ("a", "back")]


def test_photos_stand_with_their_coupon_and_the_rest_are_counted():
    report = samples()["ready"]
    name = failed_groups(report)[0].coupons[0].name
    photos, _ = photos_for_page([(name, "print", picture), ("R9-99", "print", picture)])
    text = untapped(study_report(replace(report, photos=photos, photos_left=2)))
    assert text.count('<img src="data:image/jpeg;base64,') == 1
    assert f'alt="Photo of {name}, print side"' in text
    assert "2 more photos of failed coupons are kept in the book." in text


def test_every_table_can_be_saved_and_the_file_holds_its_rows():
    page = study_page(samples()["ready"])
    tables = [page.cliff_table, page.coupon_table, page.what_if.table, *page.check_tables]
    for table in tables:
        head, *rows = csv.reader(io.StringIO(base64.b64decode(table.csv.split(",", 1)[1]).decode("utf-8-sig")))
        assert table.file.endswith(".csv")
        assert len(rows) == len(table.rows)
        assert all(len(row) == len(head) for row in rows)
    data = base64.b64decode(page.coupon_table.csv.split(",", 1)[1]).decode("utf-8-sig")
    assert data.splitlines()[0].startswith("coupon,cure_temp")


def test_a_saved_table_never_computes_anything():
    assert csv_text(["a"], [["=HYPERLINK(1)"], ["@x"], ["-3.5"], ["+2e-3"], ["-x"]]).splitlines()[1:] == [
        "'=HYPERLINK(1)",
        "'@x",
        "-3.5",
        "+2e-3",
        "'-x",
    ]


def test_a_saved_frame_keeps_its_digits_and_leaves_what_is_missing_empty():
    import pandas as pd

    assert frame_csv(pd.DataFrame({"a": [0.1234567890123, None], "b": ["x", None]})) == (
        "a,b\r\n0.1234567890123,x\r\n,\r\n"
    )
