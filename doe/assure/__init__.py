"""Assurance: what counts of passes show, gauges, confirming a setpoint, comparing materials, people agreeing."""

from doe.assure.binomial import (
    RateInterval,
    chance_to_accept,
    coupons_for_failures,
    pass_rate_high,
    pass_rate_low,
    wilson_interval,
)
from doe.assure.comparison.equivalence import Equivalence, compare_hand, coupons_for_means
from doe.assure.comparison.sizes import strokes_for_rates
from doe.assure.comparison.verdict import Comparison, compare_materials
from doe.assure.confirmation.allocation import confirmation_points, confirmation_settings
from doe.assure.confirmation.claims import ClaimLimits, ClaimPlan, claim_limits, claim_plan
from doe.assure.confirmation.combination import Combination, combine_with_study
from doe.assure.confirmation.hand_prediction import HandPrediction, predict_hand
from doe.assure.confirmation.verdict import Confirmation, judge_confirmation
from doe.assure.gauges.budget import Budget, Component, combine_uncertainty
from doe.assure.gauges.cautions import (
    NOT_CHECKED,
    gauge_cautions,
    machine_cautions,
    machine_temperatures,
    refuse_dial,
    suggested_error,
)
from doe.assure.gauges.dates import GaugeDrift, GaugeStatus, due_day, judge_gauge, measure_drift
from doe.assure.gauges.display import Converted, DisplayLine, fit_display
from doe.assure.gauges.line import GaugedLine, MachineGauge, MachineSetting, gauge_line
from doe.assure.gauges.platen import PlatenMap, judge_map, place_name, place_of
from doe.assure.gauges.radiation import InfraredReading, correct_infrared
from doe.assure.gauges.readings import TrueReading, true_reading
from doe.assure.gauges.setting_error import (
    SettingError,
    machine_budget,
    measure_setting_error,
    smallest_step,
)
from doe.assure.people.agreement import HandAgreement, PassAgreement, judge_hand_agreement, judge_pass_agreement

__all__ = [
    "NOT_CHECKED",
    "Budget",
    "ClaimLimits",
    "ClaimPlan",
    "Combination",
    "Comparison",
    "Component",
    "Confirmation",
    "Converted",
    "DisplayLine",
    "Equivalence",
    "GaugeDrift",
    "GaugeStatus",
    "GaugedLine",
    "HandAgreement",
    "HandPrediction",
    "InfraredReading",
    "MachineGauge",
    "MachineSetting",
    "PassAgreement",
    "PlatenMap",
    "RateInterval",
    "SettingError",
    "TrueReading",
    "chance_to_accept",
    "claim_limits",
    "claim_plan",
    "combine_uncertainty",
    "combine_with_study",
    "compare_hand",
    "compare_materials",
    "confirmation_points",
    "confirmation_settings",
    "correct_infrared",
    "coupons_for_failures",
    "coupons_for_means",
    "due_day",
    "fit_display",
    "gauge_cautions",
    "gauge_line",
    "judge_confirmation",
    "judge_gauge",
    "judge_hand_agreement",
    "judge_map",
    "judge_pass_agreement",
    "machine_budget",
    "machine_cautions",
    "machine_temperatures",
    "measure_drift",
    "measure_setting_error",
    "pass_rate_high",
    "pass_rate_low",
    "place_name",
    "place_of",
    "predict_hand",
    "refuse_dial",
    "smallest_step",
    "strokes_for_rates",
    "suggested_error",
    "true_reading",
    "wilson_interval",
]
