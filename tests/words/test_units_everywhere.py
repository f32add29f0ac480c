"""Whoever works in one unit is never shown the other one alone, nor a day as files keep it, by command or page."""

from __future__ import annotations

import html
import re
import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
import typer

from doe.cli.app import app
from doe.domain.units import METRIC, Shown
from doe.office.pages import pages
from tests.bench.shop import make_desk
from tests.shop import CommandResult, Shop

STUDY = "new powder on the heavy tee"
RECIPE = "fine powder on the heavy tee"
LINE = "back room"
PLACES = {"left back": 140, "right back": 149, "left front": 150, "right front": 148.5, "centre": 152}

KEPT_DAY = r"|\b20\d\d-\d\d-\d\d"
"""A day as files keep it; people read 4 March 2031."""

UNITS = {
    "degC bar": (METRIC, r"°F|degF|Fahrenheit|\bpsi\b" + KEPT_DAY),
    "degF psi": (Shown("degF", "psi"), r"°C|degC|Celsius|\bbar\b" + KEPT_DAY),
}
"""Units of a reader, and what may not stand alone in front of them, nor a day as files keep it."""

COMMANDS: tuple[tuple[str, ...], ...] = (
    ("gauge", "list", LINE),
    *(
        ("gauge", "add", LINE, "--machine", "press", "--set", "150C", "--measured", f"{degc}C", "--place", place)
        for place, degc in PLACES.items()
    ),
    ("gauge", "add", LINE, "--machine", "oven", "--set", "150C", "--measured", "120C", "--shown", "150C"),
    ("gauge", "map", LINE, "-o", "map.html"),
    ("gauge", "show", LINE),
    ("gauge", "list", LINE),
    ("gauge", "withdraw", "1", "--why", "a slip"),
    ("line", "list"),
    ("line", "show", LINE),
    ("line", "machines"),
    ("line", "add", "front room", "--oven", "drawer", "--press", "clam", "--gauge", "G3", "--press-uncertainty", "3C"),
    ("line", "add", "side room", "--oven", "batch oven"),
    ("line", "move", "drawer", "side room", "--why", "given up"),
    ("line", "rename", "clam", "clam press", "--why", "a slip"),
    ("stack", "list"),
    ("stack", "show", "heavy tee, fine powder"),
    ("stack", "add", "thin tee", "--fabric", "thin tee", "--film", "matt film", "--powder", "fine powder"),
    ("study", "list"),
    ("study", "show", STUDY),
    ("study", "limits", STUDY, "--limit", "film_max=174C@new sheet", "--why", "a new sheet"),
    ("sheet", STUDY, "-o", "sheets", "--person", "ana"),
    ("sheet", STUDY, "-o", "labels", "--person", "ana", "--labels", "a4"),
    ("sheet", "--artwork", "image.pdf"),
    ("waiting",),
    ("people", STUDY),
    ("people", STUDY, "-o", "people.html"),
    ("fit", STUDY),
    ("recommend", STUDY, "--why"),
    ("report", STUDY, "-o", "report.html"),
    ("confirm", STUDY, "-o", "confirmation.html"),
    ("report", "--recipe", RECIPE, "-o", "why.html"),
    ("recipe", "list"),
    ("recipe", "show", RECIPE),
    ("recipe", "card", RECIPE, "-o", "card.html"),
    ("recipe", "history", RECIPE),
    ("day", RECIPE, "--prints", "2", "--set", "press_temp=161C", "--surface", "press_temp=157C"),
    ("day", RECIPE),
    ("recipe", "find", "heavy tee, fine powder"),
    ("recipe", "on", RECIPE, LINE),
    ("recipe", "on", RECIPE, "front room"),
    ("compare", RECIPE, "--film", "matt film; supplier=Voss; lot=F2", "--limit", "film_max=170C@sheet"),
    ("compare", RECIPE, "--powder", "lot=P5", "--staged"),
    ("compare", "blank of Orrin", "-o", "holds.html"),
    ("compare", "blank of Kestrow", "-o", "retune.html"),
    ("recipe", "add", "blank of Orrin", "--approved-by", "Kim"),
    ("diagnose", STUDY, "--symptom", "edge haze", "--set", "press_temp=165C"),
    ("diagnose", "--recipe", RECIPE, "--symptom", "scorch", "--set", "press_temp=185C", "--set", "cure_temp=185C"),
    ("diagnose", "--past"),
    ("explain", "window"),
    ("guide", "powder"),
    ("practice", "list"),
    ("practice", "lesson", "tune", "--seed", "3"),
    (
        "practice",
        "play",
        "tune",
        "--seed",
        "3",
        "--answer",
        "hint",
        "--answer",
        "= 125C 120 155C 14",
        "-o",
        "truth.html",
    ),
    ("practice", "play", "compare", "--seed", "3", "--answer", "110C 120C 125C 130C 140C"),
    ("practice", "play", "blank", "--seed", "3", "--answer", "setpoint 4", "--answer", "= holds"),
    ("practice", "play", "report", "--seed", "3", "--answer", "hint"),
    ("practice", "play", "fault", "--seed", "3", "--answer", "? settings"),
    ("practice", "class"),
    ("record", STUDY, "--coupon", "R1-03", "--actual", "press_temp=163C", "--why", "read at the press"),
    ("extend", STUDY, "--coupons", "4"),
    ("sheet", STUDY, "-o", "more", "--person", "ana"),
    ("study", "amend", STUDY, "--error", "press_temp=9", "--why", "by the gauge"),
    ("study", "show", STUDY),
    *(
        ("study", "new", "second", "--stack", "thin tee", "--line", LINE, *options)
        for options in (
            (
                *(
                    part
                    for text in ("film_max=175C@a", "powder_max=180C@b", "fabric_max=190C@c")
                    for part in ("--limit", text)
                ),
                *(
                    part
                    for text in ("oven_max=180C@d", "press_max=190C@d", "max_pressure=6bar@d")
                    for part in ("--limit", text)
                ),
                *(part for text in ("min_cure_time=60@b", "min_dwell=5@a") for part in ("--limit", text)),
                *(
                    part
                    for text in ("cure_temp=110C..140C,sd=4C", "press_temp=140C..170C,sd=3C")
                    for part in ("--factor", text)
                ),
                *(part for text in ("pressure=2bar..4bar,sd=0.2bar", "dwell=8..20") for part in ("--factor", text)),
                *("--hold", "cure_time=100", "--forbid", "cure_temp >= 138 and dwell >= 18; the film curls"),
            ),
        )
    ),
    ("study", "show", "second"),
    ("study", "copy", "second", "third", "--stack", "heavy tee, fine powder"),
    ("study", "amend", "third", "--factor", "press_temp=145C..165C", "--name", "fourth", "--why", "a trial"),
    ("study", "limits", "fourth", "--limit", "film_max=155C@new sheet"),
    ("plan", "second", "--coupons", "16", "--choose", "optimal"),
    ("sheet", "second", "-o", "second", "--person", "ana"),
    (
        *("study", "known", "sheet", "--stack", "thin tee", "--line", LINE, "--source", "the maker's sheet"),
        *("--set", "press_temp=150C", "--set", "dwell=12", "--hold", "cure_temp=120C", "--hand-min", "none"),
        *("--limit", "film_max=152C@a", "--limit", "fabric_max=190C@c", "--limit", "powder_max=180C@b"),
        *("--limit", "press_max=190C@d", "--limit", "min_dwell=5@a"),
        *("--limit", "oven_max=180C@e", "--limit", "min_cure_time=60@b"),
    ),
    ("study", "show", "sheet"),
    ("study", "conditions", "sheet", "--wash", "40C", "--programme", "normal"),
    ("gauge", "certificate", LINE, "--number", "4711", "--issuer", "Orr metrology", "--until", "2020-03-05"),
    ("confirm", "sheet"),
    ("confirm", "sheet", "--plan"),
    ("sheet", "sheet", "-o", "sheet"),
    ("confirm", "sheet"),
    ("report", "sheet", "-o", "sheet.html"),
    ("study", "archive", "second", "--why", "a trial"),
    ("study", "restore", "second", "--why", "a trial"),
    ("recipe", "retire", RECIPE, "--why", "a trial"),
    ("book", "audit", "--last", "80"),
    ("book", "check"),
    ("book", "export", "book.json"),
)
"""Commands in an order that works, in units that are the same for every reader."""

