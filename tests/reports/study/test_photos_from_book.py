"""A photo kept in the book stands beside its failed coupon in the report."""

from __future__ import annotations

import io
import re
from pathlib import Path

from PIL import Image

from doe.acts.study.fits import recommend_study
from doe.acts.study.plans import commit_plan
from doe.acts.study.sheets import report_page
from doe.book.book import Book
from doe.domain.score import ScoreEntry
from doe.domain.units import METRIC
from tests.reports.study.samples import LINE, STACK, make_study


def photo() -> bytes:
    buffer = io.BytesIO()
    Image.new("RGB", (64, 48), (9, 90, 9)).save(buffer, "PNG")
    return buffer.getvalue()


def test_a_photo_in_the_book_stands_beside_its_failed_coupon(tmp_path: Path):
    with Book.open(tmp_path / "book.sqlite", who="Ana") as book:
        book.save_stack(STACK)
        book.save_line(LINE)
        key = book.add_study(make_study(), stack=STACK.name, line=LINE.name)
        made = commit_plan(book, key, kind="auto", coupons=12)
        names = list(map(str, made.coupons["coupon"]))
        book.record(
            key,
            [
                ScoreEntry(coupon=name, checks={"release": i % 3 > 0}, symptoms=("grainy_back",) if i % 3 == 0 else ())
                for i, name in enumerate(names)
            ],
        )
        failed, passed = names[0], names[1]
        for coupon in (failed, passed):
            book.add_photo(key, coupon, photo(), face="print", media_type="image/png")
        gone = book.add_photo(key, failed, photo(), face="back", media_type="image/png")
        book.withdraw_photo(gone, "blurred")
        text = report_page(book, recommend_study(book, key), shown=METRIC)
    assert re.findall(r'<img src="data:image/jpeg;base64,[^"]+" alt="([^"]*)"', text) == [
        f"Photo of {failed}, print side"
    ]
