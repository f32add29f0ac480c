from __future__ import annotations

import io
import re
from dataclasses import replace

import numpy as np
import pytest
import zxingcpp
from PIL import Image

from doe.domain.errors import InputError
from doe.words.cautions import CAUTIONS, FIXED_WORDING
from doe.words.typography import NO_BREAK
from reports.sheet.labels import GRIDS, LabelsPage, check_link, coupon_address, labels_page, tag_text
from tests.reports.study.samples import FOUR, MADE_AT, label_sheets, make_study, plan_of

LINK = "http://192.168.1.20:8731"
SIX = (*FOUR, "pressure", "film_type")


def page(**changes: object) -> LabelsPage:
    inputs = {"grid": "a4", "made_at": MADE_AT, "round_number": 1, "study_id": 3, **changes}
    return labels_page(make_study(), plan_of().coupons, **inputs)  # type: ignore[arg-type]


def html(names: tuple[str, ...] = FOUR, coupons: int = 20, **changes: object) -> str:
    inputs = {"grid": "a4", "made_at": MADE_AT, "round_number": 1, "study_id": 3, **changes}
    return label_sheets(make_study(names), plan_of(names, coupons).coupons, **inputs)  # type: ignore[arg-type]


def test_every_coupon_has_one_label_and_one_tag_in_the_order_of_the_oven():
    labels = [label for sheet in page().sheets for label in sheet]
    wanted = plan_of().coupons.sort_values("cure_order")["coupon"].tolist()
    assert [label.coupon for label in labels] == wanted
    assert [tag.name for tag in page().tags] == wanted
    assert labels[0].order == "cure 1, press " + str(
        int(plan_of().coupons.set_index("coupon").loc[labels[0].coupon, "press_order"])
    )


def test_a_label_tells_no_setting_to_whoever_scores_the_coupon():
    study, text = make_study(), html()
    stickers = text[text.index('class="label-sheet"') : text.index('class="tags"')]
    assert not re.search(r"\d\s*(°|bar|psi|s\b)", stickers.replace(NO_BREAK, " "))
    assert not any(f.label in stickers for f in study.factors)


