"""Known settings in words: what is claimed of them, and what a confirmation alone cannot tell."""

from __future__ import annotations

from doe.domain.study import Study
from doe.words.confirmation.verdict import ConfirmationFacts, every_check, rule_sentence
from doe.words.wording import stated


def claim_lines(study: Study, confirmation: ConfirmationFacts | None) -> tuple[str, ...]:
    """What is claimed, from whom the settings come, and the rule that was fixed before."""
    spec = study.spec
    source = f"The settings come from {study.known}. They were not searched for, and no model was fitted."
    if confirmation is None:
        return (
            source,
            f"Wanted: {stated(spec.pass_rate)} of prints made at exactly these settings pass {every_check(study)}. No "
            "coupon was made for it yet.",
        )
    claim = confirmation.current.plan.claim
    return (
        source,
        f"The claim: {stated(claim.pass_rate)} of prints made at exactly these settings pass {every_check(study)}, "
        f"with {stated(claim.assurance)} assurance.",
        rule_sentence(confirmation.current),
    )


def not_known_lines(study: Study, line: str) -> tuple[str, ...]:
    """What a confirmation at one point leaves open."""
    return (
        "How far these settings may move: nobody tried, so there is no window. Keep exactly what the card says.",
        "Where prints begin to fail, and by which fault: no cliff is known.",
        f"Whether other settings would be better, softer or quicker than those of {study.known}.",
        f"How they do on another line than {line}, or with other lots than those named.",
    )
