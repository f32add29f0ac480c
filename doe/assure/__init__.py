"""Assurance: what counts of passes show, gauges, confirming a setpoint, comparing materials, people agreeing."""
