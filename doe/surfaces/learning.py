"""What earlier studies say about the lines of their shop."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from doe.domain.results import Results
from doe.domain.study import Study
from doe.surfaces.fitted import fit
from doe.surfaces.shop import ShopHistory, TraitEvidence
from doe.surfaces.washing import NO_WASHES, washes_of


def learn_shop(studies: Iterable[tuple[Study, pd.DataFrame | Results]], *, seed: int = 0) -> ShopHistory:
    """What earlier studies of a shop tell about its lines, for the next one: `fit` takes it as ``shop``.

    Parameters
    ----------
    studies : iterable of (Study, results)
        Each with its scored coupons as `fit` takes them. Without any, the shop says nothing.
    seed : int
        Of the fits.

    Returns
    -------
    ShopHistory
        See `doe.surfaces.shop` for what is learned and how far it is believed.

    Raises
    ------
    InputError
        If the results of a study cannot be used.

    Examples
    --------
    >>> learn_shop([]).studies
    ()
    """
    names, evidence, washes = [], [], NO_WASHES
    for study, results in studies:
        surfaces = fit(study, results, seed=seed)
        assert surfaces.model is not None and surfaces.xi is not None  # what `fit` makes has both  # noqa: PT018
        names.append(study.name)
        washes += washes_of(surfaces.results)
        evidence += [TraitEvidence.from_draws(trait, surfaces.xi) for trait in surfaces.model.traits]
    return ShopHistory(tuple(names), tuple(evidence), washes)
