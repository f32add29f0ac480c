"""A retune with prior knowledge: centre, ranges, discount, and the answer with and without the earlier coupons."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from doe.acts.base import PRIOR, WITHOUT_PRIOR
from doe.acts.comparison.plan import begin_comparison
from doe.acts.comparison.retune import RetuneWishes, begin_retune, retune_study
from doe.acts.demo.story import read_rounds, read_story
from doe.acts.gauges.line import gauged_line
from doe.acts.study.earlier import coupons_for_prior, prior_of, usual_discount
from doe.acts.study.fits import fit_of, recommend_study
from doe.acts.study.inputs import hash_now, inputs_hash
from doe.acts.study.plans import extend_study
from doe.acts.study.rounds import results_to_learn_from
from doe.domain.errors import InputError
from doe.domain.factors import usual_factor
from doe.domain.limits import Limits
from doe.domain.recipe import RecipeSetting
from doe.domain.score import ScoreEntry
from doe.domain.space import Forbidden
from doe.words.study.setpoint import said as in_words
from doe.words.study.state import reason
from tests.acts.comparison.samples import NAME, WINDOWS, lines, release, score
from tests.acts.comparison.test_verdict import BLANK, LOT
from tests.shared import untapped

STUDY = "new powder on the heavy tee"


@pytest.fixture
def book(shop_with):
    with shop_with(2).open() as opened:
        release(opened)
        yield opened


def compared(book, wanted=LOT, shift=10.0):
    made = begin_comparison(book, NAME, replace(wanted, name="compared"))
    book.record("compared", score(made.coupons, shift))
    return made


def score_round(book, retuned, shift=10.0):
    line = lines(shift)[1]
    scored = line.run(retuned.coupons, 11)
    checks = [c.name for c in line.study.spec.checks]
    book.record(
        retuned.record.id,
        [
            ScoreEntry(
                row["coupon"],
                checks={c: bool(row[c]) for c in checks if row[c] in (True, False)},
                side=row["side"],
                hand={"ana": float(row["hand_ana"])} if row["hand_ana"] == row["hand_ana"] else {},
            )
            for row in scored.to_dict("records")
        ],
    )


def test_the_setpoint_is_the_centre_and_the_ranges_stay_as_wide(book):
    compared(book)
    made = begin_retune(book, "compared", RetuneWishes())
    old = book.study(STUDY).study
    for f in made.record.study.numeric:
        centre, before = WINDOWS[f.name][0], old.factor(f.name)
        if f.scale == "log":
            assert (f.low * f.high) ** 0.5 == pytest.approx(centre, rel=0.03)
            assert f.high / f.low == pytest.approx(before.high / before.low, rel=0.1)
        else:
            assert f.low < centre < f.high
        if f.name == "cure_temp":
            assert (f.low, f.high) == (centre - 15, centre + 15)
    # the lowest of film 175, powder 180 and fabric 190 ends the range of the press
    press = made.record.study.factor("press_temp")
    assert (press.low, press.high) == (WINDOWS["press_temp"][0] - 15, min(WINDOWS["press_temp"][0] + 15, 175))
    assert made.record.study.held == old.held


def test_the_comparisons_coupons_of_the_new_material_come_along_with_their_scores(book):
    begun = compared(book)
    made = begin_retune(book, "compared", RetuneWishes(coupons=16))
    new = set(begun.coupons[begun.coupons["material"] == "new"]["coupon"])
    assert made.brought == len(new)
    there = book.results(made.record.id).set_index("coupon")
    before = book.results("compared").set_index("coupon")
    for name in new:
        for column in ("passed", "side", "hand_ana", "check_release", "check_wash_5", "symptom", "press_temp"):
            a, b = there.loc[name, column], before.loc[name, column]
            assert a == b or (pd.isna(a) and pd.isna(b)), (name, column)
    assert [r.coupons for r in book.plan_info(made.record.id).rounds] == [made.brought, 16]
    assert set(made.coupons["coupon"]) == {f"R2-{i:02d}" for i in range(1, 17)}
    assert book.check() == []


def test_the_usual_discount_is_off_when_the_fabric_is_another_in_kind(book):
    assert usual_discount({"powder": "lot"})[0] == 0.3
    assert usual_discount({"fabric": "supplier"})[0] == 0.3
    assert usual_discount({"film": "material", "fabric": "material"})[0] == 0
    compared(book, BLANK)
    made = begin_retune(book, "compared", RetuneWishes())
    assert (made.prior.discount, made.prior.coupons, made.prior.is_used) == (0, 0, False)
    assert reason(made.prior.why).startswith("the fabric is another in kind")
    score_round(book, made)
    found = recommend_study(book, made.record.id)
    assert found.without is None
    assert found.fitted.surfaces.earlier is None
    assert hash_now(book, made.record) == inputs_hash(made.record.study, found.fitted.results)


def test_the_answer_is_given_with_and_without_the_earlier_coupons_and_kept(book):
    compared(book)
    made = begin_retune(book, "compared", RetuneWishes(coupons=12))
    score_round(book, made)
    found = recommend_study(book, made.record.id)
    used = found.fitted.surfaces.earlier
    assert (used.coupons, used.discount) == (made.prior.coupons, 0.3)
    assert found.without is not None
    fact = found.answer.limits_on_certainty[0]
    (said,) = in_words(made.record.study, [fact])
    assert f"{made.prior.coupons} coupons of the study {STUDY}" in said
    assert "each for 0.3 of a coupon" in said
    assert f"the answer without them expects {round(100 * found.without.pass_rate)} of 100" in said
    again = recommend_study(book, made.record.id)
    assert again.kept is not None
    assert again.answer.limits_on_certainty[0] == fact
    kinds = [a.kind for a in book.analyses(made.record.id)]
    assert (kinds.count(PRIOR), kinds.count(WITHOUT_PRIOR)) == (1, 1)
    # the verdict in the list of studies is that of the answer with them
    assert book.studies()[0].verdict == found.answer.verdict


def test_the_discount_changes_the_sum_of_the_inputs_and_later_corrections_do_not(book):
    compared(book)
    made = begin_retune(book, "compared", RetuneWishes(coupons=12))
    score_round(book, made)
    total = hash_now(book, made.record)
    assert total == fit_of(book, made.record, None, None).hash
    full = begin_retune(book, "compared", RetuneWishes(coupons=12, discount=1.0, name="full"))
    assert full.prior.why == "as typed"
    assert prior_of(book, full.record).hash == made.prior.hash
    results = results_to_learn_from(book, made.record.id)
    sums = {inputs_hash(made.record.study, results, p) for p in (None, made.prior, full.prior)}
    assert len(sums) == 3
    passed = book.results(STUDY)
    name = passed[passed["passed"].eq(True)]["coupon"].iloc[0]
    book.record(STUDY, [ScoreEntry(name, checks={"release": False})], why="looked again")
    assert hash_now(book, made.record) == total


def test_a_further_round_of_a_retune_uses_the_earlier_coupons_too(book):
    compared(book)
    made = begin_retune(book, "compared", RetuneWishes(coupons=12))
    score_round(book, made)
    assert extend_study(book, made.record.id, coupons=6).made.round == 3


def test_named_settings_of_the_old_study_are_held_and_their_combinations_settled(book):
    base = book.study(STUDY).study
    peel = usual_factor("peel_mode")
    forbidden = tuple(
        Forbidden.parse(text, (*base.factors, peel))
        for text in ("press_temp >= 168 and peel_mode = hot", "press_temp >= 166 and peel_mode = cold")
    )
    wide = replace(base, factors=(*base.factors, peel), forbidden=forbidden)
    recipe = book.recipe(NAME).recipe
    named = replace(recipe, settings=(*recipe.settings, RecipeSetting("peel_mode", "peel", "", "hot")))
    study, levels = retune_study(named, wide, base.limits, "retuned")
    assert levels == {"peel_mode": "hot"}
    assert study.held["peel_mode"] == "hot"
    assert [str(f) for f in study.forbidden] == ["press_temp >= 168"]
    frame = results_to_learn_from(book, STUDY).assign(
        peel_mode=lambda d: ["hot", "cold"] * (len(d) // 2) + ["hot"] * (len(d) % 2)
    )
    kept = coupons_for_prior(frame, study, levels)
    assert 0 < len(kept) < len(frame)
    assert "peel_mode" not in kept


def test_limits_end_the_ranges(book):
    base = book.study(STUDY).study
    limits = replace(base.limits, fabric_max_degc=160, min_cure_time_s=120)
    study, _ = retune_study(book.recipe(NAME).recipe, base, limits, "retuned")
    assert study.factor("press_temp").high == 160
    assert study.factor("cure_time").low == 120
    hot = Limits(**dict.fromkeys(("film_max_degc", "powder_max_degc", "fabric_max_degc", "press_max_degc"), 200.0))
    near = replace(
        book.recipe(NAME).recipe,
        settings=tuple(
            replace(s, surface=195.0, window_high=196.0) if s.factor == "press_temp" else s
            for s in book.recipe(NAME).recipe.settings
        ),
    )
    study, _ = retune_study(near, base, hot, "retuned")
    assert study.factor("press_temp").high == 199


@pytest.mark.parametrize("discount", [-0.1, 1.5, float("nan")])
def test_a_discount_beyond_all_or_nothing_is_refused_and_nothing_is_left(book, discount):
    compared(book)
    before = len(book.audit(None))
    with pytest.raises(InputError, match="--discount"):
        begin_retune(book, "compared", RetuneWishes(discount=discount))
    with pytest.raises(InputError, match="coupons"):
        begin_retune(book, "compared", RetuneWishes(coupons=1))
    assert len(book.audit(None)) == before


def test_only_a_comparison_is_retuned(book):
    with pytest.raises(InputError, match="a comparison"):
        begin_retune(book, STUDY, RetuneWishes())


@pytest.fixture
def old_book(shop_with):
    """The same, its study from before dial settings were corrected."""
    with shop_with(0).open() as opened:
        for made in read_rounds(read_story()):
            opened.save_round(STUDY, made.coupons, kind=made.kind, seed=made.seed, notes=("made long ago",))
            opened.record(STUDY, made.entries)
        release(opened)
        yield opened


def test_earlier_temperatures_are_those_of_the_surface(old_book):
    book = old_book
    compared(book)
    base = book.study(STUDY)
    made = begin_retune(book, "compared", RetuneWishes())
    before = results_to_learn_from(book, base.id).set_index("coupon")
    after = made.prior.results.set_index("coupon")
    line = gauged_line(book, base.line)
    for name in ("cure_temp", "press_temp"):
        for coupon in after.index[:5]:
            told = line.surface(name, before.loc[coupon, name])
            assert told.is_checked
            assert after.loc[coupon, name] == pytest.approx(told.surface_degc)
            assert after.loc[coupon, name] < before.loc[coupon, name]  # both machines of the invented shop run cool
    assert (after["dwell"] == before.loc[after.index, "dwell"]).all()


def test_the_report_says_what_the_earlier_coupons_change(book):
    from doe.acts.study.sheets import report_page
    from doe.domain.units import METRIC
    from doe.words.typography import NO_BREAK

    compared(book)
    made = begin_retune(book, "compared", RetuneWishes(coupons=12))
    score_round(book, made)
    page = untapped(report_page(book, recommend_study(book, made.record.id), shown=METRIC)).replace(NO_BREAK, " ")
    assert f"{made.prior.coupons} coupons of the study {STUDY}" in page
    assert "the answer without them expects" in page
