"""A new study screen by screen, kept at every step: the materials, the machines, the data sheets, the question."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from markupsafe import Markup
from starlette.responses import Response

from doe.acts.gauges.machines import keep_with
from doe.acts.recipe.recipes import recipes_to_list
from doe.acts.study.earlier import USUAL_DISCOUNT, check_discount, studies_to_lend
from doe.acts.study.known import keep_known
from doe.acts.study.limits import known_limits
from doe.acts.study.new import new_study
from doe.bench.views import Hidden, Link
from doe.bench.web import Visit, go, page
from doe.domain.errors import InputError
from doe.domain.factors import DEFAULT_FACTORS, KNOWN_FACTORS, Factor
from doe.domain.gauge import MACHINE_KINDS, MachineKind
from doe.domain.limits import LIMIT_NAMES, Limits
from doe.domain.materials import Band, material_bands, with_what_follows
from doe.domain.spec import Spec
from doe.domain.stack import DEFAULT_OVEN, DEFAULT_PRESS, Line, Material, Stack
from doe.domain.units import SYMBOLS, Shown, parse_number
from doe.office.limits import limit_fields, limit_unit, limits_said
from doe.office.materials import PARTS, fact_fields, read_facts
from doe.office.steps import by_field, lines_of, told, with_problems
from doe.office.views import AskPage, Field, Form, Option
from doe.words import typed
from doe.words.materials import check_notes, proposal_words
from doe.words.study.typed import KnownOptions, StudyOptions
from doe.words.wording import amount
from reports.drawing.scale import range_scale

DRAFT, NEW = "draft", "new"
LIMITS_ASKED = "limits_asked"
"""In a draft, once limits of the data sheets were asked for."""
CARRIED = "from_recipe"
"""In a draft of known settings: the recipe that is carried to another line."""
SHEET = "sheet"
"""In a draft: the name of the file whose coupons the study begins with."""
IS_KNOWN = "known"
"""In a draft: the settings are known, and are to be confirmed without a search."""
COLUMNS = "columns"
"""In such a draft, once it was said what the columns of the file are."""
LIMITED_SETTINGS = ("cure_temp", "cure_time", "press_temp", "dwell", "pressure")
"""Settings that a data sheet limits."""
FURTHER = tuple(name for name in KNOWN_FACTORS if name not in (*DEFAULT_FACTORS, "fabric"))

Said = dict[str, str]


def drafts_of(visit: Visit) -> tuple[Link, ...]:
    """Questions that were begun and are not in the book yet, the newest first."""
    found = visit.bench.shop.page_state().all(DRAFT)
    return tuple(
        Link(said.get("name") or said.get("stack") or told("draft_unnamed"), f"/begin/{key}", told("draft_more"))
        for key, (said, _) in reversed(found.items())
    )


def begin(visit: Visit) -> Response:
    """The first screen of a new study: what is pressed on what."""
    said = {IS_KNOWN: "yes"} if visit.query(IS_KNOWN) else {}
    carried = visit.query("carry") if IS_KNOWN in said else ""
    if carried and (kept := visit.bench.shop.look.recipes(carried)):
        said |= {CARRIED: carried, "stack_chosen": kept[-1].recipe.stack.name}
    return _materials(visit, "", said, {})


def go_on(visit: Visit) -> Response:
    """A study that was begun: the first screen whose answers are missing."""
    key, said = draft(visit)
    step = visit.query("step")
    if SHEET in said and COLUMNS not in said:
        return go(f"/own-sheet/{key}")
    if "stack" not in said or step == "materials":
        return _materials(visit, key, said, {})
    if "line" not in said or step == "machines":
        return _machines(visit, key, said, {})
    if SHEET in said:
        return go(f"/own-question/{key}")
    if IS_KNOWN not in said and (step == "limits" or (LIMITS_ASKED not in said and step != "question")):
        return _limits(visit, key, said, {})
    return _question(visit, key, said, {})


def materials(visit: Visit) -> Response | str:
    """Keep what is pressed on what."""
    key, said = sent(visit)
    chosen = said.get("stack_chosen", NEW)
    problems: dict[str, InputError] = {}
    if chosen == NEW:
        made = _stack(said, visit.bench.shop.shown, problems)
        if made is None:
            return _materials(visit, key, said, problems)
        try:
            with visit.storing() as book:
                book.save_stack(made)
        except InputError as error:
            return _materials(visit, key, said, {"stack_name": error})
        chosen = made.name
    return kept(visit, key, {**_limits_of(said, "stack", chosen), "stack": chosen})


def machines(visit: Visit) -> Response | str:
    """Keep which oven and press."""
    key, said = sent(visit)
    chosen = said.get("line_chosen", NEW)
    if chosen == NEW:
        try:
            made = Line(
                said.get("line_name", ""),
                replace(DEFAULT_OVEN, name=said.get("oven") or DEFAULT_OVEN.name),
                replace(DEFAULT_PRESS, name=said.get("press") or DEFAULT_PRESS.name),
                said.get("gauge", ""),
            )
            with visit.storing() as book:
                for kind in MACHINE_KINDS:
                    of = said.get(f"{kind}_of", NEW)
                    made = made if of == NEW else made.sharing(kind, book.line(of))
                keep_with(book, made, {}, "")
        except InputError as error:
            return _machines(visit, key, said, {"line_name": error})
        chosen = made.name
    return kept(visit, key, {**_limits_of(said, "line", chosen), "line": chosen})


def _limits_of(said: Said, what: str, chosen: str) -> Said:
    """What was typed, without limits that were typed for other materials or machines than those chosen now."""
    if said.get(what, chosen) == chosen:
        return said
    asked = {LIMITS_ASKED, *LIMIT_NAMES, *(f"{name}_source" for name in LIMIT_NAMES)}
    return {name: text for name, text in said.items() if name not in asked}


def limits(visit: Visit) -> Response | str:
    """Keep limits of the data sheets, each with where it stands; an empty one is asked again later."""
    key, said = sent(visit)
    if not said.get("stack"):
        return _materials(visit, key, said, {})
    if not said.get("line"):
        return _machines(visit, key, said, {})
    _, _, problems = limits_said(said, LIMIT_NAMES, None, visit.bench.shop.shown)
    if problems:
        return _limits(visit, key, said, problems)
    return kept(visit, key, {**said, LIMITS_ASKED: "yes"})


def question(visit: Visit) -> Response | str:
    """Store the study; what cannot be read is asked again beside its field."""
    key, said = sent(visit)
    if not said.get("stack"):  # thrown away on another page meanwhile
        return _materials(visit, key, said, {})
    if not said.get("line"):
        return _machines(visit, key, said, {})
    shown = visit.bench.shop.shown
    if IS_KNOWN in said:  # a tick that was taken away is not sent
        return _keep_known(visit, key, {**said, "dial": visit.text("dial")})
    rate, hand, sure, counts = (said.get(name, "") for name in ("pass_rate", "hand_min", "assurance", "discount"))
    problems: dict[str, InputError] = {}

    def read(field: str, act: Callable[[], Any]) -> None:
        try:
            act()
        except InputError as error:
            problems[field] = error

    factors, held = [], []
    for name in (*DEFAULT_FACTORS, *FURTHER):
        text = said.get(name, "")
        if text and _varies(name, text):
            factors.append(f"{name}={text}")
            read(name, lambda text=factors[-1]: typed.factor(text, shown))  # type: ignore[misc] # bound at once
        elif text:
            held.append(f"{name}={text}")
            read(name, lambda text=held[-1]: typed.held([text], shown))  # type: ignore[misc] # bound at once
    read("pass_rate", lambda: typed.spec(rate or None, None, None, ()))
    read("hand_min", lambda: typed.spec(None, hand or "none", None, ()))
    read("assurance", lambda: typed.spec(None, None, sure or None, ()))
    read("discount", lambda: _discount(counts))
    if not said.get("name"):
        read("name", _refuse_nameless)
    if problems:
        return _question(visit, key, said, problems)
    wanted = StudyOptions(
        name=said["name"],
        stack=said["stack"],
        line=said["line"],
        factors=factors,
        hold=held,
        pass_rate=rate or None,
        hand_min=hand or "none",
        assurance=sure or None,
        earlier=said.get("earlier", ""),
        discount=_discount(counts),
        limits=limits_said(said, LIMIT_NAMES, None, shown)[1],
    )
    try:
        with visit.storing() as book:
            made = new_study(book, wanted, shown)
    except InputError as error:
        return _question(visit, key, said, by_field(error, _field_of_question))
    forget(visit, key)
    return f"/study/{made.record.id}"


def _keep_known(visit: Visit, key: str, said: Said) -> Response | str:
    """Store settings that are known; what cannot be read is asked again."""
    wanted = KnownOptions(
        name=said.get("name", ""),
        stack=said["stack"],
        line=said["line"],
        settings=[f"{name}={text}" for name in (*DEFAULT_FACTORS, *FURTHER) if (text := said.get(name, ""))],
        source=said.get("source", ""),
        from_recipe=said.get("from_recipe", ""),
        dial=said.get("dial") == "yes",
        heated=said.get("heated", ""),
        pass_rate=said.get("pass_rate") or None,
        hand_min=said.get("hand_min") or "none",
        assurance=said.get("assurance") or None,
    )
    try:
        if not wanted.name:
            _refuse_nameless()
        with visit.storing() as book:
            made = keep_known(book, wanted, visit.bench.shop.shown)
    except InputError as error:
        return _question(visit, key, said, by_field(error, _field_of_known))
    forget(visit, key)
    return f"/study/{made.id}"


def _field_of_question(problem: InputError) -> str:
    """The field that something wrong with a study as a whole is typed into."""
    first = problem.where.partition(",")[0]
    if problem.where.startswith(("--earlier", "--discount")):
        return problem.where.split()[0].removeprefix("--")
    held = {f"held {known.label}": name for name, known in KNOWN_FACTORS.items()}
    return "name" if first == "study name" else first if first in KNOWN_FACTORS else held.get(first, "")


def _field_of_known(problem: InputError) -> str:
    """The field that something wrong with known settings is typed into; ``""`` where it is about several."""
    first, _, rest = problem.where.partition(" ")
    if first == "--set" and (name := rest.partition("=")[0]) in KNOWN_FACTORS:
        return name
    fields = {"NAME": "name", "--source": "source", "--pass-rate": "pass_rate", "--hand-min": "hand_min"}
    return {**fields, "name": "name", "--assurance": "assurance"}.get(first, "")


def _discount(text: str) -> float | None:
    """What a coupon of an earlier study counts for, as typed; None where nothing was."""
    return check_discount(parse_number(text, "discount")) if text else None


def throw_away(visit: Visit) -> str:
    """Forget a study that was begun; its materials and machines stay in the book."""
    forget(visit, visit.word("draft"))
    return "/"


# what was typed so far


def draft(visit: Visit) -> tuple[str, Said]:
    """The study that was begun and is named in the address, with what was typed so far.

    Raises
    ------
    InputError
        If there is none.
    """
    key = visit.word("draft")
    found = visit.bench.shop.page_state().get(DRAFT, key)
    if found is None:
        raise InputError("study that was begun", "no such", "one on the first page", "It may be in the book already.")
    return key, found[0]


def sent(visit: Visit) -> tuple[str, Said]:
    """The draft with what was just typed."""
    key = visit.text("draft")
    found = visit.bench.shop.page_state().get(DRAFT, key) if key else None
    said: Said = {} if found is None else found[0]
    typed_now = {name: visit.text(name) for name in visit.form if name not in ("token", "mark", "draft")}
    return key, {**said, **typed_now}


def forget(visit: Visit, key: str) -> None:
    """Forget what was typed, and the file it began with."""
    for kind in (DRAFT, SHEET):
        visit.bench.shop.page_state().drop(kind, key)


def kept(visit: Visit, key: str, said: Said) -> str:
    """Keep what was typed; where it goes on."""
    key = key or secrets.token_urlsafe(9)
    visit.bench.shop.page_state().put(DRAFT, key, said, time.time())
    return f"/begin/{key}"


def _varies(name: str, text: str) -> bool:
    """Whether a setting was typed as a range, or as levels, rather than held."""
    if KNOWN_FACTORS[name].levels:
        return "/" in text
    plain = text.replace(" to ", "..").replace("–", "..")
    return ".." in plain or "-" in plain.lstrip("-")


def _refuse_nameless() -> None:
    raise InputError("name", "nothing", "a few words", "Say what is being tuned.")


def _stack(said: Said, shown: Shown, problems: dict[str, InputError]) -> Stack | None:
    made: dict[str, Material] = {}
    for part in PARTS:
        if part == "ink" and not said.get("ink"):
            continue
        try:
            made[part] = Material(
                said.get(part, ""),
                said.get(f"{part}_supplier", ""),
                said.get(f"{part}_lot", ""),
                facts=with_what_follows(part, read_facts(part, said, shown, problems)) or None,
            )
        except InputError as error:
            problems[part] = error
    name = said.get("stack_name") or " + ".join(said.get(part, "") for part in ("powder", "fabric"))
    if problems:
        return None
    dyed = said.get("dyed_polyester") == "yes"
    try:
        return Stack(name, made["fabric"], made["film"], made["powder"], made.get("ink"), dyed)
    except InputError as error:
        problems["stack_name"] = error
        return None


# the screens


def screen(
    visit: Visit,
    step: str,
    form: Form,
    problems: Mapping[str, InputError],
    key: str,
    said: Said,
    lines: Sequence[str] = (),
    more: Sequence[Form] = (),
) -> Response:
    """A screen of a study that is begun: problems beside fields, ``lines`` above them, ``more`` forms below."""
    general = tuple(line for name, error in problems.items() if not name for line in lines_of(error))
    fields, folded = (with_problems(some, problems) for some in (form.fields, form.more_fields))
    is_open = any(field.problem or field.value for field in folded)
    asked = {field.name for field in form.fields}
    sent_along = (name for name in (IS_KNOWN, CARRIED) if name in said and name not in asked)
    hidden = (Hidden("draft", key), *(Hidden(name, said[name]) for name in sent_along))
    forms = [replace(form, fields=fields, more_fields=folded, more_open=is_open, more_hidden=hidden), *more]
    if key:
        forms.append(Form("", f"/forget/{key}", told("draft_forget"), (told("draft_forget_lead"),), is_quiet=True))
    own = ("columns",) if SHEET in said else ()
    limited = () if SHEET in said or IS_KNOWN in said else ("limits",)
    steps = (*own, "materials", "machines", *limited, "question")
    number = steps.index(step)
    ways = tuple(
        Link(told(f"begin_{name}"), f"/own-sheet/{key}" if name == "columns" else f"/begin/{key}?step={name}")
        for name in steps[:number]
    )
    is_known = IS_KNOWN in said and step == "question"
    lead = told("begin_known_lead" if is_known else f"begin_{step}_lead", screen=number + 1, screens=len(steps))
    heading = told("begin_known_heading" if IS_KNOWN in said else "begin_heading")
    view = AskPage(visit.frame(problems=general), heading, (lead, *lines), tuple(forms), ways)
    return page("office_ask.html", view, status=422 if problems else 200)


def _materials(visit: Visit, key: str, said: Said, problems: dict[str, InputError]) -> Response:
    stacks = visit.bench.shop.look.stacks()
    fields = []
    if stacks:
        chosen = said.get("stack_chosen") or said.get("stack") or stacks[0].name
        known = [Option(s.name, s.name, f"{s.fabric}, {s.film}, {s.powder}", s.name == chosen) for s in stacks]
        known.append(Option(NEW, told("stack_new"), "", chosen == NEW))
        fields.append(Field("stack_chosen", told("stack_which"), options=tuple(known)))
        fields.append(Field("", told("stack_new"), is_heading=True, hint=told("stack_new_hint")))
    for part in PARTS:
        fields += [
            Field(part, told(f"part_{part}"), value=said.get(part, ""), hint=told(f"part_{part}_hint")),
            Field(f"{part}_supplier", told("supplier"), value=said.get(f"{part}_supplier", ""), is_half=True),
            Field(f"{part}_lot", told("lot"), value=said.get(f"{part}_lot", ""), is_half=True),
        ]
    fields.append(
        Field(
            "dyed_polyester",
            told("dyed"),
            is_tick=True,
            is_on=said.get("dyed_polyester") == "yes",
            hint=told("dyed_hint"),
        )
    )
    fields.append(
        Field("stack_name", told("stack_name"), value=said.get("stack_name", ""), hint=told("stack_name_hint"))
    )
    form = Form(
        told("begin_materials"),
        "/begin-materials",
        told("onward"),
        fields=tuple(fields),
        more_title=told("facts_title"),
        more_fields=tuple(fact_fields(said)),
    )
    return screen(visit, "materials", form, problems, key, said)


def _machines(visit: Visit, key: str, said: Said, problems: dict[str, InputError]) -> Response:
    lines = visit.bench.shop.look.lines()
    fields = []
    if lines:
        chosen = said.get("line_chosen") or said.get("line") or _usual_line(visit, said, lines)
        known = [Option(x.name, x.name, f"{x.oven.name}, {x.press.name}", x.name == chosen) for x in lines]
        known.append(Option(NEW, told("line_new"), "", chosen == NEW))
        fields.append(Field("line_chosen", told("line_which"), options=tuple(known)))
        fields.append(Field("", told("line_new"), is_heading=True))
    fields += [
        Field("line_name", told("line_name"), value=said.get("line_name", ""), hint=told("line_name_hint")),
        Field("oven", told("oven"), value=said.get("oven", ""), hint=told("oven_hint")),
        *_shared(said, "oven", lines),
        Field("press", told("press"), value=said.get("press", "")),
        *_shared(said, "press", lines),
        Field("gauge", told("gauge"), value=said.get("gauge", ""), hint=told("gauge_hint")),
    ]
    form = Form(told("begin_machines"), "/begin-machines", told("onward"), fields=tuple(fields))
    return screen(visit, "machines", form, problems, key, said)


def _usual_line(visit: Visit, said: Said, lines: Sequence[Line]) -> str:
    """The line that is chosen beforehand; of a recipe that is carried, another one than its own."""
    kept = visit.bench.shop.look.recipes(said[CARRIED]) if said.get(CARRIED) else ()
    own = {found.recipe.line.name for found in kept}
    return next((line.name for line in lines if line.name not in own), NEW)


def _shared(said: Said, kind: MachineKind, lines: Sequence[Line]) -> tuple[Field, ...]:
    """Whether a machine of a new line is one that is there already; nothing is asked where there is none."""
    if not lines:
        return ()
    chosen = said.get(f"{kind}_of", NEW)
    kept = [x for x in lines if x.machine(kind).of is None]
    options = (
        Option(NEW, told("machine_own"), "", chosen == NEW),
        *(Option(x.name, x.machine(kind).name, told("machine_of", line=x.name), chosen == x.name) for x in kept),
    )
    return (Field(f"{kind}_of", told("machine_shared", machine=kind), options=options),)


def _limits(visit: Visit, key: str, said: Said, problems: Mapping[str, InputError]) -> Response:
    shop, shown = visit.bench.shop, visit.bench.shop.shown
    there = known_limits(shop.look, shop.look.stack(said["stack"]), shop.look.line(said["line"]))
    fields: list[Field] = []
    for name, stored in LIMIT_NAMES.items():
        value = getattr(there, stored)
        now = "" if value is None else f"{shown.value(value, limit_unit(stored)):.6g}"
        source = there.sources.get(stored, "")
        fields += limit_fields(name, shown, said.get(name, now), said.get(f"{name}_source", source))
    form = Form(told("begin_limits"), "/begin-limits", told("onward"), fields=tuple(fields))
    return screen(visit, "limits", form, problems, key, said)


def _question(visit: Visit, key: str, said: Said, problems: dict[str, InputError]) -> Response:
    shown, usual = visit.bench.shop.shown, Spec()
    stack = visit.bench.shop.look.stack(said["stack"])
    fields = [Field("name", told("study_name"), value=said.get("name", ""), hint=told("study_name_hint"))]
    further: list[Field] = []
    if IS_KNOWN in said:
        fields += _known_fields(visit, said)
    else:
        bands, known = material_bands(stack), limits_said(said, LIMIT_NAMES, None, shown)[0] or Limits()
        fields.append(Field("", told("settings"), is_heading=True, hint=told("settings_hint")))
        fields += [_setting(name, said, shown, bands, known) for name in DEFAULT_FACTORS]
        further = [_setting(name, said, shown, bands, known) for name in FURTHER]
    fields += [
        Field("", told("target"), is_heading=True),
        Field("pass_rate", told("pass_rate"), value=said.get("pass_rate", f"{usual.pass_rate:.0%}")),
        Field("hand_min", told("hand_min"), value=said.get("hand_min", f"{usual.hand_min:g}"), hint=told("hand_hint")),
        Field(
            "assurance",
            told("assurance"),
            value=said.get("assurance", f"{usual.assurance:.0%}"),
            hint=told("assurance_hint"),
        ),
        *(Field("", told("looks"), is_heading=True, hint=text) for text in check_notes(stack)),
        *(() if IS_KNOWN in said else _lending(visit, said)),
    ]
    title = told("begin_known" if IS_KNOWN in said else "begin_question")
    form = Form(
        title,
        "/begin-question",
        told("begin_store"),
        fields=tuple(fields),
        more_title=told("settings_further"),
        more_fields=tuple(further),
    )
    return screen(visit, "question", form, problems, key, said)


def _lending(visit: Visit, said: Said) -> tuple[Field, ...]:
    """Whose coupons help, that of a material that is gone, say; nothing where no study has any."""
    lenders = studies_to_lend(visit.bench.shop.look)
    if not lenders:
        return ()
    chosen = said.get("earlier", "")
    options = (
        Option("", told("earlier_none"), is_on=not chosen),
        *(Option(s.name, told("earlier_of", study=s.name, stack=s.stack), is_on=s.name == chosen) for s in lenders),
    )
    usual = told("discount_hint", usual=f"{USUAL_DISCOUNT:g}")
    return (
        Field("", told("earlier_title"), is_heading=True, hint=told("earlier_hint")),
        Field("earlier", told("earlier"), options=options, is_list=True),
        Field("discount", told("discount"), value=said.get("discount", ""), hint=usual),
    )


def _known_fields(visit: Visit, said: Said) -> list[Field]:
    """Settings with one value each, and where they come from; or the recipe that is carried to this line."""
    shown = visit.bench.shop.shown
    fields = [Field("source", told("known_source"), value=said.get("source", ""), hint=told("known_source_hint"))]
    fields.append(Field("", told("known_settings"), is_heading=True, hint=told("known_settings_hint")))
    for name in (*DEFAULT_FACTORS, *FURTHER):
        fields.append(Field(name, _label(name, shown), value=said.get(name, ""), is_half=True))
    is_dial = said.get("dial") == "yes"
    fields += [
        Field("dial", told("known_dial"), value="yes", hint=told("known_dial_hint"), is_tick=True, is_on=is_dial),
        Field("heated", told("known_heated"), value=said.get("heated", ""), hint=told("known_heated_hint")),
    ]
    others = [k.recipe for k in recipes_to_list(visit.bench.shop.look) if k.recipe.line.name != said["line"]]
    if others:
        chosen = said.get("from_recipe", "")
        options = [Option("", told("known_no_recipe"), "", not chosen)]
        options += [Option(r.name, r.name, told("known_recipe_of", line=r.line.name), r.name == chosen) for r in others]
        # a recipe that is carried says all the settings that stand below
        fields.insert(0 if chosen else len(fields), Field(CARRIED, told("known_recipe"), options=tuple(options)))
    return fields


def _label(name: str, shown: Shown) -> str:
    """A setting with the unit it is typed in."""
    known = KNOWN_FACTORS[name]
    unit = shown.unit(known.unit)
    label = f"{known.label}, {SYMBOLS[unit]}" if unit else known.label
    return label[0].upper() + label[1:]


def _setting(name: str, said: Said, shown: Shown, bands: Mapping[str, Band], limits: Limits) -> Field:
    known, band = KNOWN_FACTORS[name], bands.get(name)
    ends = (known.low, known.high) if band is None else (band.low, band.high)
    low, high = (f"{shown.value(v, known.unit):.4g}" for v in ends)
    value = said.get(name, f"{low}..{high}" if name in DEFAULT_FACTORS else "")
    drawing = Markup("")
    try:
        made = typed.factor(f"{name}={value}", shown) if _varies(name, value) else None
    except InputError:
        made = None
    if made is not None and not made.is_categorical:
        drawing = range_scale(made, shown, limits)
    hint = known.source if band is None else proposal_words({name: band}, shown)
    if known.levels:
        hint = told("levels_hint", levels="/".join(known.levels))
    elif name == "belt_speed":
        hint = f"{told('belt_hint')} {hint}"
    if known.unit == "degC":
        hint = f"{told('range_on_surface')} {hint}"
    if made is not None and (bounds := tuple(_bounds_told(made, limits, shown))):
        hint = " ".join((f"{hint.rstrip('.')}.", *bounds))
    return Field(name, _label(name, shown), value=value, hint=hint, drawing=drawing)


def _bounds_told(made: Factor, limits: Limits, shown: Shown) -> Iterator[str]:
    """What the data sheets allow of a setting; nothing where no sheet speaks of it."""
    if made.is_categorical:
        return
    least, most = limits.bounds(made.name, made.heated_mm)
    if least is not None:
        yield told("range_least", value=amount(made, least, shown))
    if most is not None:
        yield told("range_most", value=amount(made, most, shown))
    if least is None and most is None and made.name in LIMITED_SETTINGS:
        yield told("range_no_limit")
