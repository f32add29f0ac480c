"""A study: its plans, fits, answers, reasons and sheets."""
