"""Recipes on paper: the card and the story."""
