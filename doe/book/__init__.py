"""The shop's database: stacks, lines, gauges, studies, scores, and who did what when."""

from doe.book.book import Book
from doe.book.records import (
    Act,
    AnalysisRecord,
    HistoryEntry,
    KeptReading,
    KeptRecipe,
    NewAnalysis,
    NewRound,
    Photo,
    PlanInfo,
    RoundInfo,
    ShopNote,
    StudyRecord,
    StudySummary,
)

__all__ = [
    "Act",
    "AnalysisRecord",
    "Book",
    "HistoryEntry",
    "KeptReading",
    "KeptRecipe",
    "NewAnalysis",
    "NewRound",
    "Photo",
    "PlanInfo",
    "RoundInfo",
    "ShopNote",
    "StudyRecord",
    "StudySummary",
]
