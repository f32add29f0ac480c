"""View-models of the page at the press: one frozen dataclass a page, every word and flag ready."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup


@dataclass(frozen=True)
class Link:
    """A ``text`` that leads to a ``url``; ``more`` says something about it, ``is_here`` marks the open page."""

    text: str
    url: str
    more: str = ""
    is_here: bool = False


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
    title : str
        Title of the browser tab.
    heading, kicker : str
        First heading, and the small line above it.
    who : str
        Name chosen on the device, empty before.
    can_post : bool
        Whether forms are shown: not to people who only look.
    hidden : tuple of Hidden
        Token and mark of the forms of this page.
    links : tuple of Link
        Ways to the other pages.
    said : str
        What was just done.
    undo : Link or None
        Where that can be taken back.
    problems : tuple of str
        What could not be done, and what to do about it.
    saved : str
        Key of what the device kept and need not keep any more.
    hot, fixed_wording, special_goods : str
    cautions : tuple of str
        Standing wording of every page at a machine.
    """

    title: str
    heading: str
    kicker: str
    who: str
    can_post: bool
    hidden: tuple[Hidden, ...]
    links: tuple[Link, ...]
    said: str
    undo: Link | None
    problems: tuple[str, ...]
    saved: str
    hot: str
    cautions: tuple[str, ...]
    fixed_wording: str
    special_goods: str


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
    settle : str
        What to do before this batch; empty within one.
    names : tuple of Link
        The coupons of this step.
    dials : tuple of Dial
    facts : tuple of str
        Kind of round, material, what is unusual.
    timers : tuple of Timer
    waits : tuple of str
        Sentences about waits without a fixed length.
    action, button : str
        Where the form goes, and the words on its button.
    fields : tuple of Hidden
        What it sends.
    """

    title: str
    batch: str
    left: str
    settle: str
    names: tuple[Link, ...]
    dials: tuple[SettingRow, ...]
    facts: tuple[str, ...]
    timers: tuple[Timer, ...]
    waits: tuple[str, ...]
    action: str
    button: str
    fields: tuple[Hidden, ...]


@dataclass(frozen=True)
class DeskPage:
    """Where a device begins: ``frame``; ``studies`` to work on; ``nothing`` says what to do when there are none."""

    frame: Frame
    studies: tuple[Link, ...]
    nothing: str


@dataclass(frozen=True)
class PairPage:
    """Letting a device in: ``frame``, ``following`` is where it wanted to go, ``again`` a link for a paired device."""

    frame: Frame
    following: str
    again: str


@dataclass(frozen=True)
class NamePage:
    """Who scores on this device: ``frame``, ``following``, names to choose from (``people``), the ``typed`` one."""

    frame: Frame
    following: str
    people: tuple[str, ...]
    typed: str


@dataclass(frozen=True)
class MachinesPage:
    """A study at the machines.

    Attributes
    ----------
    frame : Frame
    news, version : str
        Where an open page asks whether something else is next, and what it shows now.
    stack_line : str
    kinds : tuple of str
        What rounds are for that are no search for settings.
    cards : tuple of Card
        Next at oven and press.
    rest : str
        What is left when nothing waits at the machines.
    to_score : tuple of Link
    none_to_score : str
    done, total : int
        Coupons with a result or void, and all.
    progress : tuple of str
        How far it has come, what is left at the machines.
    drift : tuple of str
        What the repeated centre coupons say.
    wash : Link or None
        The wash queue.
    displays : tuple of str
        What to be careful about in displays and gauge readings.
    more : tuple of Link
    """

    frame: Frame
    news: str
    version: str
    stack_line: str
    kinds: tuple[str, ...]
    cards: tuple[Card, ...]
    rest: str
    to_score: tuple[Link, ...]
    none_to_score: str
    done: int
    total: int
    progress: tuple[str, ...]
    drift: tuple[str, ...]
    wash: Link | None
    displays: tuple[str, ...]
    more: tuple[Link, ...]


@dataclass(frozen=True)
class ListPage:
    """A list of coupons: ``frame``, ``intro`` sentences, ``groups`` of links with their headings, ``nothing``."""

    frame: Frame
    intro: tuple[str, ...]
    groups: tuple[Group, ...]
    nothing: str


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
    is_on: bool


@dataclass(frozen=True)
class CheckRow:
    """A check: form ``field``, ``name``, what it means (``label``), the ``choices``, and what is ``stored``."""

    field: str
    name: str
    label: str
    choices: tuple[Choice, ...]
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
    action : str
    draft : str
        Key under which the device keeps what is typed.
    is_typed : bool
        Whether it shows what was typed rather than a fresh form.
    now, later : tuple of CheckRow
        Checks at the press, and after washes.
    later_open : bool
        Whether the checks after washes are due.
    symptoms, more_symptoms : tuple of SymptomBox
    more_open : bool
        Whether one of the rarer symptoms is ticked.
    stored_symptoms : str
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
    void_open : bool
    """

    action: str
    draft: str
    is_typed: bool
    now: tuple[CheckRow, ...]
    later: tuple[CheckRow, ...]
    later_open: bool
    symptoms: tuple[SymptomBox, ...]
    more_symptoms: tuple[SymptomBox, ...]
    more_open: bool
    stored_symptoms: str
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
    void_open: bool


@dataclass(frozen=True)
class PhotoView:
    """A photo: its ``url``, and what it shows by whom (``words``)."""

    url: str
    words: str


