"""What to do after looking at a confirmation: the part of the next step that knows what its coupons say."""

from __future__ import annotations

from doe.acts.confirmation.verdict import Confirmed
from doe.acts.study.next_step import NextStep

MORE_COUPONS = 8
"""Of a further round, where a setpoint was not confirmed."""


def after_confirmation(found: Confirmed) -> tuple[NextStep, ...]:
    """What follows a confirmation as it stands, the most urgent first."""
    attempt, judged = found.current, found.current.judged
    if found.doubts:
        return (NextStep("recommend"),)
    steps = []
    if attempt.verdict == "open":
        if attempt.missing_units or attempt.missing_corners:
            steps.append(NextStep("make again"))
        if judged is None:
            steps.append(NextStep("make", round=attempt.plan.rounds[-1]))
        elif attempt.unscored:
            steps.append(NextStep("score"))
        elif judged.waiting or any(c.waiting for c in judged.corners):
            steps.append(NextStep("washes"))
    elif found.setpoint_proof is not None:
        steps.append(NextStep("release"))
    else:
        steps.append(NextStep("extend", coupons=MORE_COUPONS))
    return (*steps, *((NextStep("confirmation page"),) if judged is not None else ()))
