"""Words: facts become sentences here, and what a person typed becomes facts."""