@dataclass(frozen=True)
class CouponPage:
    """One coupon.

    Attributes
    ----------
    frame : Frame
    facts : tuple of str
    settings : tuple of Dial
    void : str
        Why it does not count.
    form : ScoreForm or None
        None where nothing can be scored.
    photos : tuple of PhotoView
    photo_action : str
    photo_rule : str
    undo : str
        Address where something can be taken back; empty when there is nothing.
    wrong : str
        Address of the diagnosis; empty for a coupon without a symptom.
    """

    frame: Frame
    facts: tuple[str, ...]
    settings: tuple[SettingRow, ...]
    void: str
    form: ScoreForm | None
    photos: tuple[PhotoView, ...]
    photo_action: str
    photo_rule: str
    undo: str
    wrong: str


@dataclass(frozen=True)
class DifferenceRow:
    """Two values for one field: ``name``, ``stored`` by whom, ``given`` now, and the ``field`` of the choice."""

    field: str
    name: str
    stored: str
    given: str


@dataclass(frozen=True)
class DifferPage:
    """Asking about a correction: ``frame``, ``intro``, the ``rows``, ``fields`` sent again, ``reasons``, ``action``.

    ``back`` leads to the coupon without storing anything; ``why`` is the reason typed so far.
    """

    frame: Frame
    intro: str
    rows: tuple[DifferenceRow, ...]
    fields: tuple[Hidden, ...]
    reasons: tuple[str, ...]
    why: str
    action: str
    back: str


@dataclass(frozen=True)
class UndoPage:
    """Taking back: ``frame``, stored ``items``, ``reasons``, ``why`` typed so far, ``action``, ``history``."""

    frame: Frame
    items: tuple[Choice, ...]
    reasons: tuple[str, ...]
    why: str
    action: str
    history: tuple[str, ...]


@dataclass(frozen=True)
class HintPage:
    """An early look: ``frame``, the ``label`` that it is no verdict, ``lines``, ``rows`` a setting, ``is_waiting``."""

    frame: Frame
    label: str
    lines: tuple[str, ...]
    rows: tuple[SettingRow, ...]
    is_waiting: bool


@dataclass(frozen=True)
class CauseRow:
    """What may be wrong: its ``text``, how likely in words (``chance``), and the percentage as ``number``."""

    text: str
    chance: str
    number: str


@dataclass(frozen=True)
class LookRow:
    """A check to make: ``words``, and ``outcomes`` to choose from."""

    words: str
    outcomes: tuple[Link, ...]


@dataclass(frozen=True)
class WrongPage:
    """A diagnosis.

    Attributes
    ----------
    frame : Frame
    intro : str
        What a coupon of a plan is, before anything is blamed.
    headline : str
    stop : bool
        Whether the first advice is to stop pressing.
    advice : tuple of str
    causes : tuple of Cause
    reasons : tuple of str
    looks : tuple of Look
        Checks to make, the one that tells most per minute first.
    found : tuple of str
        Checks made so far.
    again : str
        Address without any check made; empty when none was.
    closing : str
        Where the odds come from.
    turned_out : tuple of Choice
        What it may be kept as.
    action : str
    fields : tuple of Hidden
        The checks made, sent along.
    """

    frame: Frame
    intro: str
    headline: str
    stop: bool
    advice: tuple[str, ...]
    causes: tuple[CauseRow, ...]
    reasons: tuple[str, ...]
    looks: tuple[LookRow, ...]
    found: tuple[str, ...]
    again: str
    closing: str
    turned_out: tuple[Choice, ...]
    action: str
    fields: tuple[Hidden, ...]


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
class PointsRow:
    """What points are made of: ``words`` and ``points``."""

    words: str
    points: str


@dataclass(frozen=True)
class DrillPage:
    """An exercise, before its start, under way, or over.

    Attributes
    ----------
    frame : Frame
    brief : tuple of str
        The task; empty before its start.
    is_new : bool
        Whether nothing was answered yet.
    turns : tuple of TurnView
        The steps so far, the last one first.
    question, form : str
        What is asked now, and how to answer.
    choices : tuple of str
        Words to choose from.
    step : str
        Number of this step, so that an answer sent twice counts once.
    action : str
    typed : str
        An answer that was refused, to be corrected.
    start : str
        Words of the button that starts it; empty while it is under way.
    score : str
        How it went, in a sentence; empty before its end.
    parts : tuple of Part
    truth : tuple of str
        What was really so.
    head : tuple of str
        Headings of the settings side by side.
    lines : tuple of tuple of str
        Their rows.
    pictures : tuple of Link
        The truth as pictures.
    """

    frame: Frame
    brief: tuple[str, ...]
    is_new: bool
    turns: tuple[TurnView, ...]
    question: str
    form: str
    choices: tuple[str, ...]
    step: str
    action: str
    typed: str
    start: str
    score: str
    parts: tuple[PointsRow, ...]
    truth: tuple[str, ...]
    head: tuple[str, ...]
    lines: tuple[tuple[str, ...], ...]
    pictures: tuple[Link, ...]


@dataclass(frozen=True)
class MorePage:
    """Other things: ``frame``, the ``viewer`` link, its ``viewer_code``, ``notes``, and ``tools``."""

    frame: Frame
    viewer: str
    viewer_code: Markup | None
    notes: tuple[str, ...]
    tools: tuple[Tool, ...]


@dataclass(frozen=True)
class Tool:
    """A button of its own: ``words`` beside it, its ``button``, the ``action``; ``posts`` says how (``method``)."""

    words: str
    button: str
    action: str
    posts: bool = True

    @property
    def method(self) -> str:
        """How its form is sent."""
        return "post" if self.posts else "get"


@dataclass(frozen=True)
class PlainPage:
    """A page that says something: ``frame``, ``lines``, ``ways`` to go on."""

    frame: Frame
    lines: tuple[str, ...]
    ways: tuple[Link, ...]
