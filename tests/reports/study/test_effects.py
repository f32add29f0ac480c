"""What the report says of drift, curvature and effects where batches share errors."""

from __future__ import annotations

import numpy as np
import pytest

from doe.surfaces.classical.batch_errors import Judged
from doe.surfaces.classical.effects import estimate_effects
from reports.study.page import study_page
from reports.views import StudyPage
from tests.reports.study.samples import samples, with_checks

WIDE = "Judged within cure batches and press batches, on 6 degrees of freedom."


def shown(**changes: object) -> StudyPage:
    return study_page(with_checks(samples()["ready"], **changes))


def line_about(page: StudyPage, word: str) -> str:
    return next(line for line in page.effect_lines if word in line)


def test_a_sentence_on_drift_says_how_it_was_judged() -> None:
    page = shown(drift=Judged(-0.62, WIDE, -0.9, -0.3, 0.004, ("cure_batch", "press_batch")), curvature=None)
    assert line_about(page, "moved by").endswith(f"more than chance explains (p 0.004). {WIDE}")


def test_an_interval_wider_than_the_scale_is_said_to_tell_nothing() -> None:
    page = shown(
        drift=Judged(-0.3, WIDE, -2.7, 2.0, 0.8, ("press_batch",)),
        curvature=Judged(0.2, "On 1 degree of freedom.", -3.0, 3.4, 0.9, ("press_batch",)),
    )
    drift, curvature = line_about(page, "Drift"), line_about(page, "Curvature")
    assert "cannot be told with these batches and coupons" in drift
    assert "from -2.7 to +2.0 points would fit" in drift
    assert curvature.startswith("Curvature of the hand-feel cannot be told")
    assert "chance" not in drift + curvature


def test_a_drift_beyond_doubt_is_said_however_wide_its_interval() -> None:
    page = shown(drift=Judged(5.0, WIDE, 0.5, 9.5, 0.03, ("press_batch",)), curvature=None)
    assert "more than chance explains (p 0.03)" in line_about(page, "moved by")


def test_the_size_of_a_curvature_carries_its_interval() -> None:
    found = Judged(-0.6, "Counted.", -1.0, -0.2, 0.02, ("press_batch",))
    assert line_about(shown(curvature=found), "Centre coupons") == (
        "Centre coupons lie 0.6 hand-feel points above the corners (corners less centre: -1.0 to -0.2), more than "
        "chance explains (p 0.02). Counted."
    )


def effects_in(batch: np.ndarray | None) -> StudyPage:
    coded = np.array([[a, b, c] for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)] * 2)
    rng = np.random.default_rng(1)
    hand = 3.5 + 0.8 * coded[:, 0] + 0.3 * coded[:, 2] + 0.2 * rng.normal(size=16)
    effects = estimate_effects(
        coded, hand, ["cure_temp", "press_temp", "dwell"], batches=None if batch is None else {"cure_batch": batch}
    )
    return shown(effects=effects, pass_effects=None)


@pytest.mark.parametrize("place", ["picture", "table"])
def test_the_caution_on_batches_stands_with_picture_and_table(place: str) -> None:
    def said(page: StudyPage) -> str:
        return page.effect_pictures[1].caption if place == "picture" else page.check_tables[0].note

    caution = "settings that were changed once a batch look surer than they are"
    assert caution in said(effects_in(None))
    counted = said(effects_in(np.repeat([1, 2, 3, 4], 4)))
    assert "Errors that cure batches share are counted in." in counted
    assert caution not in counted


def test_an_effect_that_cannot_be_told_is_named_and_not_drawn() -> None:
    # one cure batch at each cure temperature: its effect is that of the batches
    page = effects_in(np.tile(np.repeat([1, 2], 4), 2))
    picture = page.effect_pictures[1]
    assert picture.title.startswith("Of the effects on the hand-feel that can be judged, press dwell has the largest")
    assert picture.caption.endswith("Not drawn, because these batches and coupons cannot tell it: cure temperature.")
    rows = {row[0]: row for row in page.check_tables[0].rows}
    heads = [column.text for column in page.check_tables[0].columns]
    assert rows["cure temperature"][heads.index("p")] == "not set"
    assert rows["press dwell"][heads.index("p")] != "not set"


def test_other_tables_that_leave_batches_out_say_so() -> None:
    notes = {table.caption: table.note for table in study_page(samples()["more coupons"]).check_tables}
    assert (
        "oven or press batch shares are not allowed for" in notes["Pass or fail: penalised logistic fit, a check only"]
    )
    ordinal = [note for caption, note in notes.items() if "proportional odds" in caption]
    for note in ordinal:
        assert note.startswith("Each coupon counts once")
        assert "Left out: interactions, squares and errors that a whole oven or press batch shares" in note
    assert ordinal
