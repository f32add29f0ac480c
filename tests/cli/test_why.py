"""`doe recommend --why`: the reasons on a terminal and for programs."""

from __future__ import annotations

import re

import pytest

STUDY = "new powder on the heavy tee"


def test_reasons_stand_under_the_answer_and_fit_the_terminal(shop_with):
    shop = shop_with(1)
    plain = shop.good("recommend", STUDY)
    short = shop.good("recommend", STUDY, "--why")
    found = shop.good("recommend", STUDY, "--why", "--more")
    for heading in (
        "Why this setting:",
        "What these numbers rest on:",
        "Which coupons carry them:",
        "Whether any setting reaches the target:",
        "The cliffs:",
        "Hand-feel:",
        "What would change them:",
        "What the assumptions do:",
    ):
        assert heading in found.out
        assert heading not in short.out
        assert heading not in plain.out
    assert max(len(line) for line in found.out.splitlines()) <= 80
    assert found.out.splitlines()[0] == plain.out.splitlines()[0]
    assert set(plain.out.splitlines()[:-1]) <= set(found.out.splitlines())
    lines = short.out.splitlines()
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80
    overview = lines[next(i for i, line in enumerate(lines) if set(line) == {"-"}) + 1 : lines.index("Next:") - 1]
    said = [re.split(r"\s{2,}", line)[0] for line in overview]
    assert all(said)  # no row runs over into a second line
    assert {"nearest cliff", "assumptions", "one more coupon"} <= set(said)
    assert lines[0] == plain.out.splitlines()[0]


def test_json_holds_every_coupon_with_its_weight(shop_with):
    shop = shop_with(1)
    assert "why" not in shop.good("recommend", STUDY, "--json").json
    found = shop.good("recommend", STUDY, "--why", "--json").json
    why = found["why"]
    assert len(why["coupons"]) == found["counts"]["scored"]
    first = why["coupons"][0]
    assert {"coupon", "passed", "left_out", "turned", "low_change"} <= set(first)
    assert {"rate", "rate_low", "verdict", "effective", "pareto_k", "reliable"} <= set(first["left_out"])
    assert why["now"]["rate"] == pytest.approx(found["pass_rate"])
    assert why["priors"][0]["group"] == "every"
    assert why["now"]["p_reachable"] == pytest.approx(found["p_reachable"])
    assert len(why["ends"]) == (0 if found["window"] is None else 8)
    assert len(why["cliffs"]) == len(found["cliffs"])
    assert why["hand"]["mean"] == pytest.approx(found["hand"])
    assert why["hand"]["people"] == ["ana", "ben"]
    assert why["alternatives"][0]["settings"] == found["setpoint"]
