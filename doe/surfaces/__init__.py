"""Fitting response surfaces to few coupons."""
