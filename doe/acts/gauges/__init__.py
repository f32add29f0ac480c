"""Gauges of a line: its corrections in force, its maps, what to dial in."""
