"""Simulated transfer lines with a known truth: to measure decisions on, and to practise with."""

from doe.practice.centre import centre
from doe.practice.coupons import Scoring
from doe.practice.demo import DEMO_LINE_SEED, demo_line
from doe.practice.habits import Habits
from doe.practice.lines import KINDS, Best, SimulatedLine, make_line

__all__ = [
    "DEMO_LINE_SEED",
    "KINDS",
    "Best",
    "Habits",
    "Scoring",
    "SimulatedLine",
    "centre",
    "demo_line",
    "make_line",
]
