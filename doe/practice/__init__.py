"""Simulated lines with a known truth."""