REFUSED: tuple[tuple[str, ...], ...] = (
    ("study", "limits", STUDY, "--limit", "film_max=190C@sheet"),
    ("study", "amend", STUDY, "--factor", "press_temp=140C..185C", "--why", "hotter"),
    ("record", STUDY, "--coupon", "R1-03", "--actual", "press_temp=400C", "--why", "a slip"),
    ("gauge", "add", LINE, "--machine", "press", "--set", "150C", "--measured", "900C"),
    ("line", "add", "hot room", "--oven", "o", "--press", "p", "--gauge", "g", "--press-uncertainty", "900C"),
    ("practice", "play", "tune", "--seed", "3", "--answer", "90C 120 155C 14"),
    ("practice", "play", "compare", "--seed", "3", "--answer", "90C 120C 125C 130C 140C"),
    ("study", "amend", STUDY, "--error", "press_temp=900", "--why", "a slip"),
)
"""Commands that are refused for a temperature."""

ELSEWHERE = {
    "demo": "run by the fixture; its settings are those of `recommend`",
    "bench": "its pages are looked at below",
    "open": "its pages are looked at below",
    "release": "its recipe is that of `recipe show`",
    "why": "the same as `recommend --why`",
    "sizes": "hours and rates alone",
    "book init": "a name alone",
    "book backup": "names of files",
    "book import": "names and counts",
    "book upgrade": "names of files",
}
"""Commands not run here, and why not."""

