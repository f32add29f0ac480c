"""Catalogue of what is seen on a failed coupon and what it points to."""
