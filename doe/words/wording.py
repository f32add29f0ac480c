"""Words for numbers and days: counts, shares, amounts with both temperatures, beyond a cliff, the reader's clock."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Sequence
from functools import partial
from typing import TypeVar

from doe.domain.factors import KNOWN_FACTORS, Factor, seconds_in_heat
from doe.domain.units import METRIC, SYMBOLS, Shown, fixed, rounded, show, show_both

HUNDRED = 100

SIDE_WORDS: dict[str, str] = {
    "": "",
    "under": "too little heat",
    "over": "too much heat",
    "other": "not heat",
    "unknown": "side unknown",
}
"""What a person reads for a side."""


GRADED = {"clean": "passed clean", "just": "only just passed", "slight": "failed slightly", "bad": "failed badly"}
"""The result of a graded coupon; one with no grade is *passed* or *failed*."""


HANDLED_ASKED = "powder even, peeled at its wait"
"""What a yes or a no to a coupon's handling is about."""


def count(number: int, one: str, many: str | None = None) -> str:
    """Number with its noun.

    >>> count(1, "coupon"), count(3, "cure batch", "cure batches")
    ('1 coupon', '3 cure batches')
    """
    return f"{number} {count_only(number, one, many)}"


def count_only(number: int, one: str, many: str | None = None) -> str:
    """The noun alone, as it stands beside a number.

    >>> count_only(1, "round"), count_only(2, "round")
    ('round', 'rounds')
    """
    return one if number == 1 else many or one + "s"


def verb(number: int, one: str, many: str) -> str:
    """Form of a verb that goes with a number of things.

    >>> verb(1, "was", "were"), verb(0, "is", "are")
    ('was', 'are')
    """
    return one if number == 1 else many


def listing(parts: Sequence[str], last: str = "and") -> str:
    """Words joined as in a sentence.

    >>> listing(["film", "powder", "press"])
    'film, powder and press'
    """
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {last} {parts[-1]}"


def sentence(text: str) -> str:
    """First letter large, one full stop at the end.

    >>> sentence("dwell matters most")
    'Dwell matters most.'
    """
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")


def out_of_hundred(share: float) -> int:
    """Whole prints of 100. 100 and 0 only when it is as good as certain: 99.7 % is not "all of them".

    >>> out_of_hundred(0.957), out_of_hundred(0.997), out_of_hundred(0.002)
    (96, 99, 1)
    """
    prints = int(rounded(share * HUNDRED))
    if prints == HUNDRED and share < 0.9995:
        return HUNDRED - 1
    if prints == 0 and share > 0.0005:
        return 1
    return prints


def prints(share: float) -> str:
    """Share as a count people can picture.

    >>> prints(0.957)
    '96 of 100 prints'
    """
    return f"{out_of_hundred(share)} of {HUNDRED} prints"


def at_least_of_hundred(share: float) -> int:
    """Whole prints of 100 behind a lower bound: rounded down, since rounding up would promise more than it holds.

    >>> at_least_of_hundred(0.917), at_least_of_hundred(0.95), at_least_of_hundred(1.0)
    (91, 95, 100)
    """
    return math.floor(round(share * HUNDRED, 6))


def at_most_of_hundred(share: float) -> int:
    """Whole prints of 100 behind an upper bound, rounded up.

    >>> at_most_of_hundred(0.9905), at_most_of_hundred(0.91)
    (100, 91)
    """
    return math.ceil(round(share * HUNDRED, 6))


def prints_at_least(share: float) -> str:
    """Lower bound as a count people can picture.

    >>> prints_at_least(0.917)
    '91 of 100 prints'
    """
    return f"{at_least_of_hundred(share)} of {HUNDRED} prints"


def stated(share: float) -> str:
    """A share somebody typed, with all its digits: a target of 97.5 % is not one of 98 %.

    >>> stated(0.95), stated(0.975), stated(0.995)
    ('95 %', '97.5 %', '99.5 %')
    """
    return f"{share * 100:.10g} %"


def on_levels(units: int, unit: str, levels: int) -> str:
    """Units of a rule in all, and how many of them are made on each level that one setting must hold on.

    >>> on_levels(22, "coupon", 1), on_levels(44, "coupon", 2)
    ('22 coupons', '44 coupons (22 on each level)')
    """
    each = f" ({units // levels} on each level)" if levels > 1 else ""
    return f"{count(units, unit)}{each}"


