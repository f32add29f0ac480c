"""A study of a material that is gone still helps its successor: its coupons count in the new study, for a part."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from doe.acts.study.earlier import lend_earlier, prior_of
from doe.domain.errors import InputError
from doe.domain.factors import usual_factor
from doe.domain.score import ScoreEntry
from doe.domain.study import Study
from tests.acts.recipe.samples import NAME, STUDY, confirmed, released

LIMITS = ("film_max=175", "powder_max=180", "fabric_max=180", "oven_max=180", "press_max=190")
TIMES = ("min_cure_time=60", "min_dwell=5")
NEW = ("study", "new", "next powder", "--stack", "tee, next powder", "--line", "back room")


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture
def shop(shop_with):
    """A shop whose powder is gone: the recipe on it is retired, and the next powder lies there."""
    made = confirmed(shop_with(2))
    released(made)
    made.good("recipe", "retire", NAME, "--why", "the powder is no longer made")
    with made.open() as book:
        fabric = book.study(STUDY).stack.fabric.name
    made.good(
        "stack",
        "add",
        "tee, next powder",
        "--fabric",
        fabric,
        "--film",
        "film; lot=9",
        "--powder",
        "next powder; lot=1",
    )
    return made


def test_the_study_behind_a_retired_recipe_counts_in_the_next_one(shop):
    said = flat(shop.good(*NEW, "--earlier", STUDY).out)
    assert f"coupons of the study {STUDY} (recipe {NAME}, revision 1) counted, each for 0.3 of a coupon: " in said
    assert "usual for the same kind of fabric. " in said
    limits = [part for text in (*LIMITS, *TIMES) for part in ("--limit", f"{text}@data sheet")]
    shop.good("study", "limits", "next powder", *limits)
    shop.good("plan", "next powder", "--coupons", "12", "--choose", "auto")
    with shop.open() as book:
        names = list(book.plan_coupons("next powder")["coupon"])
        entries = [
            ScoreEntry(name, {"release": i % 3 > 0, "stretch": True, "wash_1": True, "wash_5": True}, hand={"ana": 4.0})
            for i, name in enumerate(names)
        ]
        book.record("next powder", entries)
    told = flat(shop.good("recommend", "next powder", "--more").out)
    assert "each for 0.3 of a coupon" in told
    assert "the answer without them expects" in told


def test_other_words_than_an_earlier_study_can_answer_are_refused(shop):
    for more, says in (
        (("--earlier", "nothing"), "nothing"),
        (("--discount", "0.5"), "--earlier with it"),
        (("--earlier", STUDY, "--discount", "2"), "0 to 1"),
        (("--earlier", STUDY, "--factor", "dwell", "--factor", "pressure"), "a study without press pressure"),
    ):
        refused = shop.run(*NEW, *more)
        assert refused.code == 2, more
        assert says in refused.err
    assert len(shop.good("study", "list", "--json").json["studies"]) == 1  # nothing was half-written


def test_another_fabric_lends_nothing_unless_somebody_says_so(shop):
    shop.good("stack", "add", "fleece", "--fabric", "fleece", "--film", "film", "--powder", "next powder")
    new = ("study", "new", "on fleece", "--stack", "fleece", "--line", "back room", "--earlier", STUDY)
    assert "another fabric" in shop.run(*new).err
    assert "each for 0.2 of a coupon" in flat(shop.good(*new, "--discount", "0.2").out)


def test_coupons_that_were_made_otherwise_are_left_out_or_refused(shop):
    three = ("--factor", "cure_temp=110..130", "--factor", "press_temp=150..165", "--factor", "dwell=8..16")
    refused = shop.run(*NEW, "--earlier", STUDY, *three)
    assert "cure time varied" in flat(refused.err)
    with shop.open() as book:
        made = book.results(STUDY)
    value = float(made["cure_time"].mode()[0])
    said = flat(shop.good(*NEW, "--earlier", STUDY, *three, "--hold", f"cure_time={value:g}s").out)
    with shop.open() as book:
        prior = prior_of(book, book.study("next powder"))
        sd = book.study(STUDY).study.factor("cure_time").setting_sd
    alike = [c for c, v in zip(made["coupon"], made["cure_time"], strict=True) if abs(v - value) <= sd]
    assert 0 < prior.coupons < len(made)
    assert set(prior.results["coupon"]) <= set(alike)
    assert f"{prior.coupons} coupons of the study" in said


def test_passing_fewer_checks_or_another_hold_counts_only_where_somebody_says_so(shop):
    ten = ("--check", "release", "--check", "wash_10=after ten washes@10")
    refused = shop.run(*NEW, "--earlier", STUDY, *ten)
    assert "without after ten washes" in flat(refused.err)
    shop.good(*NEW, "--earlier", STUDY, *ten, "--discount", "0.2")


def test_a_belt_of_another_length_counts_by_the_time_in_its_heat(shop):
    with shop.open() as book:
        stack, line = "tee, next powder", "back room"
        for name, length in (("short belt", 1200), ("long belt", 2400), ("unmeasured", None)):
            belt = usual_factor("belt_speed", heated_mm=length)
            belt = replace(belt, low=belt.low * (length or 1200) / 1200, high=belt.high * (length or 1200) / 1200)
            book.add_study(Study(name, (belt, usual_factor("press_temp"))), stack=stack, line=line)
        old = book.study("short belt")
        plan = pd.DataFrame({"coupon": ["A", "B"], "belt_speed": [0.4, 0.6], "press_temp": [150.0, 160.0]})
        book.save_round(old.id, plan.assign(round=1), kind="spread", seed=1, notes=(), scale="surface")
        checks = {check.name: True for check in old.study.spec.checks}
        book.record("short belt", [ScoreEntry(c, checks) for c in ("A", "B")])
        prior = lend_earlier(book, book.study("long belt"), "short belt", None)
        assert list(prior.results["belt_speed"]) == [0.8, 1.2]
        with pytest.raises(InputError, match="heated length"):
            lend_earlier(book, book.study("unmeasured"), "short belt", None)
