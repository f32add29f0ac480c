"""Sheets that people filled in, read into coupons and scores."""
