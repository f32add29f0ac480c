"""Gauges: what a machine really gives, how far to trust that, and when to measure again."""
