"""Comparison of a new material with a released recipe, and the retune that may follow."""