def claim_shown(pass_rate: float, assurance: float) -> str:
    """What an accepted confirmation shows: the claim, as its rule was fixed, whatever the counts would bear.

    >>> claim_shown(0.95, 0.9)
    'With 90 % assurance, 95 % of prints or more pass every check.'
    """
    return f"With {stated(assurance)} assurance, {stated(pass_rate)} of prints or more pass every check."


def prints_stated(share: float) -> str:
    """A typed share as a count of prints, with all its digits.

    >>> prints_stated(0.95), prints_stated(0.975)
    ('95 of 100 prints', '97.5 of 100 prints')
    """
    return f"{share * HUNDRED:.10g} of {HUNDRED} prints"


def percent(share: float, digits: int = 0) -> str:
    """Share in percent; never rounded to a certainty it does not have.

    >>> percent(0.957), percent(0.9996), percent(0.957, 1)
    ('96 %', '>99 %', '95.7 %')
    """
    text = fixed(share * 100, digits)
    if share < 1 and float(text) >= 100:
        return f">{fixed(100 - 10**-digits, digits)} %"
    if share > 0 and float(text) == 0:
        return f"<{fixed(10**-digits, digits)} %"
    return f"{text} %"


def percent_at_least(share: float) -> str:
    """Lower bound in percent with one decimal, rounded down: rounding up would promise more than it holds.

    >>> percent_at_least(0.9219), percent_at_least(0.95)
    ('92.1 %', '95.0 %')
    """
    return f"{fixed(at_least_of_hundred(share * 10) / 10, 1)} %"


def percent_at_most(share: float) -> str:
    """An upper bound in percent with one decimal, rounded up.

    >>> percent_at_most(0.99047), percent_at_most(0.5)
    ('99.1 %', '50.0 %')
    """
    return f"{fixed(at_most_of_hundred(share * 10) / 10, 1)} %"


def allowed(failures: int) -> str:
    """How many failures a rule allows.

    >>> allowed(0), allowed(1), allowed(2)
    ('no failure', 'at most 1 failure', 'at most 2 failures')
    """
    return f"at most {count(failures, 'failure')}" if failures else "no failure"


def degrees_apart(delta_degc: float, shown: Shown = METRIC) -> str:
    """A *difference* of temperatures in both units, to a tenth where it has one.

    >>> degrees_apart(5.0), degrees_apart(2.25)
    ('5 °C (9 °F)', '2.3 °C (4.1 °F)')
    """
    texts = (
        f"{rounded(units.delta(delta_degc, 'degC'), 1):g} {SYMBOLS[units.temperature]}"
        for units in (shown, shown.other)
    )
    return "{} ({})".format(*texts)


def score(value: float) -> str:
    """Hand-feel to one decimal.

    >>> score(3.749)
    '3.7'
    """
    return fixed(value, 1)


def amount(factor: Factor, value: float | str, shown: Shown = METRIC) -> str:
    """Setting in the reader's unit, or the level.

    >>> from doe.domain.factors import usual_factor
    >>> amount(usual_factor("press_temp"), 152, Shown(temperature="degF"))
    '306 °F'
    """
    if factor.is_categorical:
        return str(value)
    number = fixed(shown.value(float(value), factor.unit), decimals_of(factor, shown))
    return f"{number} {SYMBOLS[shown.unit(factor.unit)]}".rstrip()


def amount_both(factor: Factor, value: float | str, shown: Shown = METRIC) -> str:
    """Setting for anything printed: temperatures in both units, the reader's first.

    >>> from doe.domain.factors import usual_factor
    >>> amount_both(usual_factor("press_temp"), 152), amount_both(usual_factor("belt_speed", heated_mm=1200), 0.6)
    ('152 °C (306 °F)', '0.60 m/min (120 s)')
    """
    beside = amount_beside(factor, value, shown)
    return f"{amount(factor, value, shown)} ({beside})" if beside else amount(factor, value, shown)


def amount_beside(factor: Factor, value: float | str, shown: Shown = METRIC) -> str:
    """The same setting in its other terms: a temperature in the other unit, a belt's speed as time in the heat."""
    if factor.is_categorical:
        return ""
    return (
        amount(factor, value, shown.other) if factor.is_temperature else seconds_words(factor.heated_mm, float(value))
    )


