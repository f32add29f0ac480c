"""Catalogue of what is seen on a failed coupon and what it points to."""

from doe.symptoms.catalogue import CATALOGUE
from doe.symptoms.kinds import Cause, Pointer, Symptom
from doe.symptoms.reading import WORDS, short_list, side_of, symptom

__all__ = ["CATALOGUE", "WORDS", "Cause", "Pointer", "Symptom", "short_list", "side_of", "symptom"]
