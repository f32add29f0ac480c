"""The study report."""
