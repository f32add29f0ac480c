"""The command ``doe``."""
