"""Simulated lines drawn from a population wider than any one kind: what plans, priors and thresholds are chosen on.

A *family* is a mechanism (`shapes`, `doses`); how wide the ranges, how sharp the walls, how much of the region passes,
how people score and machines wander are drawn from the hyper-parameters of `draw.Population`, alike for all families.
All of it is invented; no machine, film or powder was measured for it.
"""
