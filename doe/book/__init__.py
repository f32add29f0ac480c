"""The shop's database."""
