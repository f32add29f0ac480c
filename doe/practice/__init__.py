"""Simulated transfer lines with a known truth: to measure decisions on, and to practise with."""

from doe.practice.lines import make_line

__all__ = ["make_line"]
