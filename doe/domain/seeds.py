"""Seeds: the number that repeats the same random choices."""

from __future__ import annotations

from typing import SupportsIndex

from doe.domain.errors import InputError

MOST_SEED = 2**63 - 1  # what every database can keep


def check_seed(seed: object) -> None:
    """Refuse what cannot be a seed.

    Raises
    ------
    InputError
        Unless it is a whole number from 0 to 2^63 - 1.
    """
    if not isinstance(seed, SupportsIndex) or not 0 <= seed.__index__() <= MOST_SEED:
        raise InputError("seed", repr(seed), "a whole number from 0 to 2^63 - 1", "Choose another number.")