def seconds_words(heated_mm: float | None, *speeds: float) -> str:
    """Time in the heat at the speeds of a belt, in m/min; empty where its heated length is not known.

    >>> seconds_words(1200, 0.6), seconds_words(1200, 0.4, 0.8)
    ('120 s', '180 to 90 s')
    """
    times = [seconds_in_heat(heated_mm, speed) for speed in speeds]
    return f"{' to '.join(dict.fromkeys(fixed(time) for time in times if time is not None))} s" if all(times) else ""


def _both(factor: Factor, say: Callable[[Shown], str], shown: Shown) -> str:
    """What is said in the reader's unit, for a temperature in the other one as well."""
    is_temperature = factor.is_temperature and not factor.is_categorical
    return f"{say(shown)} ({say(shown.other)})" if is_temperature else say(shown)


def decimals_of(factor: Factor, shown: Shown = METRIC) -> int:
    """Decimals so that a machine step is seen and no more."""
    step = factor.step or 0.0
    if step >= 1 or shown.unit(factor.unit) == "psi":
        return 0
    return 2 if factor.unit not in ("degC", "bar") and abs(step - round(step, 1)) > 1e-9 else 1


def amount_range(factor: Factor, low: float, high: float, shown: Shown = METRIC) -> str:
    """Both ends of a range with one unit.

    >>> from doe.domain.factors import usual_factor
    >>> amount_range(usual_factor("dwell"), 10, 14)
    '10 to 14 s'
    >>> amount_range(usual_factor("dwell"), 14, 14)
    '14 s only'
    """
    if amount(factor, low, shown) == amount(factor, high, shown):
        return f"{amount(factor, low, shown)} only"
    unit = SYMBOLS[shown.unit(factor.unit)]
    return f"{amount(factor, low, shown).removesuffix(unit).strip()} to {amount(factor, high, shown)}"


def difference(factor: Factor, size: float, shown: Shown = METRIC) -> str:
    """A *difference* of settings: 10 degC of difference is 18 degF.

    >>> from doe.domain.factors import usual_factor
    >>> difference(usual_factor("press_temp"), 10, Shown(temperature="degF"))
    '18 °F'
    """
    number = round(shown.delta(abs(size), factor.unit), 10)
    text = fixed(number, 0 if number >= 10 else decimals_of(factor, shown))
    if float(text) == 0:  # smaller than the machine can be given
        text = f"{number:.1g}"
    return f"{text} {SYMBOLS[shown.unit(factor.unit)]}".rstrip()


def difference_both(factor: Factor, size: float, shown: Shown = METRIC) -> str:
    """A difference of settings for anything printed.

    >>> from doe.domain.factors import usual_factor
    >>> difference_both(usual_factor("press_temp"), 7), difference_both(usual_factor("dwell"), 3)
    ('7 °C (13 °F)', '3 s')
    """
    return _both(factor, partial(difference, factor, size), shown)


def spread_both(factor: Factor, size: float, shown: Shown = METRIC) -> str:
    """A setting error as it was stated, both temperature units.

    >>> from doe.domain.factors import usual_factor
    >>> spread_both(usual_factor("press_temp"), 4.5), spread_both(usual_factor("dwell"), 1.5)
    ('4.5 °C (8.1 °F)', '1.5 s')
    """

    def text(units: Shown) -> str:
        number = round(units.delta(abs(size), factor.unit), 10)
        return f"{number:.3g} {SYMBOLS[units.unit(factor.unit)]}".rstrip()

    return _both(factor, text, shown)


def range_both(factor: Factor, low: float, high: float, shown: Shown = METRIC) -> str:
    """A range for anything printed.

    >>> from doe.domain.factors import usual_factor
    >>> range_both(usual_factor("press_temp"), 150, 158)
    '150 to 158 °C (302 to 316 °F)'
    >>> range_both(usual_factor("press_temp"), 159, 159)
    '159 °C (318 °F) only'
    >>> range_both(usual_factor("belt_speed", heated_mm=1200), 0.4, 0.8)
    '0.40 to 0.80 m/min (180 to 90 s)'
    """
    if amount(factor, low, shown) == amount(factor, high, shown):
        return f"{amount_both(factor, low, shown)} only"
    if factor.heated_mm is not None:
        return f"{amount_range(factor, low, high, shown)} ({seconds_words(factor.heated_mm, low, high)})"
    return _both(factor, partial(amount_range, factor, low, high), shown)


