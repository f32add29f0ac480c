"""The demo: an invented shop from its first stack to its report."""
