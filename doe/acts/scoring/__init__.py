"""Scoring: scores given at the press, how far the coupons have come, how far people agree."""
