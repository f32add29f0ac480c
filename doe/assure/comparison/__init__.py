"""Comparison: does a released recipe hold on a new material, and how many coupons tell."""
