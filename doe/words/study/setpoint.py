"""What an answer has to say beside its numbers, in sentences, and how it was made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from doe.domain.finding import Finding
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.setpoint.answer import EVERY, Answer
from doe.words.facts import Reader, Text, all_worded, reader_of
from doe.words.study.surfaces import FIT_WORDS, scorers_remedy
from doe.words.wording import amount_both, count

ABOUT = {
    EVERY: "all together",
    "height": "how good the best setting can be",
    "place": "where the window lies",
    "width": "how fast the window closes",
    "sides": "how failures split into too little and too much heat",
    "stray": "how many prints fail whatever the settings",
    "hand": "hand-feel",
    "levels": "how far the levels differ",
    "batches": "how far batches differ",
}
"""Groups of priors, as what they are about."""

LEANING_OFF = "28 of 46"
"""Answers that lean on the priors whose stated rate was more than 10 points off the true one, on 60 other tuning lines;
of the 134 others 14 were. Counted by ``tests/benchmarks/priors.py --pulls 60 --first 8000``."""

_FAILS = "The checks alone can be met; hand-feel is what fails"
_SOFTER = "sk whether a stiffer hand is acceptable, or try a softer powder or less of it."


def said(study: Study, facts: Sequence[Finding | str], shown: Shown = METRIC) -> tuple[str, ...]:
    """What a fit or an answer has to say, a sentence or two each; what was kept as a sentence stays as it was."""
    return all_worded(facts, _WORDS, reader_of(study, shown))


def cautions_left(answer: Answer) -> tuple[Finding | str, ...]:
    """Warnings of an answer that are not among the limits of its certainty."""
    return tuple(fact for fact in answer.warnings if fact not in answer.limits_on_certainty)


def _rate_open(_: Reader, *, coupons: int, value: float) -> str:
    return (
        f"{count(coupons, 'pass/fail coupon')} leave the pass rate at the setpoint open by {100 * value:.0f} points "
        "below its expected value."
    )


def _lapses(_: Reader, *, value: float) -> str:
    return (
        f"About {100 * value:.0f} of 100 coupons seem to fail for reasons that no heat setting mends "
        "(powder, moisture, handling); finding that cause is worth more than another setting."
    )


def _changed(halved: str, doubled: str) -> str:
    """What would be said with the priors counted half or double, where that would be something else."""
    ways = (("half", halved), ("double", doubled))
    return ", counted ".join(f"{times} this would be called: {verdict}" for times, verdict in ways if verdict)


def _leans_on_priors(_: Reader, *, value: float, about: str, halved: str = "", doubled: str = "") -> str:
    changed = f" Counted {_changed(halved, doubled)}." if halved or doubled else ""
    return (
        "The numbers at this setting lean on what was assumed before any coupon: were that to count double, it would "
        f"{'raise' if value > 0 else 'lower'} the expected pass rate by about {100 * abs(value):.0f} points, most of "
        f"all through {ABOUT[about]}.{changed} On simulated lines {LEANING_OFF} such answers were more than 10 points "
        "off."
    )


def _hangs_on_priors(_: Reader, *, halved: str = "", doubled: str = "") -> str:
    counted = _changed(halved, doubled)
    return f"What is said here hangs on what was assumed before any coupon, too: counted {counted}."


def _hand_fails_in_doubt(_: Reader, *, about: str, names: tuple[str, ...] = (), **gap: float) -> str:
    remedy = scorers_remedy(about, names)
    return f"{_FAILS}, and its scores are in doubt. First {remedy}; no new coupon is needed for it."


def _best_beyond(way: str) -> Text:
    def said(reader: Reader, *, factors: tuple[str], value: float, limit: float | None = None) -> str:
        f = reader.factors[factors[0]]
        room = "" if limit is None else f" (limit {amount_both(f, limit, reader.shown)})"
        return (
            f"The best {f.label} seems to lie {way} the tested {amount_both(f, value, reader.shown)}: move the "
            f"range if the limits permit{room}."
        )

    return said


def _wide_error(reader: Reader, *, factors: tuple[str, ...]) -> str:
    listed = ", ".join(map(reader.label, factors))
    return f"The stated setting error of {listed} is large against its range: a steadier machine widens every window."


ANSWER_WORDS: dict[str, Text] = {
    "rate_open": _rate_open,
    "lapses": _lapses,
    "not_measured": (
        "No coupon's real temperature was measured: the answer is as good as the displays, or as their correction."
    ),
    "leans_on_priors": _leans_on_priors,
    "hangs_on_priors": _hangs_on_priors,
    "hand_fails": f"{_FAILS}. A{_SOFTER}",
    "hand_fails_in_doubt": _hand_fails_in_doubt,
    "softer_if_scores_stand": f"If the scores stand: a{_SOFTER}",
    "best_above": _best_beyond("above"),
    "best_below": _best_beyond("below"),
    "wide_error": _wide_error,
    "other_stack": "Try another powder, film or pre-treatment of the fabric; or agree on a lower wanted pass rate.",
}
"""How what an answer adds to its fit is said."""

_WORDS = FIT_WORDS | ANSWER_WORDS

_SETTINGS = {
    "draws": "draws",
    "ready_rate": "ready: expected pass rate at least",
    "ready_shortfall": "ready: lower bound short of target by at most",
    "reach_chance": "not reachable: chance that any setting reaches the target below",
    "reach_gap": "not reachable: best rate short of target by more than",
}
_RATES = {
    "false_ready": "called ready, truly below the wanted rate",
    "ready_below_90": "called ready, truly below 90 %",
    "bound_held": "lower bound held",
    "false_reach": "not reachable said although a setting existed",
    "true_reach": "not reachable said where none existed",
}


def method_words(method: Mapping[str, float | str]) -> tuple[tuple[str, str], ...]:
    """How an answer was made and how often such verdicts are wrong, name and value; kept words stay as they were."""
    found: dict[str, str] = {}
    for key, value in method.items():
        rate, _, coupons = key.rpartition("_")
        if key == "model" and "setting_error" in method:
            kind = value or "surface put together by hand"
            found["model"] = f"{kind}, joint with hand-feel, tempered sequential Monte Carlo"
        elif key == "setting_error":
            found["setting error"] = (
                "counted once: the trial's own taken out, production's full stated error put in; hand-feel keeps the "
                "trial's too, on the careful side"
            )
        elif key == "rated_lines":
            found["simulated lines behind the error rates"] = (
                f"{value:g} of seven kinds, on seeds that no prior was chosen on; four factors, wanted rate 95 %, one "
                "round"
            )
        elif rate in _RATES:
            label = _RATES[rate]
            before = f"{found[label]}, " if label in found else ""
            found[label] = f"{before}{value:g} of 100 ({coupons} coupons)"
        elif key == "worse_below":
            names = ("false_ready", "ready_below_90", "bound_held")
            ready, ready_90, held = (method[f"worse_{name}_12"] for name in names)
            found[f"fewer than {value:g} coupons"] = (
                f"the rates are worse: with 12, about {ready:g} of 100 called ready fell short of the wanted rate, "
                f"{ready_90:g} of 100 of 90 %, and the lower bound held in {held:g} of 100"
            )
        elif not key.startswith("worse_"):
            text = value if isinstance(value, str) else f"{value:g}"
            found[_SETTINGS.get(key, key.replace("_", " "))] = text
    if "bound_held_20" in method:
        found[_RATES["bound_held"]] += "; stated: 90"
    return tuple(found.items())
