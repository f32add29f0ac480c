"""A comparison from the recipe to its verdict, in a real book."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from doe.acts.comparison.plan import Wanted, begin_comparison, offer_comparison
from doe.acts.comparison.verdict import comparisons_of, judge_comparison, more_coupons
from doe.acts.study.fits import fit_study, recommend_study
from doe.acts.study.plans import compare_for, extend_study
from doe.acts.study.rounds import score_counts
from doe.acts.study.standing import standing_of_recipe
from doe.domain.errors import InputError
from doe.domain.limits import Limits
from doe.domain.score import ScoreEntry
from doe.domain.stack import Material
from doe.words.comparison import said
from doe.words.study.plans import plan_notes
from tests.acts.comparison.samples import NAME, all_pass, release, score

LOT = Wanted(parts={"powder": Material("fine powder", "Pellmere (invented)", "P-04", "new in the range")})
BLANK = Wanted(parts={"fabric": Material("light tee", "Orr (invented)", "O-1")}, limits=Limits(fabric_max_degc=185))


@pytest.fixture
def book(shop_with):
    with shop_with(2).open() as opened:
        release(opened)
        yield opened


def test_an_offer_says_what_it_costs_and_stores_nothing(book):
    before = (book.stacks(), book.studies(), len(book.audit(None)))
    offer = offer_comparison(book, NAME, LOT)
    assert (book.stacks(), book.studies(), len(book.audit(None))) == before
    assert [d.kind for d in offer.differences] == ["lot"]
    assert offer.missing_limits == ()
    assert offer.plan.edges == ("cool edge", "hot edge")
    strokes = {(s.rate_margin, s.power): s.strokes for s in offer.sizes}
    assert strokes[0.1, 0.8] > strokes[0.15, 0.8] > strokes[0.2, 0.8]
    assert strokes[0.15, 0.9] > strokes[0.15, 0.8] == offer.plan.strokes
    taken = next(s for s in offer.sizes if (s.rate_margin, s.power) == (0.15, 0.8))
    assert len(offer.coupons) == taken.coupons == 2 * (offer.plan.strokes + 2 * 4)
    assert offer.hours == pytest.approx(taken.hours)


def test_too_few_strokes_are_told_beforehand(book):
    offer = offer_comparison(book, NAME, replace(LOT, strokes=12))
    # (1 - 0.15)^n <= 0.05 needs 19
    assert "cannot come out of 12 strokes, even if nothing fails; 19 are the least" in said(offer.verdicts)[0]
    assert offer.verdicts[0].code == "cannot_hold"
    assert offer_comparison(book, NAME, replace(LOT, strokes=19)).verdicts[0].code == "may_hold"


def test_limits_on_a_new_makers_sheet_are_asked_for_anew_and_bound_the_ranges(book):
    bare = replace(BLANK, limits=None)
    assert offer_comparison(book, NAME, bare).missing_limits == ("fabric_max",)
    with pytest.raises(InputError, match=r'fabric_max missing.*--limit "fabric_max=VALUE@SOURCE"'):
        begin_comparison(book, NAME, bare)
    tight = offer_comparison(book, NAME, replace(BLANK, limits=Limits(fabric_max_degc=160)))
    assert tight.study.factor("press_temp").high == 160
    assert tight.points.set_index("role").loc["hot edge", "press_temp"] == 160
    with pytest.raises(InputError, match="study of its own"):
        offer_comparison(book, NAME, replace(BLANK, limits=Limits(fabric_max_degc=150)))


def test_beginning_stores_stack_study_plan_and_coupons_at_once(book):
    made = begin_comparison(book, NAME, replace(BLANK, name="blank of Orr"))
    record = book.study("blank of Orr")
    assert record.stack.fabric.supplier == "Orr (invented)"
    assert record.study.limits.fabric_max_degc == 185
    (info,) = book.plan_info(record.id).rounds
    assert (info.kind, info.coupons) == ("compare", len(made.coupons))
    stored = book.plan_coupons(record.id)
    assert set(stored["material"]) == {"new", "incumbent"}
    assert any(
        "NEW is light tee (Orr (invented), lot O-1). IN USE is heavy tee" in n
        for n in plan_notes(info.notes, record.study)
    )
    assert book.check() == []
    with pytest.raises(InputError, match="blank of Orr"):
        begin_comparison(book, NAME, replace(BLANK, name="blank of Orr"))
    # the same stack again is the same stack
    assert begin_comparison(book, NAME, replace(BLANK, name="again")).record.stack.name == record.stack.name


def test_a_comparison_is_no_search_for_a_setpoint(book):
    made = begin_comparison(book, NAME, LOT)
    name = made.record.name
    book.record(name, all_pass(made.coupons))
    acts = (fit_study, recommend_study, extend_study, lambda b, k: compare_for(b, k, coupons=20))
    for act in acts:
        with pytest.raises(InputError, match=r"comparison of two materials.*doe compare"):
            act(book, name)
    counts = score_counts(book, name)
    assert counts.coupons == counts.scored == len(made.coupons)


def test_a_material_that_does_as_well_holds_once_every_check_is_in(book):
    made = begin_comparison(book, NAME, LOT)
    entries = all_pass(made.coupons)
    book.record(made.record.id, [replace(e, checks={"release": True}) for e in entries])
    early = judge_comparison(book, made.record.id).comparison
    assert early.verdict == "not enough coupons yet"
    assert early.waiting == len(made.coupons) // 2
    assert [m.code for m in early.missing if m.code.startswith("rate_")] == []
    book.record(made.record.id, entries)
    found = judge_comparison(book, made.record.id)
    assert found.comparison.verdict == "same recipe holds"
    assert found.comparison.rates.pairs.both == made.plan.strokes
    assert found.comparison.risk == pytest.approx(0.05)
    assert "with 95 % assurance" in said(found.comparison.reasons)[0]
    assert found.kept.verdict == "same recipe holds"
    json.dumps(found.kept.payload, allow_nan=False)
    # looking again keeps nothing new
    assert judge_comparison(book, made.record.id).kept.id == found.kept.id


def test_a_void_coupon_takes_its_pair_with_it(book):
    made = begin_comparison(book, NAME, LOT)
    entries = all_pass(made.coupons)
    lost = made.coupons[made.coupons["role"] == "setpoint"]["coupon"].iloc[0]
    book.record(
        made.record.id,
        [replace(e, checks={}, hand={}, void_reason="film torn") if e.coupon == lost else e for e in entries],
    )
    assert judge_comparison(book, made.record.id).comparison.rates.new_units == made.plan.strokes - 1


def test_a_material_that_wants_more_heat_is_to_be_retuned(book):
    made = begin_comparison(book, NAME, replace(BLANK, name="shifted"))
    book.record(made.record.id, score(made.coupons, shift_degc=12.0))
    assert judge_comparison(book, made.record.id).comparison.verdict == "retune"
    with pytest.raises(InputError, match="found retune"):
        more_coupons(book, made.record.id)


def test_an_open_comparison_gets_the_rounds_that_were_planned_and_no_more(book):
    made = begin_comparison(book, NAME, LOT)
    new = made.coupons[(made.coupons["material"] == "new")]
    here = list(new[new["role"] == "setpoint"]["coupon"])
    there = list(new[new["role"] == "hot edge"]["coupon"])
    book.record(made.record.id, all_pass(made.coupons, failing=(*here[:2], there[0])))
    found = judge_comparison(book, made.record.id)
    assert found.comparison.verdict == "not enough coupons yet"
    assert found.comparison.more_units > 0
    more = more_coupons(book, made.record.id)
    assert more.round == 2
    assert dict(more.coupons.groupby("role").size()) == {"setpoint": 2 * found.comparison.more_units, "hot edge": 8}
    stored = book.plan_coupons(made.record.id)
    for name in ("pair", "stroke", "garment", "cure_batch"):
        assert not set(stored[stored["round"] == 1][name]) & set(stored[stored["round"] == 2][name])
    with pytest.raises(InputError, match="judged"):
        more_coupons(book, made.record.id)
    book.record(made.record.id, all_pass(more.coupons))
    assert judge_comparison(book, made.record.id).comparison.verdict == "same recipe holds"


def test_no_round_beyond_the_planned_looks(book):
    made = begin_comparison(book, NAME, replace(LOT, looks=1, strokes=22))
    new = made.coupons[(made.coupons["material"] == "new") & (made.coupons["role"] == "setpoint")]
    book.record(made.record.id, all_pass(made.coupons, failing=tuple(new["coupon"][:1])))
    assert judge_comparison(book, made.record.id).comparison.verdict == "not enough coupons yet"
    with pytest.raises(InputError, match="no more rounds than were planned"):
        more_coupons(book, made.record.id)


def test_the_recipes_story_names_its_comparisons(book):
    assert comparisons_of(book, NAME) == ()
    made = begin_comparison(book, NAME, replace(LOT, name="lot P-04"))
    (first,) = comparisons_of(book, NAME)
    assert (first.study, first.fact.values["revision"], first.verdict) == ("lot P-04", 1, "")
    assert "nothing is judged yet" in said((first.fact,))[0]
    book.record(made.record.id, all_pass(made.coupons))
    judge_comparison(book, made.record.id)
    (told,) = comparisons_of(book, NAME)
    assert told.verdict == "same recipe holds"
    assert f"new {made.plan.strokes} of {made.plan.strokes}" in said((told.fact,))[0]
    assert comparisons_of(book, "another") == ()


def test_a_newer_revision_is_remarked_on_and_a_retired_recipe_refused(book):
    made = begin_comparison(book, NAME, LOT)
    release(book, revision=2, why="a longer peel wait")
    assert any("at revision 2 now" in c for c in said(judge_comparison(book, made.record.id).cautions))
    book.retire_recipe(NAME, "the powder is gone")
    with pytest.raises(InputError, match="retired"):
        offer_comparison(book, NAME, LOT)


def test_failures_of_the_material_in_use_at_an_edge_put_the_window_in_doubt(book):
    made = begin_comparison(book, NAME, LOT)
    edge = made.coupons[made.coupons["role"] == "cool edge"]
    book.record(made.record.id, all_pass(made.coupons, failing=tuple(edge["coupon"])))
    found = judge_comparison(book, made.record.id).comparison
    assert found.verdict == "not enough coupons yet"
    assert any("recipe's own window is in doubt" in m for m in said(found.missing))


@pytest.mark.parametrize(
    ("wanted", "match"),
    [
        (Wanted(), "--fabric"),
        (
            replace(LOT, parts={"powder": Material("fine powder", "Pellmere (invented)", "P-03", "new in the range")}),
            "at least one part that differs",
        ),
        (replace(LOT, rate_margin=0.0), "--margin"),
        (replace(LOT, rate_margin=float("nan")), "--margin"),
        (replace(LOT, power=0.3), "--power"),
        (replace(LOT, looks=9), "--looks"),
        (replace(LOT, strokes=100_000), "--strokes"),
        (replace(LOT, hand_margin=-1), "--hand-margin"),
        (replace(LOT, name="x" * 500), "study name"),
        (Wanted(stack="nobody's"), "nobody's"),
        (replace(LOT, stack="nobody's"), "one of them"),
    ],
)
def test_what_cannot_be_compared_is_refused_in_one_line(book, wanted, match):
    with pytest.raises(InputError, match=match) as caught:
        offer_comparison(book, NAME, wanted)
    assert "\n" not in str(caught.value)


def test_an_unknown_recipe_and_a_recipe_without_its_study_are_refused(book):
    with pytest.raises(InputError, match=NAME):
        offer_comparison(book, "nobody's recipe", LOT)
    recipe = book.recipe(NAME).recipe
    book.release_recipe(replace(recipe, name="brought", study="a study of another shop"), study=None)
    with pytest.raises(InputError, match="is not in this book"):
        offer_comparison(book, "brought", LOT)


def test_a_verdict_that_turns_because_scores_were_changed_says_both(book):
    made = begin_comparison(book, NAME, LOT)
    name = made.record.name
    book.record(name, all_pass(made.coupons))
    found = judge_comparison(book, name)
    assert found.comparison.verdict == "same recipe holds"
    assert not [c for c in found.cautions if c.code == "verdict changed"]
    coupons = made.coupons
    failing = list(coupons.loc[(coupons["material"] == "new") & (coupons["role"] == "setpoint"), "coupon"])
    book.record(name, [ScoreEntry(c, {"release": False}) for c in failing], why="the labels were mixed up")
    found = judge_comparison(book, name)
    assert found.comparison.verdict == "retune"
    (told,) = said([c for c in found.cautions if c.code == "verdict changed"])
    assert f"Scores were changed ({failing[0]}" in told
    assert "the verdict was *same recipe holds*" in told
    assert "it is *retune* now" in told
    book.take_back(name, why="they were not")
    (told,) = said([c for c in judge_comparison(book, name).cautions if c.code == "verdict changed"])
    assert "was *retune*" in told
    assert "it is *same recipe holds* now" in told


def test_a_material_that_the_recipe_holds_for_is_added_as_a_revision(shop_with):
    shop = shop_with(2)
    now = datetime.now(UTC)
    with shop.open() as book:
        release(book, approved_at=now - timedelta(days=1), review_on=now.date() + timedelta(days=300))
        made = begin_comparison(book, NAME, LOT)
        name, stack = made.record.name, made.record.stack
    refused = shop.run("recipe", "add", name, "--approved-by", "Kim")
    assert refused.code == 2
    assert "same recipe holds" in refused.err
    with shop.open() as book:
        book.record(name, all_pass(made.coupons))
    told = shop.good("compare", name)
    assert "--approved-by NAME" in told.out
    assert f'doe recipe add "{name}"' in told.out
    assert shop.good("recipe", "find", stack.name, "--json").json["recipes"][0]["same"] is False
    shop.good("recipe", "add", name, "--approved-by", "Lee")
    with shop.open() as book:
        before, kept = book.recipe(NAME, 1), book.recipe(NAME)
        assert (kept.recipe.revision, kept.recipe.approved_by, before.superseded) == (2, "Lee", True)
        assert kept.recipe.settings == before.recipe.settings
        assert kept.recipe.stacks == (before.recipe.stack, stack)
        assert name in kept.recipe.why
    assert shop.good("recipe", "find", stack.name, "--json").json["recipes"][0]["same"] is True
    shop.good("recipe", "card", NAME, "-o", "card.html")
    card = (shop.folder / "card.html").read_text(encoding="utf-8")
    for text in (card, shop.good("recipe", "show", NAME).out, shop.good("recipe", "history", NAME).out):
        flat = " ".join(text.replace("\u00a0", " ").split())
        assert "also for" in flat.lower()
        assert "P-04" in flat
    again = shop.run("recipe", "add", name, "--approved-by", "Lee")
    assert again.code == 2
    assert "already" in again.err
    shop.good("study", "limits", name, "--limit", "powder_max=150@sheet of the new lot")
    with shop.open() as book:
        assert standing_of_recipe(book, book.recipe(NAME)).state == "doubtful"
