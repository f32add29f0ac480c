"""A study is put right: ranges, names, limits; what that does to coupons, answers and recipes is said everywhere."""

from __future__ import annotations

import pytest

from doe.acts.base import RECOMMEND
from doe.acts.study.change import change_study, copy_study, recipes_doubted
from doe.acts.study.fits import recommend_study
from doe.acts.study.inputs import hash_now
from doe.acts.study.standing import standing_of, standing_of_recipe, stricter_limits
from doe.domain.errors import InputError
from doe.domain.limits import Limits
from doe.words.study.changes import study_changes
from doe.words.study.typed import StudyChanges, changed_study
from tests.acts.recipe.samples import NAME, STUDY, confirmed, released

WIDE = {"COLUMNS": "400"}
SHEET = "a new data sheet"


@pytest.fixture
def shop(shop_with):
    return shop_with(1)


def flat(text: str) -> str:
    return " ".join(text.split())


def test_a_range_is_changed_with_a_why_and_coupons_outside_stay(shop):
    words = ("study", "amend", STUDY, "--factor", "press_temp=140..160")
    refused = shop.run(*words)
    assert refused.code == 2
    assert "reason" in refused.err
    with shop.open() as book:
        columns = book.result_columns(STUDY)
        before = book.study(STUDY).study.factor("press_temp")
        outside = [
            c
            for c, v, void in zip(columns["coupon"], columns["press_temp"], columns["void"], strict=True)
            if v > 160 and not void
        ]
    assert outside
    done = shop.good(*words, "--why", "the fabric yellows above", env=WIDE)
    assert f"{len(outside)} coupons made with a press temperature outside" in flat(done.out)
    assert "stay and count" in done.out
    with shop.open() as book:
        f = book.study(STUDY).study.factor("press_temp")
        assert (f.low, f.high, f.setting_sd, f.step) == (140, 160, before.setting_sd, before.step)
        (change,) = book.study_changes(STUDY)
        assert (change.why, change.before.factor("press_temp").high) == ("the fabric yellows above", before.high)
        assert "now 140 to 160 °C" in study_changes(change.before, change.after)[0]
        answer = recommend_study(book, STUDY).answer
        assert 140 <= answer.setpoint["press_temp"] <= 160
    assert "the fabric yellows above" in shop.good("book", "audit", "--json").out


def test_a_typed_range_beyond_a_limit_is_refused_while_a_limit_comes_down_on_any_range(shop):
    refused = shop.run("study", "amend", STUDY, "--factor", "press_temp=140..190", "--why", "hotter")
    assert refused.code == 2
    assert "limit" in refused.err
    low = shop.good("study", "limits", STUDY, "--limit", f"film_max=155@{SHEET}", env=WIDE)
    assert "nothing is planned or recommended there" in flat(low.out)
    with shop.open() as book:
        study = book.study(STUDY).study
        assert study.beyond_limits == ("press_temp",)
        assert study.within_limits().factor("press_temp").high == 155
        assert recommend_study(book, STUDY).answer.setpoint["press_temp"] <= 155
    shop.good("extend", STUDY, "--coupons", "4")
    with shop.open() as book:
        planned = book.plan_coupons(STUDY)
        assert planned[planned["round"] == planned["round"].max()]["press_temp"].max() <= 155


def test_a_looser_limit_needs_a_why_and_a_stricter_one_does_not(shop):
    shop.good("study", "limits", STUDY, "--limit", f"film_max=165@{SHEET}")
    refused = shop.run("study", "limits", STUDY, "--limit", "film_max=170@an old sheet")
    assert refused.code == 2
    assert "loosened" in refused.err
    assert "film_max" in refused.err
    shop.good("study", "limits", STUDY, "--limit", "film_max=170@edition 4", "--why", "the maker's edition 4")


def test_a_limit_below_the_whole_range_is_taken_and_says_how_to_go_on(shop_with):
    shop = shop_with(0)
    shop.good("study", "limits", STUDY, "--limit", f"film_max=120@{SHEET}")
    refused = shop.run("plan", STUDY, "--coupons", "16")
    assert refused.code == 2
    assert "doe study amend" in refused.err
    shop.good("study", "amend", STUDY, "--factor", "press_temp=100..118", "--why", SHEET)
    shop.good("study", "amend", STUDY, "--factor", "cure_temp=100..118", "--why", SHEET)
    shop.good("plan", STUDY, "--coupons", "16")


def test_coupons_still_to_be_made_beyond_a_limit_are_not_to_be_made(shop_with):
    shop = shop_with(0)
    shop.good("plan", STUDY, "--coupons", "16", "--choose", "auto")
    told = shop.good("study", "limits", STUDY, "--limit", f"film_max=150@{SHEET}", env=WIDE)
    assert "Do not make" in told.out
    assert "void" in told.out


def test_a_renamed_study_keeps_its_answer_its_seed_and_its_sheets(shop):
    with shop.open() as book:
        first = recommend_study(book, STUDY)
        total = hash_now(book, book.study(STUDY))
    shop.good("study", "amend", STUDY, "--name", "halm powder", "--why", "a better name")
    assert shop.run("study", "show", STUDY).code == 2
    with shop.open() as book:
        record = book.study("halm powder")
        assert record.names == (STUDY, "halm powder")
        assert hash_now(book, record) == total
        again = recommend_study(book, "halm powder")
        assert again.answer.setpoint == first.answer.setpoint
        assert again.answer.seed == first.answer.seed
        assert len(book.analyses(record.id, RECOMMEND)) == 1