def part_of(share: float, whole: str) -> str:
    """Share of an area in words.

    >>> part_of(1.0, "this plane"), part_of(0.0, "it"), part_of(0.42, "it")
    ('all of this plane', 'none of it', '42 % of it')
    """
    if share in (0.0, 1.0):
        return f"{'all' if share else 'none'} of {whole}"
    return f"{percent(share)} of {whole}"


def held(name: str, value: float | str, shown: Shown = METRIC) -> tuple[str, str]:
    """Label and value of a setting held constant; a known name brings its words and unit."""
    known = KNOWN_FACTORS.get(name)
    label = known.label if known else name.replace("_", " ")
    if isinstance(value, str):
        return label, value
    if known is None:
        return label, f"{value:g}"
    return label, show(value, known.unit, shown, digits=3) if known.unit == "bar" else show_both(
        value, known.unit, shown
    )


# How a move reads: (lower, higher). Times are longer or shorter, temperatures hotter or cooler.
_MOVES = {
    "degC": ("cooler", "hotter"),
    "s": ("shorter", "longer"),
    "bar": ("lower", "higher"),
    "m/min": ("slower", "faster"),
    "mm": ("smaller", "larger"),
}
# What a customer sees beyond the edge; which side it is stays with the model.
_BEYOND = {
    "under": "prints start to peel, shed or wash off (too little heat)",
    "over": "film starts to stick, ink to boil or the print to stiffen (too much heat)",
}


def move(factor: Factor, direction: str) -> str:
    """Word for a move of one factor.

    >>> from doe.domain.factors import usual_factor
    >>> move(usual_factor("dwell"), "lower"), move(usual_factor("cure_temp"), "higher")
    ('shorter', 'hotter')
    """
    lower, higher = _MOVES.get(factor.unit, ("less", "more"))
    return lower if direction == "lower" else higher


def beyond(side: str) -> str:
    """What is seen beyond a cliff of that side, as the end of a sentence."""
    return _BEYOND.get(side, "prints start to fail")


def errors_away(setting_errors: float) -> str:
    """How far a cliff is, in setting errors, in words.

    >>> errors_away(1.4), errors_away(0.2)
    ('1.4 setting errors away', 'less than half a setting error away')
    """
    if not math.isfinite(setting_errors):
        return "no setting error is known for it"
    if setting_errors < 0.5:
        return "less than half a setting error away"
    return f"{fixed(setting_errors, 1)} setting errors away"


Day = TypeVar("Day", bound=datetime.date)


def local(when: datetime.datetime) -> datetime.datetime:
    """A stored time on the reader's clock."""
    return when.astimezone()


def day(when: datetime.date) -> str:
    """A day; that of a stored time is the reader's, so that an act reads the same everywhere.

    >>> day(datetime.date(2031, 3, 4)), day(datetime.datetime(2031, 3, 4, 15, 7))
    ('4 March 2031', '4 March 2031')
    """
    here = _here(when)
    return f"{here.day} {here:%B %Y}"


def date_and_time(when: datetime.datetime) -> str:
    """Date and time that no reader takes for another.

    >>> date_and_time(datetime.datetime(2031, 3, 4, 15, 7))
    '4 March 2031, 15:07'
    """
    here = _here(when)
    return f"{here.day} {here:%B %Y, %H:%M}"


def day_and_time(when: datetime.datetime, today: datetime.datetime) -> str:
    """A moment as people say it: the time alone on this day, else with its day.

    >>> day_and_time(datetime.datetime(2031, 3, 4, 9, 5), datetime.datetime(2031, 3, 4, 16))
    '09:05'
    >>> day_and_time(datetime.datetime(2031, 3, 3, 9, 5), datetime.datetime(2031, 3, 4, 16))
    '3 March, 09:05'
    """
    here, now = _here(when), _here(today)
    return f"{here:%H:%M}" if here.date() == now.date() else f"{here.day} {here:%B, %H:%M}"


def _here(when: Day) -> Day:
    """A time with a zone on the reader's clock; a day, or a time without a zone, as it is."""
    return when.astimezone() if isinstance(when, datetime.datetime) and when.tzinfo is not None else when
