"""Confirmation of a study's answer: its rule, its coupons, its verdict."""
