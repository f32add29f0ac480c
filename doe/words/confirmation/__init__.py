"""Confirmations in words."""