@pytest.mark.parametrize("grid", GRIDS)
@pytest.mark.parametrize("skip", [0, 3, 13])
def test_labels_fall_on_the_grid_and_leave_the_used_ones_free(grid, skip):
    found = GRIDS[grid]
    sheets = page(grid=grid, skip=skip).sheets
    assert len(sheets[0]) == min(20, found.labels - skip)
    places = [[(float(x.left[:-2]), float(x.top[:-2])) for x in sheet] for sheet in sheets]
    assert all(len(set(each)) == len(each) for each in places)
    for x, y in (spot for each in places for spot in each):
        assert 0 <= x <= found.width - found.label_width
        assert 0 <= y <= found.height - found.label_height
    first = ((skip % found.columns) * found.across + found.left, (skip // found.columns) * found.down + found.top)
    assert places[0][0] == pytest.approx(first, abs=0.01)


def test_labels_of_a_grid_do_not_overlap():
    for found in GRIDS.values():
        assert found.across >= found.label_width
        assert found.down >= found.label_height - 1e-9


@pytest.mark.parametrize(
    ("link", "wanted"),
    [("", "R1-04"), (LINK, f"{LINK}/c/3/R1-04"), ("https://shop.example/", "https://shop.example/c/3/R1-04")],
)
def test_a_code_opens_the_page_of_its_coupon_or_holds_its_name(link, wanted):
    assert coupon_address(check_link(link), 3, "R1-04") == wanted


@pytest.mark.parametrize(
    "link",
    [
        "192.168.1.20:8731",
        "ftp://x",
        "http://",
        "http://a b",
        "http://x:0",
        "http://x/?k=1",
        "javascript:alert(1)",
        "http://[::1",
        "http://x:port",
    ],
)
def test_what_is_no_address_is_refused(link):
    with pytest.raises(InputError, match=r"http://192\.168"):
        check_link(link)


def test_other_papers_and_too_many_used_labels_are_refused():
    with pytest.raises(InputError, match="allowed: a4 or letter"):
        page(grid="a3")
    with pytest.raises(InputError, match="allowed: 0 to 13"):
        page(skip=14)


def test_a_tag_is_plain_capitals_and_short():
    study = replace(make_study(), name="Grün-weiß 24, very long names of a study <b>")
    assert tag_text(study, "R12-20") == "R12-20 G2VL"
    assert tag_text(replace(study, name="棉 布"), "R1-01") == "R1-01"


def test_cautions_stand_on_every_label_and_on_the_last_page():
    text = html().replace(NO_BREAK, " ")
    assert text.count("Not heat-proof: keep out of oven and press. Burns at a touch.") == 20
    for caution in (*CAUTIONS, FIXED_WORDING):
        assert caution.replace("'", "&#39;") in text


def test_a_setting_at_the_ceiling_is_never_printed():
    hot = plan_of().coupons.assign(press_temp=200.0)
    with pytest.raises(InputError, match="200"):
        labels_page(make_study(), hot, grid="a4", made_at=MADE_AT, round_number=1, study_id=3)


@pytest.mark.browser
@pytest.mark.parametrize(("names", "grid"), [(FOUR, "a4"), (SIX, "letter")])
def test_printed_codes_are_read_and_nothing_is_cut_off_a_label(browser, tmp_path, names, grid):
    path = tmp_path / "labels.html"
    path.write_text(html(names, 24, grid=grid, link=LINK), encoding="utf-8")
    tab = browser.new_page(viewport={"width": 920, "height": 1200})
    tab.goto(path.as_uri())
    tab.emulate_media(media="print")
    sheet = tab.locator(".label-sheet").first
    box = sheet.bounding_box()
    found = GRIDS[grid]
    assert box["width"] == pytest.approx(found.width / 25.4 * 96, abs=1)
    assert box["height"] == pytest.approx(found.height / 25.4 * 96, abs=1)
    grey = np.array(Image.open(io.BytesIO(sheet.screenshot())).convert("L"))
    read = {each.text for each in zxingcpp.read_barcodes(grey, formats=zxingcpp.BarcodeFormat.QRCode)}
    in_order = plan_of(names, 24).coupons.sort_values("cure_order")["coupon"].tolist()
    assert read == {f"{LINK}/c/3/{coupon}" for coupon in in_order[: found.labels]}
    # every text lies inside its label, and none is wider or taller than its box
    cut = tab.evaluate(
        """[...document.querySelectorAll('.label')].flatMap(label => {
             const box = label.getBoundingClientRect();
             return [...label.querySelectorAll('p, dt, dd, svg')].filter(e => {
               const r = e.getBoundingClientRect();
               return r.left < box.left || r.right > box.right || r.top < box.top || r.bottom > box.bottom
                 || (e.tagName !== 'svg' && e.scrollWidth > e.clientWidth + 1);
             }).map(e => e.textContent);
           })"""
    )
    assert cut == []
    assert tab.pdf(prefer_css_page_size=True).count(b"/Type /Page\n") == -(-24 // found.labels) + 1
    tab.close()


def test_the_command_writes_labels_with_the_studys_own_address(tmp_path):
    from typer.testing import CliRunner

    from doe.acts.study.plans import commit_plan
    from doe.book.book import Book
    from doe.cli.app import app
    from tests.reports.study.samples import LINE, STACK

    book_path = tmp_path / "book.sqlite"
    with Book.open(book_path, who="Ana") as book:
        book.save_stack(STACK)
        book.save_line(LINE)
        key = book.add_study(make_study(), stack=STACK.name, line=LINE.name)
        commit_plan(book, key, kind="auto", coupons=12)
    args = ["sheet", str(key), "--book", str(book_path), "-o", str(tmp_path / "out"), "--labels", "A4", "--link", LINK]
    done = CliRunner().invoke(app, args)
    assert done.exit_code == 0, done.output
    written = next((tmp_path / "out").iterdir())
    assert written.name == "navy-tee-soft-film-round-1-labels.html"
    assert "QR code of coupon R1-01" in written.read_text(encoding="utf-8")
