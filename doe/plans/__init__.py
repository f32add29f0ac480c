"""Building, ordering and judging plans."""
