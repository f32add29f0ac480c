"""What plans led to on simulated lines, as the comparison of plans shows it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from doe.domain.study import Study
from doe.plans.decisions import is_wide, outcome, width
from doe.plans.plan import KINDS
from tests.plans.studies import usual


def narrow() -> Study:
    """The usual question on machines that wander twice as much."""
    study = usual(4)
    return replace(study, factors=tuple(replace(f, setting_sd=f.setting_sd * 2) for f in study.factors))


@pytest.mark.parametrize("make", [lambda: usual(4), narrow])
def test_what_was_tried_is_known_for_ranges_of_either_width(make):
    study = make()
    for kind, coupons in (("half", 12), ("optimal", 12), ("full", 20), ("spread", 20), ("composite", 28)):
        found = outcome(study, kind, coupons)
        assert found is not None
        assert (found.kind, found.coupons, found.wide) == (kind, coupons, is_wide(study))
        assert found.lines >= 20
        assert 0 <= found.far_off <= found.holds <= 1
        assert 0 < found.error < 0.15


def test_wide_ranges_are_counted_in_setting_errors():
    assert width(narrow()) == pytest.approx(width(usual(4)) / 2)
    assert is_wide(usual(4))
    assert not is_wide(narrow())


def test_between_sizes_that_were_tried_the_smaller_one_counts():
    study = usual(4)
    assert outcome(study, "optimal", 25) == outcome(study, "optimal", 20)
    assert outcome(study, "optimal", 11) is None


def test_what_was_not_tried_is_not_known():
    for study in (usual(3), usual(4, "fabric")):
        assert all(outcome(study, kind, 28) is None for kind in KINDS)
    assert outcome(usual(4), "box-behnken", 28) is None
