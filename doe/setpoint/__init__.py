"""Robust setpoint, window, verdict and the next coupons."""

from doe.setpoint.answer import Answer, Cliff, Verdict, Window
from doe.setpoint.curves import Profile, RobustMap, profile, robust_map
from doe.setpoint.extension import extend_plan
from doe.setpoint.recommendation import NEXT_COUPONS, recommend
from doe.setpoint.robust import RobustRate
from doe.setpoint.why import Why, explain_answer

__all__ = [
    "NEXT_COUPONS",
    "Answer",
    "Cliff",
    "Profile",
    "RobustMap",
    "RobustRate",
    "Verdict",
    "Why",
    "Window",
    "explain_answer",
    "extend_plan",
    "profile",
    "recommend",
    "robust_map",
]
