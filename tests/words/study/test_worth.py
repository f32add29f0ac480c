"""What sizes buy, in words: no difference is claimed that the lines do not show."""

from __future__ import annotations

import pytest

import doe
from doe.practice.worth import Share, Worth
from doe.words.study import worth as words

STUDY = doe.Study("new powder", (doe.usual_factor("press_temp"), doe.usual_factor("dwell")), doe.Spec(pass_rate=0.95))
SOME = Share(4, 6)


def _worth(coupons: int, ready: int, lines: int = 36, found_out: Share = SOME) -> Worth:
    none = Share(0, lines)
    return Worth(coupons, coupons / 5, Share(ready, lines), none, none, Share(1, ready), none, found_out)


def test_a_difference_beyond_its_error_is_said_and_one_within_is_not() -> None:
    assert words.findings((_worth(12, 6), _worth(40, 30)))[0] == (
        "28 more coupons than 12 (and 5.6 more hours) raise the chance to end ready from 17 % to 83 %."
    )
    assert "no sure difference" in words.findings((_worth(12, 15), _worth(40, 18)))[0]
    assert "no sure difference" in words.findings((_worth(12, 30), _worth(40, 6)))[0]


def test_lines_that_cannot_reach_the_target_are_counted() -> None:
    said = words.findings((_worth(12, 6, found_out=Share(3, 6)), _worth(40, 30, found_out=Share(5, 6))))[1]
    assert said == ("Of 6 lines where no setting reaches it, called not reachable: 3 with 12 and 5 with 40 coupons.")
    assert len(words.findings((_worth(12, 6, found_out=Share(0, 0)), _worth(40, 30, found_out=Share(0, 0))))) == 1


def test_rows_match_their_headings_and_the_legend_names_each() -> None:
    (row,) = words.rows((_worth(12, 6),))
    assert len(row) == len(words.HEADS)
    assert row == ("12", "2.4", "17 ± 6", "0 ± 3", "0 ± 3", "1 of 6", "0 ± 3")
    legend = words.legend(STUDY)
    for head in words.HEADS[1:]:
        assert head.removesuffix(" %") in legend
    assert "95 %" in legend
    assert "80 %" in legend
    assert words.lead(STUDY, 1).count("1 invented line ") == 1


@pytest.mark.parametrize("rate", [0.975, 0.9, 0.5])
def test_the_bad_rate_keeps_its_distance_from_the_wanted_one(rate: float) -> None:
    study = doe.Study("s", STUDY.factors, doe.Spec(pass_rate=rate))
    assert f"{(rate - 0.15) * 100:.10g} %" in words.legend(study)
