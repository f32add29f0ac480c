"""Facts of a fit and an answer in sentences, and what older books kept as sentences."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import get_args

import pandas as pd
import pytest

import doe
from doe.acts.study.fits import answer_data, answer_from
from doe.domain.finding import finding_of
from doe.domain.jsonable import jsonable
from doe.domain.units import Shown
from doe.surfaces.facts import Code, fact
from doe.words.study.answer import next_steps
from doe.words.study.setpoint import WORDS, cautions_left, method_words, said

FACTS = {
    "earlier_counted": fact("earlier_counted", coupons=2, value=0.5),
    "mostly_earlier": fact("mostly_earlier", coupons=1, value=40),
    "shop_counted": fact("shop_counted", names=("old powder", "new film")),
    "contradicted": fact("contradicted", names=("R1-03", "R1-07")),
    "every_level": fact("every_level", factors=("press_temp",)),
    "budget_used": fact("budget_used", coupons=40),
    "few_coupons": fact("few_coupons", coupons=3),
    "far_outside": fact("far_outside", coupons=1, of=9),
    "unvaried": fact("unvaried", factors=("dwell",)),
    "untried": fact("untried", factors=("film_type",), levels=("cold",)),
    "hand_unscored": fact("hand_unscored", coupons=4),
    "one_scorer": fact("one_scorer", names=("ana",)),
    "never_compared": fact("never_compared", coupons=3, of=2),
    "scorers_apart": fact("scorers_apart", names=("ben", ""), coupons=5, value=1.5),
    "batches_unknown": fact("batches_unknown", names=("cure", "press")),
    "one_batch": fact("one_batch", names=("press",)),
    "waiting": fact("waiting", coupons=1),
    "unwashed": fact("unwashed", coupons=7, of=3, value=0.93),
    "shop_washes": fact("shop_washes", coupons=3, of=34, value=0.3),
    "unfinished": fact("unfinished", coupons=2),
    "predicts_better": fact("predicts_better", coupons=17, of=20),
    "predicts_alike": fact("predicts_alike", coupons=12, of=20),
    "predicts_worse": fact("predicts_worse", coupons=0, of=20),
    "hardly_varied": fact("hardly_varied", factors=("dwell",), coupons=1),
    "inseparable": fact("inseparable", factors=("dwell", "press_temp"), coupons=9),
    "barely_learned": fact("barely_learned", factors=("dwell", "press_temp")),
    "rate_open": fact("rate_open", coupons=1, value=0.31),
    "lapses": fact("lapses", value=0.08),
    "leans_on_priors": fact("leans_on_priors", value=-0.04, about="width", halved="ready"),
    "hangs_on_priors": fact("hangs_on_priors", halved="ready", doubled="not reachable"),
    "hand_fails_in_doubt": fact("hand_fails_in_doubt", about="scorers_apart", names=("ana", "ben"), coupons=5, value=2),
    "best_above": fact("best_above", factors=("press_temp",), value=170.0, limit=175.0),
    "best_below": fact("best_below", factors=("pressure",), value=2.0),
    "wide_error": fact("wide_error", factors=("dwell",)),
}
"""One of each kind that needs something filled in."""


@pytest.fixture(scope="module")
def five() -> doe.Study:
    """A study with a temperature, a time, a pressure and levels."""
    names = ("press_temp", "dwell", "pressure", "film_type")
    return doe.Study("s", tuple(doe.usual_factor(name) for name in names))


def test_every_code_has_its_words_once(five: doe.Study) -> None:
    codes = set(get_args(Code))
    assert WORDS.keys() == codes
    sentences = said(five, [FACTS.get(code, fact(code)) for code in get_args(Code)])
    assert len(set(sentences)) == len(codes)
    for text in sentences:
        assert not text[0].islower() or text.startswith("ben scores")
        assert text.endswith(".")
        assert "None" not in text


def test_settings_stand_in_the_units_of_the_reader(five: doe.Study) -> None:
    facts = [FACTS["best_above"], FACTS["best_below"]]
    assert said(five, facts, Shown()) == (
        "The best press temperature seems to lie above the tested 170 °C (338 °F): move the range if the limits permit "
        "(limit 175 °C (347 °F)).",
        "The best press pressure seems to lie below the tested 2.0 bar: move the range if the limits permit.",
    )
    abroad = said(five, facts, Shown(temperature="degF", pressure="psi"))
    assert "tested 338 °F (170 °C)" in abroad[0]
    assert "tested 29 psi" in abroad[1]


def test_counts_and_names_are_filled_in(five: doe.Study) -> None:
    told = dict(zip(FACTS, said(five, list(FACTS.values())), strict=True))
    assert told["earlier_counted"] == "2 coupons of an earlier study count here too, each for 0.5 of a coupon."
    assert told["untried"].startswith("No coupon was made with film type cold: how far")
    assert told["scorers_apart"].startswith("ben scores hand-feel 1.5 points below one person on the 5 coupons")
    assert told["batches_unknown"].startswith("No cure or press batches are known, so an error")
    assert told["waiting"] == "1 coupon is not scored yet and left out."
    assert "about 93 of 100 should survive the washes that 7 coupons still wait for" in told["unwashed"]
    assert told["inseparable"].startswith("These 9 coupons cannot separate press dwell from press temperature")
    assert "First settle what ana and ben mean by their scores (`doe people`)" in told["hand_fails_in_doubt"]
    assert "lower the expected pass rate by about 4 points" in told["leans_on_priors"]
    one = said(five, [fact("earlier_counted", coupons=1, value=0.25), fact("waiting", coupons=2)])
    assert one[0] == "1 coupon of an earlier study counts here too, for 0.25 of a coupon."
    assert one[1] == "2 coupons are not scored yet and left out."


def test_facts_read_back_as_they_were_and_old_sentences_stay() -> None:
    facts = (*FACTS.values(), fact("best_below", factors=("dwell",), value=0.0), "What an older version said.")
    kept = json.loads(json.dumps(jsonable(facts)))
    assert tuple(map(finding_of, kept)) == facts
    assert kept[0] == {"code": "earlier_counted", "values": {"coupons": 2, "value": 0.5}}
    assert kept[-1] == "What an older version said."


def test_facts_of_an_older_book_have_their_values_beside_the_code(five: doe.Study) -> None:
    kept = [{"code": "waiting", "coupons": 2}, {"code": "predicts_worse", "of": 20}, {"code": "hand_unscored"}]
    found = [finding_of(fact) for fact in kept]
    assert found == [fact("waiting", coupons=2), fact("predicts_worse", of=20), fact("hand_unscored")]
    assert "called 0 of 20 right" in said(five, found)[1]


def test_an_answer_of_an_older_book_is_shown_as_it_was_kept(study: doe.Study, coupons: pd.DataFrame) -> None:
    answer = doe.recommend(study, doe.fit(study, coupons, particles=60))
    old = answer_data(answer) | {
        "limits_on_certainty": ["28 coupons leave it open.", "It may rain."],
        "warnings": ["It may rain.", "Look out."],
        "changes": ["Try something."],
        "verdict": "not reachable",
        "method": {"model": "closing window, by hand", "draws": 600, "lower bound held": "93 of 100", "ready: x": 0.1},
    }
    again = answer_from(old)
    assert said(study, again.limits_on_certainty) == ("28 coupons leave it open.", "It may rain.")
    assert said(study, cautions_left(again)) == ("Look out.",)
    assert next_steps(study, again)[0] == "Try something."
    assert method_words(again.method) == (
        ("model", "closing window, by hand"),
        ("draws", "600"),
        ("lower bound held", "93 of 100"),
        ("ready: x", "0.1"),
    )
    # nothing is decided by a sentence: the verdict and every number are fields of their own
    assert replace(again, limits_on_certainty=(), warnings=(), changes=()).verdict == "not reachable"


def test_how_an_answer_was_made_is_said_in_order(study: doe.Study, coupons: pd.DataFrame) -> None:
    told = method_words(doe.recommend(study, doe.fit(study, coupons.head(12), particles=60)).method)
    names = [name for name, _ in told]
    assert names[:3] == ["model", "draws", "setting error"]
    assert names[-1] == "fewer than 20 coupons"
    values = dict(told)
    assert values["model"] == "closing window, joint with hand-feel, tempered sequential Monte Carlo"
    assert values["lower bound held"] == "93 of 100 (20 coupons), 90 of 100 (28 coupons); stated: 90"
    assert values["ready: expected pass rate at least"] == "0.9"


def test_json_holds_facts_beside_the_words(shop_with) -> None:
    shop = shop_with(1)
    fitted = shop.good("fit", "new powder on the heavy tee", "--json").json
    assert len(fitted["warnings"]) == len(fitted["facts"])
    assert [fact["code"] for fact in fitted["belief"]["facts"]]
    assert all(isinstance(text, str) for text in (*fitted["belief"]["sentences"], *fitted["warnings"]))
    answer = shop.good("recommend", "new powder on the heavy tee", "--json").json
    for name in ("limits_on_certainty", "warnings", "changes"):
        assert len(answer["facts"][name]) == len(answer[name])
        assert all(isinstance(text, str) for text in answer[name])
    assert answer["method"]["lower bound held"].endswith("stated: 90")
    assert answer["facts"]["method"]["model"] == "closing window"
