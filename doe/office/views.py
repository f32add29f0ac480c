"""View-models of the pages for the whole job: one frozen dataclass a page, every word and flag ready."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from doe.bench.views import Choice, Frame, Hidden, Link, SettingRow, SymptomBox
from reports.views import StudyDrawings


@dataclass(frozen=True)
class Option:
    """One of several to choose: the ``value`` that is sent, its ``text``, ``more`` about it, whether it ``is_on``."""

    value: str
    text: str
    more: str = ""
    is_on: bool = False


@dataclass(frozen=True)
class Field:
    """One thing asked in a form.

    Attributes
    ----------
    name, label : str
    value : str
        What was typed already, or the usual.
    is_heading, is_tick, is_on : bool
        Whether it is no field but a heading between fields; whether it is ticked or not, and ticked now.
    hint : str
        Why it is asked, or what is allowed.
    problem : str
        What was wrong with what was typed.
    options : tuple of Option
    drawing : Markup or str
        A drawing under it; empty without one.
    accepts : str
        Endings of the files that it takes; empty where it takes no file.
    is_list : bool
        Whether its options are a list to open, being many.
    is_secret : bool
        Whether what is typed is not shown.
    is_half : bool
        Whether it shares its row with the next one.
    """

    name: str
    label: str
    value: str = ""
    hint: str = ""
    problem: str = ""
    options: tuple[Option, ...] = ()
    drawing: Markup | str = ""
    accepts: str = ""
    is_list: bool = False
    is_secret: bool = False
    is_half: bool = False
    is_heading: bool = False
    is_tick: bool = False
    is_on: bool = False


@dataclass(frozen=True)
class Form:
    """What a page asks: ``title``, ``intro`` sentences, ``fields``, words on its ``button``, the ``action`` it goes to.

    ``more_hidden`` is sent along; ``is_quiet`` says that it is no main act of the page, ``takes_file`` that a file is
    sent with it, ``is_folded`` that it stands in a fold of its title, ``is_open`` that its fold is open.
    ``more_fields`` stand behind a fold of the title ``more_title``, which is open while ``more_open``.
    """

    title: str
    action: str
    button: str
    intro: tuple[str, ...] = ()
    fields: tuple[Field, ...] = ()
    more_hidden: tuple[Hidden, ...] = ()
    is_quiet: bool = False
    more_title: str = ""
    more_fields: tuple[Field, ...] = ()
    more_open: bool = False
    takes_file: bool = False
    is_folded: bool = False
    is_open: bool = False


@dataclass(frozen=True)
class Task:
    """Something that waits: of what (``text``), its page (``url``), how it stands (``said``, ``style``), what to do.

    ``style`` is that of its frame; ``act`` what to do next.
    """

    text: str
    said: str
    style: str
    url: str
    act: Link


@dataclass(frozen=True)
class TodayPage:
    """Where the day begins.

    Attributes
    ----------
    frame : Frame
    asked : str
        What was searched for.
    tasks : tuple of Task
        Studies and recipes that wait for somebody.
    due : tuple of Link
        What waits with a day to it, what is due first at the top.
    cases : tuple of Link
        Prints that failed, whose case is not closed yet.
    quiet : tuple of Link
        Studies that wait for nothing.
    recipes : tuple of Link
        Recipes in force.
    drafts : tuple of Link
        Questions begun and not finished.
    starts : tuple of Link
        What can be begun.
    is_empty : bool
        Whether nothing is in the book yet.
    """

    frame: Frame
    asked: str
    tasks: tuple[Task, ...]
    due: tuple[Link, ...]
    cases: tuple[Link, ...]
    quiet: tuple[Link, ...]
    recipes: tuple[Link, ...]
    drafts: tuple[Link, ...]
    starts: tuple[Link, ...]
    is_empty: bool


@dataclass(frozen=True)
class Working:
    """What is worked out beside a page: its ``heading``, how far it is (``lines``), the page it stands on (``here``).

    ``goes_on``: the page looks again by itself.
    """

    heading: str
    lines: tuple[str, ...]
    here: str
    goes_on: bool = False


@dataclass(frozen=True)
class SmallTable:
    """A table between lines: its ``caption``, ``head`` and ``rows`` of finished texts, a ``note`` on how it is read."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str


