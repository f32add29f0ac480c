"""Confirmation: which claim costs how many coupons, where they lie, and what they prove."""
