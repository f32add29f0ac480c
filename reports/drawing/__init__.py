"""Drawings: small inline pictures for every page."""
