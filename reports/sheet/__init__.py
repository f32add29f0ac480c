"""The bench sheet, its labels and its entry files."""
