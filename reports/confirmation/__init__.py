"""The confirmation on paper."""
