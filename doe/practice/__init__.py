"""Simulated transfer lines with a known truth: to measure decisions on, and to practise with."""
