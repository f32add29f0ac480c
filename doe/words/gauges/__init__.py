"""Gauges in words: cautions, dials, setting errors."""
