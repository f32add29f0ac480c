"""First-article settings tuning for film-and-powder textile transfers.

Plan a small factorial test, score coupons, fit response surfaces, recommend a robust setpoint.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from doe.domain.errors import DoeError, InputError
    from doe.domain.factors import Factor, usual_factor
    from doe.domain.limits import Limits
    from doe.domain.space import Forbidden
    from doe.domain.spec import Check, Spec
    from doe.domain.stack import Line, Machine, Material, Stack
    from doe.domain.study import Study
    from doe.plans.plan import Plan
    from doe.setpoint.answer import Answer, Window
    from doe.setpoint.extension import extend_plan
    from doe.setpoint.planning import make_plan
    from doe.setpoint.recommendation import recommend
    from doe.surfaces.earlier import Earlier
    from doe.surfaces.fitted import Surfaces, fit
    from doe.surfaces.learning import learn_shop
    from doe.surfaces.shop import ShopHistory

__all__ = [
    "Answer",
    "Check",
    "DoeError",
    "Earlier",
    "Factor",
    "Forbidden",
    "InputError",
    "Limits",
    "Line",
    "Machine",
    "Material",
    "Plan",
    "ShopHistory",
    "Spec",
    "Stack",
    "Study",
    "Surfaces",
    "Window",
    "extend_plan",
    "fit",
    "learn_shop",
    "make_plan",
    "recommend",
    "usual_factor",
]

# Looked up on first use: `doe --help` must not pay for SciPy or pandas.
_HOMES = {
    "Answer": "doe.setpoint.answer",
    "Check": "doe.domain.spec",
    "DoeError": "doe.domain.errors",
    "Earlier": "doe.surfaces.earlier",
    "Factor": "doe.domain.factors",
    "Forbidden": "doe.domain.space",
    "InputError": "doe.domain.errors",
    "Limits": "doe.domain.limits",
    "Line": "doe.domain.stack",
    "Machine": "doe.domain.stack",
    "Material": "doe.domain.stack",
    "Plan": "doe.plans.plan",
    "ShopHistory": "doe.surfaces.shop",
    "Spec": "doe.domain.spec",
    "Stack": "doe.domain.stack",
    "Study": "doe.domain.study",
    "Surfaces": "doe.surfaces.fitted",
    "Window": "doe.setpoint.answer",
    "extend_plan": "doe.setpoint.extension",
    "fit": "doe.surfaces.fitted",
    "learn_shop": "doe.surfaces.learning",
    "make_plan": "doe.setpoint.planning",
    "recommend": "doe.setpoint.recommendation",
    "usual_factor": "doe.domain.factors",
}


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'doe' has no attribute {name!r}")
    return getattr(import_module(home), name)


def __dir__() -> list[str]:
    return sorted(__all__)
