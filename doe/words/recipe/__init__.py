"""Recipes in words: the card, the record, the story."""
