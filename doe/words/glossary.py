"""The words of reports and practice, each explained in one paragraph in shop language."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches

from doe.domain.errors import InputError


@dataclass(frozen=True)
class Word:
    """One word with its explanation.

    Parameters
    ----------
    name : str
        As reports write it.
    text : str
        One paragraph.
    also : tuple of str
        Other names for the same thing.
    see : tuple of str
        Names of words that belong to it.
    """

    name: str
    text: str
    also: tuple[str, ...] = ()
    see: tuple[str, ...] = ()


GLOSSARY: tuple[Word, ...] = (
    Word(
        "alias",
        "In a small plan two effects may share the same coupons, like two people always on the same shift: "
        "when the shift goes well you cannot say who did it. The plan lists these pairs before you make a "
        "coupon; more coupons split them.",
        ("aliased", "confounded", "confounding"),
        ("fraction", "resolution"),
    ),
    Word(
        "assurance",
        "How often a careful statement may be trusted. With 90 % assurance, of ten such statements about ten "
        "stacks one may be too good. It is not the pass rate: it says how sure we are about it.",
        ("confidence",),
        ("lower bound",),
    ),
    Word(
        "batch",
        "Coupons made at one setting of the oven or the press without touching the dial in between. They "
        "share that setting's error, so ten coupons of one batch tell less than ten that were each set anew.",
        ("cure batch", "press batch", "batch error"),
        ("setting error", "strip plot"),
    ),
    Word(
        "block",
        "Coupons made under the same conditions: a day, a garment, a round. Differences between blocks are "
        "kept apart, so that a damp Tuesday is not taken for the effect of a dial.",
        ("round",),
        ("garment",),
    ),
    Word(
        "centre coupon",
        "A coupon at the middle of every range, repeated. It shows how much coupons differ when nothing was "
        "changed, whether the day drifted, and whether the middle is better than the corners promise.",
        ("centre point",),
        ("curvature", "drift"),
    ),
    Word(
        "cliff",
        "Where a small move of one dial makes many prints fail. A good setpoint stands away from the cliffs, "
        "not at the edge with the best single coupon.",
        (),
        ("setpoint", "setting error"),
    ),
    Word(
        "confirmation run",
        "Coupons made at the setpoint and at the worst corners of the window, counted by a rule fixed "
        "beforehand. A setpoint becomes a recipe only when it is accepted.",
        ("confirmation",),
        ("window",),
    ),
    Word(
        "coupon",
        "One small test transfer, made and scored like a real print. It is what a plan counts.",
        ("test transfer",),
        ("plan",),
    ),
    Word(
        "curvature",
        "A hill instead of a slope: the middle of the range does better, or worse, than a straight line "
        "between the ends says. Transfers nearly always have a hill in heat: too little fails and too much "
        "fails.",
        (),
        ("centre coupon", "quadratic"),
    ),
    Word(
        "dial setting",
        "What a machine is set to, so that its surface gets the temperature the plan or the recipe means. The gauge "
        "readings of the line tell the difference; it is worked out anew whenever something is printed. Without "
        "readings the dial is taken for the surface, with a caution.",
        ("dial", "display"),
        ("gauge", "surface temperature"),
    ),
    Word(
        "drift",
        "Something that creeps through the day: a platen that warms up, powder that gets damp. Coupons in a "
        "random order with repeats at start and end keep it from looking like the effect of a dial.",
        (),
        ("random order",),
    ),
    Word(
        "effect",
        "What happens to the result when one dial goes from its low end to its high end, averaged over where "
        "the others stand. An effect smaller than its interval may be chance.",
        ("main effect",),
        ("interaction", "interval"),
    ),
    Word(
        "expected pass rate",
        "Of 100 prints made at this setting, with the machines wandering as they do, how many we expect to "
        "meet every check. It is our best guess; the truth may lie above it or below.",
        ("pass rate", "expected"),
        ("lower bound", "setting error"),
    ),
    Word(
        "factor",
        "One setting that a study varies over a range: cure temperature, cure time, press temperature, dwell ...",
        ("setting",),
        ("level", "range"),
    ),
    Word(
        "factorial plan",
        "Every dial is moved together with every other one, so each coupon tells about all of them at once, "
        "and you see when one dial changes what another does. Moving one dial at a time misses that, and "
        "needs more coupons for less.",
        ("factorial",),
        ("interaction", "one setting at a time"),
    ),
    Word(
        "fit",
        "Laying smooth surfaces through scored coupons, so that settings nobody tried can be judged. With few"
        " coupons many surfaces fit about as well; the report shows how far they disagree.",
        ("model", "surface"),
        ("interval", "posterior"),
    ),
    Word(
        "fraction",
        "A factorial plan with only a chosen part of its corners: half the coupons, but some effects can no "
        "longer be told apart.",
        ("half fraction", "fractional factorial"),
        ("alias",),
    ),
    Word(
        "garment",
        "The blank a coupon is pressed on. Coupons on one blank share its cloth, so they are not quite "
        "separate tests; spread them over several.",
        (),
        ("block",),
    ),
    Word(
        "gauge",
        "A thermometer that is not the machine's own display. Displays may be ten degrees off and still look "
        "sure of themselves; measure before you move a dial.",
        (),
        ("dial setting", "setting error"),
    ),
    Word(
        "hand-feel",
        "How soft the print feels, 1 stiff to 5 soft, against two kept reference coupons. Coupons that did "
        "not transfer have none: there is nothing to feel, and they are not counted as soft or stiff.",
        ("hand",),
        ("scorer",),
    ),
    Word(
        "interaction",
        "When what one dial does depends on where another stands: a longer dwell helps on a cool platen and "
        "scorches on a hot one.",
        (),
        ("factorial plan",),
    ),
    Word(
        "interval",
        "From where to where the true value may well lie. A wide one says: make more coupons before you "
        "believe this number.",
        ("confidence interval", "range of the estimate"),
        ("assurance", "lower bound"),
    ),
    Word(
        "kappa",
        "How far two people agree on pass and fail beyond what luck would give: 1 is always, 0 no more than by "
        "chance. Both must have judged the same coupons, good and bad ones mixed, without knowing the other's word.",
        ("agreement",),
        (),
    ),
    Word(
        "lack of fit",
        "A sign that the surface has the wrong shape: it misses coupons by more than repeats of the same "
        "setting differ among themselves.",
        (),
        ("replicate",),
    ),
    Word(
        "level",
        "One of the values of a factor that a plan uses, such as 140 and 170 °C (284 and 338 °F).",
        (),
        ("factor",),
    ),
    Word(
        "lower bound",
        "A careful pass rate: with the stated assurance the true one is at least this. Promise the lower "
        "bound, not the expected pass rate.",
        ("at least", "lower limit"),
        ("assurance", "expected pass rate"),
    ),
    Word(
        "margin",
        "In a comparison: the drop of the pass rate, or the difference of hand-feel, that would do no harm. It is "
        "chosen before the first coupon. A drop smaller than it may go unseen, even when the verdict is that the same "
        "recipe holds.",
        (),
        ("non-inferior",),
    ),
    Word(
        "non-inferior",
        "Not worse by more than a margin fixed beforehand. It is what a new blank must show against the "
        "recipe; 'no difference seen' in three coupons shows nothing.",
        ("non-inferiority", "equivalence"),
        ("qualify a blank",),
    ),
    Word(
        "one setting at a time",
        "Moving one dial while the others stay, keep the best, then the next dial. It feels tidy, but it "
        "misses how dials work together and often stops beside a cliff. A factorial plan with the same "
        "coupons finds the target about twice as often on simulated lines.",
        ("one factor at a time",),
        ("factorial plan", "interaction"),
    ),
    Word(
        "optimal plan",
        "A plan picked by computer so that the coupons you can afford tell most, also when some corners must "
        "not be made.",
        ("optimal",),
        ("plan",),
    ),
    Word(
        "over",
        "The side of too much heat: film that will not let go, boiled ink, scorch, a glassy back, dye that moves.",
        ("too much heat",),
        ("side", "under"),
    ),
    Word(
        "p-value",
        "How often chance alone would give a result at least this striking, if the dial did nothing. Small "
        "means: chance is a poor excuse. It does not say how large the effect is, nor that it matters.",
        (),
        ("effect", "interval"),
    ),
    Word(
        "plan",
        "Which coupons to make, at which settings and in which order, chosen before the first one so that the"
        " results can be told apart.",
        ("design", "test plan"),
        ("coupon", "random order"),
    ),
    Word(
        "posterior",
        "Everything the coupons leave possible, with how likely each possibility is. The report counts "
        "through it instead of trusting one best curve.",
        ("posterior draws", "bayesian"),
        ("fit", "prior"),
    ),
    Word(
        "power",
        "How likely the plan is to notice an effect of a given size. With little power, 'nothing seen' means "
        "'not looked hard enough'.",
        (),
        ("effect",),
    ),
    Word(
        "prior",
        "What is believed before the first coupon: how such windows usually look. With few coupons it still "
        "speaks; the report says when the answer rests mostly on it.",
        (),
        ("posterior",),
    ),
    Word(
        "prior knowledge",
        "Coupons of an earlier study that count in a new one, each for less than one coupon: the discount. At 0 they "
        "are left out. Every answer says what it would be without them.",
        ("discount",),
        ("prior", "retune"),
    ),
    Word(
        "quadratic",
        "A curve with one bend: up and then down. It is the simplest shape that can have a best place in the middle.",
        ("second order",),
        ("curvature",),
    ),
    Word(
        "qualify a blank",
        "Showing that a released recipe also holds on a new garment, with few coupons at the setpoint and at "
        "the edges of the window, instead of tuning from the start.",
        ("blank",),
        ("non-inferior", "confirmation run"),
    ),
    Word(
        "random order",
        "Drawing lots for the order of coupons, so that what changes by itself during the day falls on all "
        "settings alike. Temperatures are slow, so the order is random within batches.",
        ("randomization", "randomisation"),
        ("drift", "batch"),
    ),
    Word(
        "range",
        "From the lowest to the highest setting tested. Nothing is said about settings outside it, and "
        "nothing outside the data sheets' limits is ever tested.",
        ("tested region",),
        ("factor",),
    ),
    Word(
        "recipe",
        "A released setpoint with its window and handling steps, with a number and a date.",
        (),
        ("setpoint", "window"),
    ),
    Word(
        "replicate",
        "A coupon made again from the start at the same settings. Scoring the same coupon twice is not a "
        "replicate: it shows the scorer, not the process.",
        ("repeat",),
        ("lack of fit",),
    ),
    Word(
        "resolution",
        "How mixed up the effects of a small plan are, as a number: at III single dials hide behind pairs, at"
        " IV pairs behind pairs, at V both come out clean.",
        (),
        ("alias", "fraction"),
    ),
    Word(
        "response",
        "What is scored on a coupon: passed or failed, which side, hand-feel.",
        (),
        ("coupon",),
    ),
    Word(
        "retune",
        "Finding settings of its own for a material on which a recipe does not hold: a new study around the recipe's "
        "setpoint, helped by what is known of the old material.",
        ("retuning",),
        ("qualify a blank", "prior knowledge"),
    ),
    Word(
        "robust",
        "Keeps passing when the machines are a few degrees or seconds off. The robust pass rate is averaged "
        "over that wander; a single lucky coupon is not robust.",
        ("robust setpoint",),
        ("setting error", "setpoint"),
    ),
    Word(
        "scorer",
        "Whoever judges the coupons. Two people who differ by half a point on the same coupons are normal; "
        "shuffle and hide the settings so that nobody scores what they hope for.",
        ("rater",),
        ("hand-feel",),
    ),
    Word(
        "separation",
        "When every coupon on one side passed and every one on the other failed. Plain formulas then run off "
        "to infinity; the report says so and uses a bounded method.",
        (),
        ("fit",),
    ),
    Word(
        "setpoint",
        "The place where prints keep passing when the machines are a few degrees or seconds off. One coupon "
        "that came out well may have been lucky, or stand at the edge of a cliff, so the setpoint is not "
        "simply the best coupon.",
        (),
        ("cliff", "window", "robust"),
    ),
    Word(
        "setting error",
        "The display is not the cloth. Ovens and platens drift, a cold garment pulls the platen down, a dwell"
        " is started by a hand. How far the real value wanders around the dial is the setting error; two "
        "times in three it is within one standard deviation.",
        ("setting sd",),
        ("standard deviation", "gauge"),
    ),
    Word(
        "side",
        "Which way a coupon failed: under is too little heat, over is too much, other is powder, moisture or "
        "handling. It says which way to look, so name the symptom of every failure.",
        (),
        ("under", "over"),
    ),
    Word(
        "standard deviation",
        "How far values usually lie from their middle: about two in three lie within one standard deviation, "
        "nineteen in twenty within two.",
        ("sd", "spread"),
        ("setting error",),
    ),
    Word(
        "standard error",
        "How far an estimate would wander if the whole test were made again. It shrinks with more coupons; "
        "the standard deviation of the coupons does not.",
        (),
        ("interval", "standard deviation"),
    ),
    Word(
        "strip plot",
        "Films are cured in batches, then sorted into press batches: two machines, two queues. Oven and press"
        " settings are each known less well than the number of coupons suggests, and the fit allows for it.",
        ("split plot",),
        ("batch",),
    ),
    Word(
        "surface temperature",
        "What the film or the cloth gets, measured with a gauge on the surface. Plans, setpoints and windows are "
        "surface temperatures: they stay right when a display drifts, and can be carried to another line.",
        ("bond line",),
        ("dial setting", "gauge"),
    ),
    Word(
        "target",
        "The share of prints that must meet every check, and the hand-feel wanted, fixed before the first coupon.",
        ("spec",),
        ("expected pass rate",),
    ),
    Word(
        "trial error",
        "The setting error while the coupons of a trial are made, where more care is taken than in a shift. It is "
        "taken out of the coupons, and production's is put into the answer, so that neither counts twice.",
        (),
        ("setting error",),
    ),
    Word(
        "under",
        "The side of too little heat: a grainy back, parts that stay on the film, edges that lift, colour "
        "that washes off.",
        ("too little heat",),
        ("side", "over"),
    ),
    Word(
        "verdict",
        "Ready: good enough to spend confirmation coupons on, not a release. More coupons: the ones made do "
        "not settle it. Not reachable: no tested setting meets the target, so change the range, the stack or "
        "the target.",
        ("ready", "more coupons", "not reachable"),
        ("confirmation run",),
    ),
    Word(
        "window",
        "The box of settings around the setpoint in which the target holds. The expected window is what we "
        "expect, and we may be wrong about it. The assured window is a smaller box in which even a cautious "
        "reading of the coupons holds; with 20 to 28 coupons there is usually none. Train and plan with the "
        "first, promise only the second.",
        ("expected window", "assured window"),
        ("lower bound", "setpoint"),
    ),
)
"""Every word, by name."""

_BY_NAME = {name.lower(): word for word in GLOSSARY for name in (word.name, *word.also)}


def explain(name: str) -> Word:
    """Word by its name or another name for it; case, a plural s, and - or _ for blanks do not matter.

    >>> explain("Lower-bounds").name
    'lower bound'

    Raises
    ------
    InputError
        If it is not in the list; close ones are offered.
    """
    plain = " ".join(name.lower().replace("_", " ").split())
    for form in (plain, plain.replace("-", " ")):
        for candidate in (form, form.removesuffix("s")):
            if candidate in _BY_NAME:
                return _BY_NAME[candidate]
    close = get_close_matches(plain, _BY_NAME, n=5, cutoff=0.5)
    remedy = "See doe explain for the whole list."
    raise InputError("word", repr(name), ", ".join(close) if close else "a word of the list", remedy)
