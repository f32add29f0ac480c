"""What a fit and the answers to it have to say beside their numbers, without a word of it: `doe.words` says it."""

from __future__ import annotations

from typing import Literal

from doe.domain.finding import Finding, Value

Code = Literal[
    # what makes a fit doubtful
    "earlier_counted",
    "mostly_earlier",
    "shop_counted",
    "few_coupons",
    "all_passed",
    "none_passed",
    "own_all_passed",
    "own_none_passed",
    "no_over_seen",
    "no_under_seen",
    "far_outside",
    "unvaried",
    "untried",
    "hand_unscored",
    "one_scorer",
    "never_compared",
    "scorers_apart",
    "batches_unknown",
    "one_batch",
    "waiting",
    "unwashed",
    "shop_washes",
    "unfinished",
    # whether a fit can be believed
    "ended_alike",
    "predicts_better",
    "predicts_alike",
    "predicts_worse",
    "too_mixed",
    "hardly_varied",
    "inseparable",
    "barely_learned",
    # what keeps an answer from being surer
    "contradicted",
    "every_level",
    "rate_open",
    "budget_used",
    "lapses",
    "not_measured",
    "leans_on_priors",
    "hangs_on_priors",
    # what could be changed where nothing reaches the target
    "hand_fails",
    "hand_fails_in_doubt",
    "softer_if_scores_stand",
    "best_above",
    "best_below",
    "wide_error",
    "other_stack",
]


def fact(code: Code, **values: Value) -> Finding:
    """One thing that a fit or an answer has to say.

    Parameters
    ----------
    code : Code
    values
        What belongs to the code, of these; an older book left out what was zero or empty.

        factors : names of the factors it is about. levels : ``untried``: the level of each of them.
        names : people who scored (``scorers_apart``: the lower first, an empty name where somebody gave none), machines
        (``batches_unknown``, ``one_batch``), or studies (``shop_counted``).
        coupons : how many coupons it is about; ``hand_unscored``: those that can still be felt.
        of : out of how many coupons; ``never_compared``: how many people scored.
        value : ``earlier_counted``, ``shop_washes``: what each counts for; ``mostly_earlier``: what all count for;
        ``scorers_apart``: points between them; ``rate_open``: the expected rate minus its bound; ``lapses``: their
        share; ``leans_on_priors``: change of the expected rate were every prior doubled;
        ``best_above``, ``best_below``: end of the tested range, in its stored
        unit.
        limit : ``best_above``, ``best_below``: what the limits permit on that side, in the stored unit.
        about : ``leans_on_priors``: the strongest of `contract.PRIOR_GROUPS`; ``hand_fails_in_doubt``: the code of the
        doubt, whose names and numbers stand here too.
        halved, doubled : ``leans_on_priors``, ``hangs_on_priors``: the verdict were every prior to count half, or
        double, where it would be another.
    """
    return Finding(code, values)
