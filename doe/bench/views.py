"""View-models of the page at the press: one frozen dataclass a page, every word and flag ready."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from doe.words.cautions import CAUTIONS, FIXED_WORDING, FOOTER, SPECIAL_GOODS
from reports.views import Picture


@dataclass(frozen=True)
class Link:
    """A ``text`` that leads to a ``url``; ``more`` says something about it."""

    text: str
    url: str
    more: str = ""


@dataclass(frozen=True)
class Hidden:
    """A form field that is sent along: ``name`` and ``value``."""

    name: str
    value: str


@dataclass(frozen=True)
class Frame:
    """What every page shares.

    Attributes
    ----------
    about : str
        Name of the study; empty where the page is about none.
    study : int
        Its number in addresses; 0 without one.
    coupon, at : str
        Name of the coupon the page is about, and its place in addresses; empty without one.
    who : str
        Name chosen on the device, empty before.
    can_post : bool
        Whether forms are shown: not to people who only look.
    hidden : tuple of Hidden
        Token and mark of the forms of this page.
    said : str
        What was just done.
    problems : tuple of str
        What could not be done, and what to do about it.
    saved : str
        Key of what the device kept and need not keep any more.
    names : tuple of str
        Names in the book: no word in them is one of ours.
    is_whole : bool
        Whether the whole job is done here, not only what is done at the press.
    hot, fixed_wording, special_goods : str
    cautions : tuple of str
        Standing wording of every page at a machine.
    """

    who: str
    can_post: bool
    hidden: tuple[Hidden, ...]
    said: str
    problems: tuple[str, ...]
    saved: str
    names: tuple[str, ...]
    about: str = ""
    study: int = 0
    coupon: str = ""
    at: str = ""
    is_whole: bool = False
    hot: str = FOOTER
    cautions: tuple[str, ...] = CAUTIONS
    fixed_wording: str = FIXED_WORDING
    special_goods: str = SPECIAL_GOODS


@dataclass(frozen=True)
class SettingRow:
    """A setting ``name`` with its ``value`` in the reader's unit and the ``other`` one, and what to know (``more``).

    ``is_held`` says that it is the same for every coupon.
    """

    name: str
    value: str
    other: str
    more: str
    is_held: bool = False


@dataclass(frozen=True)
class Timer:
    """A wait: its ``label``, its length as ``words`` and in ``seconds``, and a ``key`` to remember it by."""

    key: str
    label: str
    words: str
    seconds: str


@dataclass(frozen=True)
class Card:
    """What is made next at a machine.

    Attributes
    ----------
    title : str
    batch, left : str
        Which batch it is, and how many more wait.
    names : tuple of Link
        The coupons of this step.
    stop : str
        Why it must not be made; then nothing else of it is shown.
    settle : str
        What to do before this batch; empty within one.
    dials : tuple of SettingRow
    facts : tuple of str
        Kind of round, what is unusual.
    key : tuple of str
        Which coupon is of which material where two are compared, folded away: whoever makes the prints opens it, and a
        screen on which a pair is scored never tells it.
    timers : tuple of Timer
    waits : tuple of str
        Sentences about waits without a fixed length.
    button : str
        Words on the button that notes the step.
    fields : tuple of Hidden
        What it sends.
    """

    title: str
    batch: str
    left: str
    names: tuple[Link, ...]
    stop: str = ""
    settle: str = ""
    dials: tuple[SettingRow, ...] = ()
    facts: tuple[str, ...] = ()
    key: tuple[str, ...] = ()
    timers: tuple[Timer, ...] = ()
    waits: tuple[str, ...] = ()
    button: str = ""
    fields: tuple[Hidden, ...] = ()


@dataclass(frozen=True)
class DeskPage:
    """Where a device begins: ``frame``; ``studies`` to work on."""

    frame: Frame
    studies: tuple[Link, ...]


@dataclass(frozen=True)
class PairPage:
    """Letting a device in: ``frame``, ``following`` is where it wanted to go, ``code`` what came with the address."""

    frame: Frame
    following: str
    code: str = ""


@dataclass(frozen=True)
class NamePage:
    """Who works on this device: ``frame``, ``following``, names to choose from (``people``), the ``typed`` one.

    ``is_signing``: a code is asked for; ``is_first``: nobody is named yet, and who is now may release.
    """

    frame: Frame
    following: str
    people: tuple[Choice, ...]
    typed: str
    is_signing: bool
    is_first: bool


@dataclass(frozen=True)
class MachinesPage:
    """A study at the machines.

    Attributes
    ----------
    frame : Frame
    version : str
        What it shows now; an open page asks whether something else is next.
    stack, line : str
    standing, standing_kind : str
        What is known of the study, and the style of its frame.
    kinds : tuple of str
        What rounds are for that are no search for settings.
    cards : tuple of Card
        Next at oven and press.
    rest : tuple of str
        What is left when nothing waits at the machines.
    to_score : tuple of Link
    unlisted : int
        How many more wait for their scores.
    done, total : int
        Coupons with a result or void, and all.
    progress : tuple of str
        How far it has come, what is left at the machines.
    drift : tuple of str
        What the repeated centre coupons say.
    due, washing : str
        Coupons to be washed today, and in the wash queue; empty where none waits for a wash.
    displays : tuple of str
        What to be careful about in displays and gauge readings.
    hint : str
        What there is of an early look; empty for a study that looks for no settings.
    """

    frame: Frame
    version: str
    stack: str
    line: str
    standing: str
    standing_kind: str
    kinds: tuple[str, ...]
    cards: tuple[Card, ...]
    rest: tuple[str, ...]
    to_score: tuple[Link, ...]
    unlisted: int
    done: int
    total: int
    progress: tuple[str, ...]
    drift: tuple[str, ...]
    due: str
    washing: str
    displays: tuple[str, ...]
    hint: str


@dataclass(frozen=True)
class ListPage:
    """A list of coupons or exercises: ``frame``, ``groups`` of links with their headings."""

    frame: Frame
    groups: tuple[Group, ...]


@dataclass(frozen=True)
class Group:
    """Links ``items`` under a ``heading``."""

    heading: str
    items: tuple[Link, ...]


@dataclass(frozen=True)
class Choice:
    """One button of several: its ``value``, its ``text``, and whether it ``is_on``."""

    value: str
    text: str
    is_on: bool = False


@dataclass(frozen=True)
class CheckRow:
    """A check: form ``field``, ``name``, what it means (``label``), whether ``passed`` or ``failed`` is chosen.

    ``stored`` is what the book says of it.
    """

    field: str
    name: str
    label: str
    passed: bool
    failed: bool
    stored: str


@dataclass(frozen=True)
class SymptomBox:
    """A symptom to tick: ``key``, ``label``, what is ``seen``, its drawing ``svg``, whether it ``is_on``."""

    key: str
    label: str
    seen: str
    svg: Markup
    is_on: bool


@dataclass(frozen=True)
class Measured:
    """A setting that may be measured: ``field``, ``label`` with the unit, what was ``typed``, what is ``stored``."""

    field: str
    label: str
    typed: str
    stored: str


@dataclass(frozen=True)
class ScoreForm:
    """The score form.

    Attributes
    ----------
    draft : str
        Key under which the device keeps what is typed.
    is_typed : bool
        Whether it shows what was typed rather than a fresh form.
    now, later : tuple of CheckRow
        Checks at the press, and after washes.
    later_open : bool
        Whether the checks after washes are due.
    grades : tuple of Choice
        Empty where no grade is asked for and none was given.
    stored_grade : str
    symptoms, more_symptoms : tuple of SymptomBox
    more_open : bool
        Whether one of the rarer symptoms is ticked.
    stored_symptoms : str
    handled_asked : str
        For which symptoms it is asked whether powder and peel were right.
    handled : tuple of Choice
    stored_handled : str
    hands : tuple of Choice
    hand_rule, stored_hands : str
    people : tuple of Choice
        Who felt it.
    other_person : str
        A name typed instead.
    measured : tuple of Measured
    measured_open : bool
    note, stored_note : str
    void : str
    """

    draft: str
    is_typed: bool
    now: tuple[CheckRow, ...]
    later: tuple[CheckRow, ...]
    later_open: bool
    grades: tuple[Choice, ...]
    stored_grade: str
    symptoms: tuple[SymptomBox, ...]
    more_symptoms: tuple[SymptomBox, ...]
    more_open: bool
    stored_symptoms: str
    handled_asked: str
    handled: tuple[Choice, ...]
    stored_handled: str
    hands: tuple[Choice, ...]
    hand_rule: str
    stored_hands: str
    people: tuple[Choice, ...]
    other_person: str
    measured: tuple[Measured, ...]
    measured_open: bool
    note: str
    stored_note: str
    void: str


@dataclass(frozen=True)
class CouponPage:
    """One coupon.

    Attributes
    ----------
    frame : Frame
    round : int
    kind : str
        What its round is for, if it does not look for settings.
    unpressed, uncured : bool
        Whether it is still to be noted as pressed, and as cured.
    settings : tuple of SettingRow
    void : str
        Why it does not count.
    form : ScoreForm or None
        None where nothing can be scored.
    photos : tuple of Link
        Each with what it shows, by whom.
    has_history, has_symptom : bool
        Whether there is something to take back, and something to look into.
    """

    frame: Frame
    round: int
    kind: str
    unpressed: bool
    uncured: bool
    settings: tuple[SettingRow, ...]
    void: str
    form: ScoreForm | None
    photos: tuple[Link, ...]
    has_history: bool
    has_symptom: bool


@dataclass(frozen=True)
class DifferenceRow:
    """Two values for one field: ``name``, ``stored`` by whom, ``given`` now, and the ``field`` of the choice."""

    field: str
    name: str
    stored: str
    given: str


@dataclass(frozen=True)
class DifferPage:
    """Asking about a correction: ``frame``, ``intro``, the ``rows``, ``fields`` sent again; ``why`` typed so far."""

    frame: Frame
    intro: str
    rows: tuple[DifferenceRow, ...]
    fields: tuple[Hidden, ...]
    why: str


@dataclass(frozen=True)
class UndoPage:
    """Taking back: ``frame``, stored ``items``, ``why`` typed so far, ``history``."""

    frame: Frame
    items: tuple[Choice, ...]
    why: str
    history: tuple[str, ...]


@dataclass(frozen=True)
class HintPage:
    """An early look: ``frame``, ``lines``, ``rows`` a setting, ``is_waiting`` for a newer one."""

    frame: Frame
    lines: tuple[str, ...]
    rows: tuple[SettingRow, ...] = ()
    is_waiting: bool = False


@dataclass(frozen=True)
class WrongPage:
    """A diagnosis.

    Attributes
    ----------
    frame : Frame
    kept : str
        What came of a cause kept just now; empty if none was.
    headline : str
    stop : tuple of str
        What comes first of all: machines to stop.
    advice : tuple of str
    causes : tuple of (str, str, str)
        What may be wrong, how likely in words, and its chance.
    reasons : tuple of str
    remedies : tuple of str
        What the catalogue says helps with what is seen, under ``remedies_title``; ``caution`` stands with it.
    looks : tuple of Group
        Checks to make, the one that tells most per minute first, with the outcomes to choose from.
    found : tuple of str
        Checks made so far.
    closing : str
        Where the odds come from.
    turned_out : tuple of Choice
        What it may be kept as.
    fields : tuple of Hidden
        The checks made, sent along.
    title, action, here : str
        Heading; where what it turned out to be is sent; the address without any check.
    back : Link
        Where it came from.
    of_plan : bool
        Whether it is a coupon of a plan, which may fail on purpose.
    """

    frame: Frame
    kept: str
    headline: str
    stop: tuple[str, ...]
    advice: tuple[str, ...]
    causes: tuple[tuple[str, str, str], ...]
    reasons: tuple[str, ...]
    remedies: tuple[str, ...]
    remedies_title: str
    caution: str
    looks: tuple[Group, ...]
    found: tuple[str, ...]
    closing: str
    turned_out: tuple[Choice, ...]
    fields: tuple[Hidden, ...]
    title: str
    action: str
    here: str
    back: Link
    of_plan: bool


@dataclass(frozen=True)
class MadeView:
    """A coupon of an exercise: ``name``, ``settings``, ``seen`` with its drawing ``svg``, ``hand``."""

    name: str
    settings: str
    seen: str
    svg: Markup
    hand: str


@dataclass(frozen=True)
class TurnView:
    """One step of an exercise: what was ``typed``, what came back as ``lines`` and ``coupons``."""

    typed: str
    lines: tuple[str, ...]
    coupons: tuple[MadeView, ...]


@dataclass(frozen=True)
class DrillPage:
    """An exercise, before its start, under way, or over.

    Attributes
    ----------
    frame : Frame
    heading, key : str
        What it is called, on the page and in its address.
    typed : str
        An answer that was refused, to be corrected.
    brief : tuple of str
        The task; empty before its start.
    turns : tuple of TurnView
        The steps so far, the last one first.
    step : str
        Number of this step, so that an answer sent twice counts once.
    question, form : str
        What is asked now, and how to answer.
    choices : tuple of Choice
        Words to choose from.
    namings : tuple of Choice
        Causes that may be named.
    score : str
        How it went; empty before its end.
    parts : tuple of (str, str)
        What its points are made of, with the points.
    truth : tuple of str
        What was really so.
    head : tuple of str
        Headings of the settings side by side.
    lines : tuple of tuple of str
        Their rows.
    pictures : tuple of Picture
        The truth as pictures; before its end, what is to be read.
    """

    frame: Frame
    heading: str
    key: str
    typed: str
    brief: tuple[str, ...] = ()
    turns: tuple[TurnView, ...] = ()
    step: str = ""
    question: str = ""
    form: str = ""
    choices: tuple[Choice, ...] = ()
    namings: tuple[Choice, ...] = ()
    score: str = ""
    parts: tuple[tuple[str, str], ...] = ()
    truth: tuple[str, ...] = ()
    head: tuple[str, ...] = ()
    lines: tuple[tuple[str, ...], ...] = ()
    pictures: tuple[Picture, ...] = ()


@dataclass(frozen=True)
class MorePage:
    """Other things: ``frame``, ``is_local``, the ``viewer`` link for people who only look, its ``viewer_code``.

    ``hours`` says how long that link is good. ``pair_code`` leads a device to the page that lets it in, with the code
    filled in; empty before one is asked for. ``devices`` are the others that are let in: how each is known, and what
    is said of it. ``is_signed``: somebody signed in with a code; ``has_people``: there is a page that says who may do
    what.
    """

    frame: Frame
    is_local: bool
    viewer: str
    viewer_code: Markup | None
    hours: str
    pair_code: Markup | None = None
    devices: tuple[tuple[str, str], ...] = ()
    is_signed: bool = False
    has_people: bool = False


@dataclass(frozen=True)
class ClassPage:
    """Who did which exercise how well: ``frame``, ``head`` and ``lines`` of a table, ``lessons`` set for the class.

    ``exercises`` are to choose from for the next one, ``seed`` the number of its line as it was typed.
    """

    frame: Frame
    head: tuple[str, ...]
    lines: tuple[tuple[str, ...], ...]
    lessons: tuple[str, ...]
    exercises: tuple[Choice, ...]
    seed: str


@dataclass(frozen=True)
class PlainPage:
    """A page that says something: ``frame``, ``heading``, ``lines``; ``pair`` leads to letting the device in.

    ``again`` is an address that it goes on to by itself.
    """

    frame: Frame
    heading: str
    lines: tuple[str, ...]
    pair: str
    again: str = ""