AS_TYPED = re.compile(
    r"wash at 40 degC, no tumble dryer|21 degC, 45 % humidity"  # words of the invented shop
    r"|settings are in °C, s, bar and g/m²"  # a file holds what is stored, and says so
    r"|If it is (?:Fahrenheit|Celsius), write [\d.]+[CF] \(that is [\d.]+ (?:°|deg)[CF]\)"  # asks which was meant
)
_NUMBER = r"[-+−±]?\d[\d.,]*"
_SPAN = rf"{_NUMBER}(?: ?(?:to|\.\.|and|/|over|or|–) ?{_NUMBER})*\s?"
_PAIRS = [
    rf"{before}(?:{one}){between}{after}(?:{other})"
    for one, other in (("°C", "°F"), ("°F", "°C"), ("psi", "bar"), ("bar", "psi"))
    for before, after, between in (
        (_SPAN, _SPAN, r"[^()\d]{0,12}\("),  # 150 °C (302 °F)
        (_SPAN, _SPAN, r",? "),  # in two cells, or apart by a comma
        ("", "", r" over "),  # the heading of an axis
        ("surface minus set, ", "surface minus set, ", " "),  # columns of a map
    )
]


def text_of(page: str) -> str:
    """What a page says, on one line."""
    bare = re.sub(r"<(style|script)\b.*?</\1>", "", page, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", bare)).replace("\u00a0", " ").split())


def alone(text: str, unit: str) -> list[str]:
    """Places where a unit stands without the reader's own beside it."""
    rest = AS_TYPED.sub("", " ".join(text.replace("\u00a0", " ").split()))
    for pair in _PAIRS:
        rest = re.sub(pair, "", rest)
    return [rest[max(0, found.start() - 60) : found.end() + 20] for found in re.finditer(unit, rest)]


def leaves(command, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    if not hasattr(command, "commands"):
        yield path
        return
    for name, child in command.commands.items():
        yield from leaves(child, (*path, name))


@pytest.fixture(params=list(UNITS))
def units(request: pytest.FixtureRequest) -> str:
    return request.param


@pytest.fixture
def shop(made_demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shop:
    monkeypatch.chdir(tmp_path)
    shutil.copy(made_demo, tmp_path / "shop.sqlite")
    return Shop(tmp_path, tmp_path / "shop.sqlite")


def run(shop: Shop, words: Sequence[str], units: str) -> CommandResult:
    return shop.run(*words, env={"DOE_UNITS": units, "COLUMNS": "300"})


def test_every_command_is_looked_at_or_said_why_not():
    looked_at = {
        " ".join(path) for path in leaves(typer.main.get_command(app)) if any(c[: len(path)] == path for c in COMMANDS)
    }
    every = {" ".join(path) for path in leaves(typer.main.get_command(app))}
    assert every - looked_at == set(ELSEWHERE) & every
    assert set(ELSEWHERE) - looked_at == set(ELSEWHERE)


def test_no_command_and_nothing_it_writes_shows_the_other_unit_alone(shop, units):
    found = []
    for words in COMMANDS:
        done = run(shop, words, units)
        assert done.code == 0, (words, done.err)
        found += [(words[:3], place) for place in alone(done.out + done.err, UNITS[units][1])]
    pages = sorted(shop.folder.rglob("*.html"))
    assert len(pages) > 10
    for page in pages:
        found += [(page.name, place) for place in alone(text_of(page.read_text(encoding="utf-8")), UNITS[units][1])]
    assert found == []


def test_no_refusal_shows_the_other_unit_alone(shop, units):
    found = []
    for words in REFUSED:
        done = run(shop, words, units)
        assert done.code == 2, (words, done.out)
        found += [(words[:3], place) for place in alone(done.err, UNITS[units][1])]
    assert found == []


def test_no_page_shows_the_other_unit_alone(made_demo, tmp_path, units):
    shutil.copy(made_demo, tmp_path / "shop.sqlite")
    shown, unit = UNITS[units]
    desk = make_desk(tmp_path / "shop.sqlite", is_local=True, shown=shown, more_pages=pages)
    try:
        device = desk.device("ana")
        with Shop(tmp_path, tmp_path / "shop.sqlite").open() as book:
            record = book.study(STUDY)
            coupons = [str(name) for name in book.plan_coupons(record.id)["coupon"]]
        looked_at = [
            "/",
            "/more",
            "/practice",
            "/practice/tune",
            *(f"/{what}/{record.id}" for what in ("s", "list", "wash", "hint", "study", "limits")),
            *(f"/line/{line.name}" for line in desk.book.lines()),
            *(f"/recipe/{kept.recipe.name}" for kept in desk.book.recipes()),
            "/begin",
        ]
        looked_at += [f"/c/{record.id}/{coupon}" for coupon in coupons[::6]]
        wrong = [f"/wrong/{record.id}/{coupon}" for coupon in coupons]
        looked_at.append(next(path for path in wrong if device.get(path).status_code == 200))
        found = []
        for path in looked_at:
            answer = device.get(path)
            assert answer.status_code == 200, path
            found += [(path, place) for place in alone(text_of(answer.text), unit)]
        page = device.send(device.get("/practice/tune"), "/practice/tune", act="start")
        found += [("/practice/tune", place) for place in alone(text_of(page.text), unit)]
        assert found == []
    finally:
        desk.bench.hints.close()
        desk.bench.shop.close()


@pytest.mark.parametrize(
    ("text", "leaks"),
    [
        ("set to 150 °C (302 °F), window 148 to 152 °C (298 to 306 °F)", 0),
        ("44 psi 3.0 bar", 0),
        ("press temperature, °C over °F", 0),
        ("the press is 8 °C cooler than set", 1),
        ("150 °C (302 °F), then 110 degC", 1),
        ("3 bar", 1),
        ("read on 2031-03-04", 1),
        ("read on 4 March 2031", 0),
    ],
)
def test_a_pair_is_fine_and_a_unit_alone_is_found(text, leaks):
    assert len(alone(text, UNITS["degF psi"][1])) == leaks
