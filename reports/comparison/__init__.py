"""The comparison on paper."""