def test_only_what_was_said_of_a_factor_changes(study):
    from doe.domain.units import METRIC

    changed = changed_study(study, StudyChanges(factors=("dwell=9..15",), error=("press_temp=7",)), METRIC)
    old, new = study.factor("dwell"), changed.factor("dwell")
    assert (new.low, new.high, new.setting_sd, new.step) == (9, 15, old.setting_sd, old.step)
    assert changed.factor("press_temp").setting_sd == 7
    assert changed.factor("cure_temp") == study.factor("cure_temp")
    assert study_changes(study, changed)[0].startswith("Setting error") or "now 9 to 15 s" in " ".join(
        study_changes(study, changed)
    )


def test_a_level_with_coupons_is_not_lost(shop):
    with shop.open() as book:
        record = book.study(STUDY)
        with pytest.raises(InputError, match="why"):
            change_study(book, STUDY, record.study.with_limits(Limits()), "")
        same = change_study(book, STUDY, record.study, "")
        assert same.said == ()


def test_a_study_is_copied_for_the_next_powder_without_its_coupons_and_without_the_old_powders_limits(shop):
    shop.good(
        "stack", "add", "next", "--fabric", "heavy cotton tee", "--film", "matt film", "--powder", "coarse powder"
    )
    made = shop.good("study", "copy", STUDY, "next powder", "--stack", "next", "--json").json
    assert "powder_max" in made["left"]
    assert "press_max" not in made["left"]
    with shop.open() as book:
        old, new = book.study(STUDY), book.study("next powder")
        assert new.study.factors == old.study.factors
        assert new.study.spec == old.study.spec
        assert new.study.limits.press_max_degc == old.study.limits.press_max_degc
        assert new.study.limits.powder_max_degc is None
        assert book.plan_info(new.id).rounds == ()
        whole = copy_study(book, STUDY, "once more")
        assert whole.left == ()
        assert whole.record.study.limits == old.study.limits
    assert shop.run("study", "copy", STUDY, "next powder").code == 2


def test_a_stricter_limit_puts_a_released_recipe_in_doubt_everywhere_at_once(shop_with):
    shop = confirmed(shop_with(2))
    released(shop)
    with shop.open() as book:
        kept = book.recipe(NAME)
        press = kept.recipe.setting("press_temp").surface
        assert standing_of_recipe(book, kept).state == "released"
        assert stricter_limits(book, kept) == ()
    limit = f"film_max={press - 1:g}@{SHEET}"
    told = shop.good("study", "limits", STUDY, "--limit", limit, env=WIDE)
    assert f"Recipe {NAME}, revision 1, lies beyond a limit" in flat(told.out)
    assert f'doe recipe retire "{NAME}"' in told.out
    said = "beyond a limit"
    screens = {
        "study show": shop.good("study", "show", STUDY, env=WIDE).out,
        "study list": shop.good("study", "list", env=WIDE).out,
        "recipe list": shop.good("recipe", "list", env=WIDE).out,
        "recipe show": shop.good("recipe", "show", NAME, env=WIDE).out,
        "recipe find": shop.good("recipe", "find", "heavy tee, fine powder", env=WIDE).out,
    }
    for name, words in (("card", ("recipe", "card", NAME)), ("story", ("report", "--recipe", NAME))):
        shop.good(*words, "-o", "page.html")
        screens[name] = (shop.folder / "page.html").read_text(encoding="utf-8")
    assert [name for name, text in screens.items() if said not in flat(text.replace("\u00a0", " "))] == []
    assert "Stop working by it" in screens["recipe show"]
    with shop.open() as book:
        assert standing_of(book, STUDY).state == "doubtful"
    shop.good("study", "limits", STUDY, "--limit", f"film_max=175@{SHEET}, edition 2", "--why", "a misprint")
    with shop.open() as book:
        assert standing_of_recipe(book, book.recipe(NAME)).state == "released"


def test_a_limit_of_the_same_film_stated_by_another_study_since_counts_and_one_of_another_film_does_not(shop_with):
    shop = confirmed(shop_with(2))
    released(shop)
    with shop.open() as book:
        kept = book.recipe(NAME)
        press = kept.recipe.setting("press_temp").surface
        copied = copy_study(book, STUDY, "the next powder").record
        assert stricter_limits(book, kept) == ()
    shop.good("study", "limits", "the next powder", "--limit", f"film_max={press - 1:g}@{SHEET}")
    with shop.open() as book:
        assert [limit.study for limit in stricter_limits(book, kept)] == ["the next powder"]
        assert [k.recipe.name for k in recipes_doubted(book, copied.id)] == [NAME]
        book.archive_study(copied.id, "a trial")
        assert stricter_limits(book, kept) == ()
    shop.good("stack", "add", "other film", "--fabric", "tee", "--film", "cold film", "--powder", "coarse powder")
    shop.good("study", "copy", STUDY, "another film", "--stack", "other film")
    told = shop.good("study", "limits", "another film", "--limit", f"film_max={press - 1:g}@{SHEET}", "--json").json
    assert told["recipes_in_doubt"] == []
    with shop.open() as book:
        assert stricter_limits(book, book.recipe(NAME)) == ()
