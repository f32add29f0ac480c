"""A study of a material that is gone still helps its successor: its coupons count in the new study, for a part."""

from __future__ import annotations

import pytest

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
        from doe.domain.score import ScoreEntry

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
