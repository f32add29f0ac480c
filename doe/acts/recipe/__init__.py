"""Recipes: released, found, told, and what a record must hold."""