@dataclass(frozen=True)
class AskPage:
    """A page that asks: ``frame``, its ``heading``, ``lines`` above, the ``forms``, and ``ways`` to go elsewhere.

    ``tables`` stand between the lines and the forms; ``working`` takes their place while they are worked out.
    """

    frame: Frame
    heading: str
    lines: tuple[str, ...]
    forms: tuple[Form, ...]
    ways: tuple[Link, ...] = ()
    tables: tuple[SmallTable, ...] = ()
    working: Working | None = None


@dataclass(frozen=True)
class Mile:
    """A part of the way from question to recipe: its ``text``, what there is of it (``more``).

    ``is_done``: it is behind; ``is_now``: it is what comes next.
    """

    text: str
    more: str
    is_done: bool
    is_now: bool


@dataclass(frozen=True)
class Fold:
    """What stands behind a fold: its ``title`` and ``lines``."""

    title: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class JobPage:
    """One study, from its question to its recipe.

    Attributes
    ----------
    frame : Frame
    standing, meaning, style : str
        What is known, what that means, and the style of its frame.
    miles : tuple of Mile
        How far it has come.
    settings : tuple of SettingRow
        What to dial in by the present answer; empty without one.
    answer : tuple of str
        What the answer says, in sentences.
    acts : tuple of Link
        What comes next where that is another page.
    forms : tuple of Form
        What comes next where something is asked first.
    papers : tuple of Link
        Files and pages to print.
    folds : tuple of Fold
        The question, its limits.
    undoing : str
        What the fold over ``undo`` is called.
    undo : tuple of Form
        What takes back what was a mistake.
    undo_open : bool
        Whether that fold is open, as something in it was wrong.
    working : Working or None
        What comes next while it is worked out.
    drawn : StudyDrawings or None
        Room strips and maps of the answer.
    drawing : Working or None
        How far they are while they are not there yet; a part of the page that comes in by itself.
    """

    frame: Frame
    standing: str
    meaning: str
    style: str
    miles: tuple[Mile, ...]
    settings: tuple[SettingRow, ...]
    answer: tuple[str, ...]
    acts: tuple[Link, ...]
    forms: tuple[Form, ...]
    papers: tuple[Link, ...]
    folds: tuple[Fold, ...]
    undoing: str
    undo: tuple[Form, ...]
    undo_open: bool
    working: Working | None
    drawn: StudyDrawings | None
    drawing: Working | None


@dataclass(frozen=True)
class RecipePage:
    """One recipe: ``frame``, ``heading``, how it stands, ``settings`` to dial in, ``lines``, ``acts`` and ``forms``.

    ``standing``, ``meaning``, ``style`` are those of what is known of it; ``papers`` are to print. ``days`` says how
    its first articles went, with their ``charts``.
    """

    frame: Frame
    heading: str
    standing: str
    meaning: str
    style: str
    settings: tuple[SettingRow, ...]
    lines: tuple[str, ...]
    acts: tuple[Link, ...]
    forms: tuple[Form, ...]
    papers: tuple[Link, ...]
    days: tuple[str, ...]
    charts: tuple[Markup, ...]


@dataclass(frozen=True)
class WorkingPage:
    """While something is worked out: ``frame``, ``heading``, how far it is (``percent``), where this page is."""

    frame: Frame
    heading: str
    percent: str
    here: str


@dataclass(frozen=True)
class FailsPage:
    """A print fails: ``frame``, ``symptoms`` by pictures and the rarer ones (``more_symptoms``), ``recipes`` to choose.

    ``fields`` asks what the machines are set to; ``open_cases`` wait for their coupon back at the recipe, and are what
    the page is about where it ``is_closing`` one.
    """

    frame: Frame
    symptoms: tuple[SymptomBox, ...]
    more_symptoms: tuple[SymptomBox, ...]
    recipes: Field
    fields: tuple[Field, ...]
    open_cases: tuple[Choice, ...]
    is_closing: bool
