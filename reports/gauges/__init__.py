"""Gauges on paper: notes of a line, the map of a machine."""
