"""The comparisons of the demo tell what they are there to tell, whatever settings the recipe has."""

from __future__ import annotations

import pytest

from doe.acts.comparison.verdict import comparisons_of, write_comparison
from doe.acts.demo.run import read_comparisons, tell_comparison
from doe.acts.demo.story import read_story
from doe.acts.study.fits import recommend_study
from doe.domain.recipe import RecipeSetting
from doe.domain.units import METRIC
from tests.acts.comparison.samples import NAME, release

VERDICTS = {"blank of Orrin": "same recipe holds", "blank of Kestrow": "retune"}


def test_one_holds_and_the_other_is_to_be_retuned_at_the_demos_own_setpoint(shop_with, tmp_path):
    story = read_story()
    with shop_with(2).open() as book:
        answer = recommend_study(book, story.study.name).answer
        bounds = {} if answer.window is None else answer.window.bounds.to_dict("index")
        settings = tuple(
            RecipeSetting(
                f.name,
                f.label,
                f.unit,
                float(answer.setpoint[f.name]),
                window_low=bounds.get(f.name, {}).get("low"),
                window_high=bounds.get(f.name, {}).get("high"),
            )
            for f in story.study.numeric
        )
        release(book, settings=settings, pass_rate=answer.pass_rate, pass_rate_low=answer.pass_rate_low)
        for told in read_comparisons():
            found = tell_comparison(book, NAME, told, story)
            assert found.comparison.verdict == VERDICTS[told.name]
            assert found.comparison.waiting == 0
            page = write_comparison(book, found, tmp_path / f"{told.day_seed}.html", shown=METRIC, made_by="demo")
            assert told.name in page.read_text(encoding="utf-8")
        assert [s.verdict for s in comparisons_of(book, NAME)] == list(VERDICTS.values())
        assert book.check() == []


@pytest.mark.parametrize("told", read_comparisons(), ids=lambda told: told.name)
def test_the_names_are_invented_and_the_same_luck_comes_back(shop_with, told):
    story = read_story()
    words = [m.supplier for m in told.wanted.parts.values()]
    assert all("(invented)" in text for text in words)
    sums = []
    for _ in range(2):
        with shop_with(2).open() as book:
            release(book)
            sums.append(tell_comparison(book, NAME, told, story).hash)
    assert sums[0] == sums[1]
