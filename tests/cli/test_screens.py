"""What every command says by itself: one screen, in order, with nothing behind ``--more`` that somebody must know."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
from collections.abc import Iterator
from html import unescape
from itertools import pairwise
from pathlib import Path
from typing import get_args

import pytest

from doe.cli.terminal import HEIGHT, JSON_FORMAT, WIDTH
from doe.domain.errors import InputError
from doe.domain.factors import KNOWN_FACTORS
from doe.office.pages import pages
from doe.plans.plan import PlanKind
from doe.setpoint.answer import Verdict
from doe.words.cautions import FOOTER
from doe.words.glossary import explain
from doe.words.guide import TOPICS
from tests.bench.shop import make_desk
from tests.cli.test_examples import COMMANDS
from tests.demo import copied
from tests.shared import untapped
from tests.shop import STUDY, CommandResult, Shop, quick_line
from tests.test_words_table import rows
from tests.words.screen_words import is_known as is_word_known
from tests.words.screen_words import words_of, words_of_page, words_of_tables

SERVES = {("bench",), ("open",)}
"""They run until they are stopped, and print one address."""

RECIPE, LINE, STACK = "fine powder on the heavy tee", "back room", "heavy tee, fine powder"
LIMITS = (
    '--limit "film_max=175C@a" --limit "powder_max=180C@b" --limit "fabric_max=190C@c" --limit "oven_max=180C@d" '
    '--limit "press_max=190C@d" --limit "max_pressure=6bar@d" --limit "min_cure_time=60@b" --limit "min_dwell=5@a"'
)
NEW = (
    '--factor "cure_temp=110C..140C,sd=4C" --factor "press_temp=140C..170C,sd=3C" --factor "pressure=2bar..4bar,sd=0.2"'
    ' --factor "dwell=8..20" --hold cure_time=100 --forbid "cure_temp >= 138 and dwell >= 18; the film curls"'
)
KNOWN = (
    "--set cure_temp=120C --set cure_time=120 --set press_temp=150C --set dwell=12 --set pressure=3bar --hand-min none"
)
SHOP = f"""
stack list
stack show "{STACK}"
stack add "thin tee" --fabric "thin tee" --film "matt film" --powder "fine powder"
line list
line show "{LINE}"
line machines
line machines "swing press"
line add "front room" --oven "batch oven" --press "clam press"
gauge list "{LINE}"
gauge certificate
gauge show "{LINE}"
gauge map "{LINE}" --machine press --rows 3
study list
study show "{STUDY}"
waiting
waiting --ics waiting.ics
people "{STUDY}"
people "{STUDY}" -o people.html
fit "{STUDY}"
recommend "{STUDY}"
recommend "{STUDY}" --why
report "{STUDY}" -o report.html
report --recipe "{RECIPE}" -o why.html
confirm "{STUDY}"
confirm "{STUDY}" -o confirmation.html
confirm "{STUDY}" --claim 0.90 --claim 0.95 --allow 0 --allow 1
recipe list
recipe show "{RECIPE}"
recipe history "{RECIPE}"
recipe on "{RECIPE}" "{LINE}"
recipe on "{RECIPE}" "front room"
recipe find "{STACK}"
recipe card "{RECIPE}"
day "{RECIPE}" --prints 2 --set press_temp=161C --surface press_temp=157C
day "{RECIPE}" --prints 1 --fail "release: a corner stays"
day "{RECIPE}"
compare "{RECIPE}"
compare "blank of Orrin"
compare "blank of Kestrow"
compare "{RECIPE}" --powder "lot=P4"
compare "{RECIPE}" --powder "lot=P4" --begin --as p4
compare p4
compare "{RECIPE}" --powder "lot=P5" --staged
compare "{RECIPE}" --powder "lot=P5" --staged --blind --begin --as p5
sheet p5 -o sheets
compare p5
compare "blank of Kestrow" --retune --as again
study show again
study show "blank of Orrin"
diagnose "{STUDY}" --symptom "edge haze" --set press_temp=165C
diagnose --recipe "{RECIPE}" --symptom scorch --set press_temp=185C
diagnose --list
diagnose --past
diagnose --symptom "edge haze" --humidity 25
diagnose "{STUDY}" --symptom "edge haze" --turned-out "powder old, damp or spoiled"
diagnose --past
sheet "{STUDY}" -o sheets --person ana
sheet "{STUDY}" -o labels --labels a4
sheet --artwork image.svg --mirrored
recipe add "blank of Orrin" --approved-by Kim --why "it holds"
release "{STUDY}" --as "{RECIPE}" --approved-by Kim --why again --gap "10 s" --peel "cold, wait 60 s" \
--second-press "7 s" --care-label "wash at 40" --room "21 degC"
recipe history "{RECIPE}"
guide
guide powder
guide network
guide python
guide blank
guide why
guide training
guide gauges
explain
explain window
practice list
practice class
practice lesson tune --seed 3
practice play tune --seed 3 --answer hint --answer "= 125C 120 155C 14"
practice play compare --seed 3 --answer "110C 120C 125C 130C 140C"
practice play blank --seed 3 --answer "setpoint 4" --answer "= holds"
practice play report --seed 3 --answer hint
practice play fault --seed 3 --answer "? settings"
practice class
book audit
book check
book export shop.zip
book backup copy.sqlite
book init empty.sqlite
book import shop.zip --book empty.sqlite
book upgrade
study amend "{STUDY}" --error press_temp=6 --why gauge
study limits "{STUDY}" --limit "film_max=174C@new sheet" --why new
recommend "{STUDY}"
record "{STUDY}" --coupon R1-03 --actual press_temp=163C --why "read at the press"
extend "{STUDY}" --coupons 8
gauge add "{LINE}" --machine press --set 150C --measured 146C --place "back left"
gauge withdraw 10 --why "a slip"
study copy "{STUDY}" copied --stack "thin tee"
recipe retire "{RECIPE}" --why "another powder"
recipe show "{RECIPE}"
study archive again --why "not wanted"
study restore again --why "wanted"
line rename "swing press" "old swing press" --why "painted on it"
line move "old swing press" "front room" --why "moved"
"""
UNGAUGED = f"""
gauge list "{LINE}"
gauge show "{LINE}"
stack add "thin tee" --fabric "thin tee" --film "matt film" --powder "fine powder"
study new second --stack "thin tee" --line "{LINE}" {NEW} {LIMITS}
study show second
plan second --coupons 20
plan second --sizes
plan second --coupons 16 --choose optimal
study show second
sheet second -o sheets
recommend "{STUDY}"
fit "{STUDY}"
report "{STUDY}" -o other.html
extend "{STUDY}" --coupons 8
confirm "{STUDY}" --claim 0.90 --claim 0.95 --allow 0 --allow 1
confirm "{STUDY}" --plan --claim 0.9 --allow 0
confirm "{STUDY}"
study new third --stack "thin tee" --line "{LINE}" --factor "press_temp=150C..199C,sd=5C" --factor "dwell=2..60"
study show third
study conditions second --wash 40C --programme normal --room "21 degC, 45 %"
gauge certificate "{LINE}" --number 4711 --issuer "Orr metrology" --until 2020-03-05
study known sheet --stack "thin tee" --line "{LINE}" --source "the film maker's sheet" {KNOWN} {LIMITS}
study show sheet
confirm sheet
confirm sheet --plan --claim 0.9
confirm sheet
sheet sheet -o known-sheets
report sheet -o sheet.html
"""
ONCE = re.compile(
    r"--begin|--retune|--choose|--plan|--turned-out|--again|--answer|"
    r"^\w+ (add|new|copy|move|rename|known|archive|restore|retire)"
)
ONLY_ONCE = re.compile(
    r"^(day |extend|release|record|book (init|export|backup|import)|gauge (withdraw|certificate)|"
    r"study (amend|limits|conditions))"
)
"""What stores something is not asked a second time."""


READ = re.compile(
    r"^(stack|line|gauge|recipe) (list|show|history|on|find)|^study (list|show)|^(waiting|people|confirm|compare)\b|"
    r"^(recommend|fit) \S+$|^diagnose --(list|past|recipe)|^book (audit|check)|^practice list|^explain"
)


def names_in(data: object, before: str = "") -> set[str]:
    """Names in what JSON gave, each with those above it."""
    if isinstance(data, dict):
        return {f"{before}{name}" for name in data}.union(*(names_in(v, f"{before}{k}.") for k, v in data.items()))
    if isinstance(data, list):
        return set().union(*(names_in(part, before) for part in data))
    return set()


def say(shop: Shop, text: str, names: dict[str, str]) -> dict[str, tuple[CommandResult, str]]:
    """Each command line with what it says, and what it says with ``--more`` where it can be asked twice.

    ``names`` takes those of its JSON, where it only reads.
    """
    said: dict[str, tuple[CommandResult, str]] = {}
    for line in filter(None, text.splitlines()):
        found = shop.good(*shlex.split(line))
        more = "" if ONCE.search(line) or ONLY_ONCE.search(line) else shop.good(*shlex.split(line), "--more").out
        said[line if line not in said else f"{line} (later)"] = found, more
        if READ.search(line) and more and line not in names:
            names[line] = " ".join(sorted(names_in(shop.good(*shlex.split(line), "--json").json)))
    return said


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """Where the commands run and write their pages."""
    return tmp_path_factory.mktemp("screens")


@pytest.fixture(scope="module")
def json_names() -> dict[str, str]:
    """Names in the JSON of every command that only reads, on the demo's shop."""
    return {}


@pytest.fixture(scope="module")
def screens(folder, json_names, _ready_books, demo_of_the_run) -> Iterator[dict[str, tuple[CommandResult, str]]]:
    """What every command says on the demo's shop, and in a shop that has read no gauge."""
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        done = copied(demo_of_the_run, Path("doe-demo"))
        shutil.copy(done.path("book.sqlite"), folder / "shop.sqlite")
        shutil.copy(_ready_books[2], folder / "other.sqlite")
        patch.setattr("doe.practice.worth.LINES", 1)
        patch.setattr("doe.practice.worth.try_line", quick_line)
        patch.setattr("doe.acts.study.worth._cores", lambda: 1)
        patch.setattr("doe.cli.demo.run_demo", lambda folder, **_: done)
        shop, other = (Shop(folder, folder / name) for name in ("shop.sqlite", "other.sqlite"))
        for kept in other.good("gauge", "list", LINE, "--json").json["readings"]:
            other.good("gauge", "withdraw", str(kept["id"]), "--why", "for the test")
        by_itself = say(other, UNGAUGED, {})
        yield say(shop, "demo\n" + SHOP, json_names) | {f"{line} (no gauge)": said for line, said in by_itself.items()}


def test_every_command_is_among_them(screens):
    told = {tuple(line.split()[:2]) for line in screens} | {tuple(line.split()[:1]) for line in screens}
    assert set(COMMANDS) - told == SERVES


def test_no_screen_is_higher_or_wider_than_a_terminal(screens):
    too_large = {
        line: (len(lines), max(map(len, lines)))
        for line, (found, _) in screens.items()
        if len(lines := found.out.splitlines()) > HEIGHT or max(map(len, filter(wraps, lines)), default=0) > WIDTH
    }
    assert too_large == {}


@pytest.mark.parametrize("topic", sorted(set(TOPICS) - {"network"}))  # the commands of that one stand in its sentences
def test_every_guide_shows_what_to_type_on_its_first_screen(empty_shop, topic):
    first = empty_shop.good("guide", topic).out.partition("\nNext:")[0]
    assert re.findall(r"^  (?:doe |import |from )", first, flags=re.MULTILINE)


def wraps(line: str) -> bool:
    """Whether a line is text of ours: neither the long name of a file, nor code to copy."""
    return (
        "/screens" not in line
        and " " in line.strip()
        and not line.strip().startswith(("factors =", "study =", "results ="))
    )


def test_the_demo_names_three_files_and_shows_its_commands_with_more(screens):
    found, more = screens["demo"]
    assert re.findall(r"^doe-demo/\S+", found.out, flags=re.MULTILINE) == [
        "doe-demo/report.html",
        "doe-demo/recipe-card.html",
        "doe-demo/comparison-retune.html",
    ]
    assert "doe study new" not in found.out
    assert "doe study new" in more


STORED_NAMES = Path(__file__).with_name("json_names.json")


def test_no_name_that_programs_read_goes_without_another_format(screens, json_names):
    """A change that is meant: raise `JSON_FORMAT` where a name goes, then this test with DOE_JSON=renew."""
    stored = json.loads(STORED_NAMES.read_text(encoding="utf-8"))
    pairs = [(names.split(), json_names.get(line, "").split()) for line, names in stored["names"].items()]
    gone = [name for before, now in pairs for name in before if name not in now]
    assert not gone or stored["format"] < JSON_FORMAT
    if os.environ.get("DOE_JSON") == "renew":
        text = json.dumps({"format": JSON_FORMAT, "names": json_names}, indent=1)
        STORED_NAMES.write_text(text + "\n", encoding="utf-8")
    assert len(json_names) > 25
    assert all("format " in names for names in json_names.values())
    assert json.loads(STORED_NAMES.read_text(encoding="utf-8")) == {"format": JSON_FORMAT, "names": json_names}


TEMPERATURES = {"cure_temp": "cure temperature", "press_temp": "press temperature"}


def page(path: Path) -> str:
    """Words of a page on one line, without drawings and programs."""
    return words_on(path.read_text(encoding="utf-8"))


def words_on(page: str) -> str:
    """Words of a page that was read."""
    text = re.sub(r"(?s)<(style|script|svg).*?</\1>|<[^>]+>", " ", untapped(page))
    return " ".join(unescape(text).replace("\u00a0", " ").split())


def dials_at_the_press(folder: Path) -> list[str]:
    """What the pages at the press say of the study's setpoint and of the recipe."""
    shutil.copy(folder / "doe-demo" / "book.sqlite", folder / "press.sqlite")
    desk = make_desk(folder / "press.sqlite", is_local=True, more_pages=pages)
    device = desk.device("Kim")
    texts = [words_on(device.get(path).text) for path in (f"/recipe/{RECIPE}", "/study/1")]
    desk.bench.close()
    desk.bench.shop.close()
    return texts


def test_dial_surface_and_window_are_the_same_on_report_card_story_sheet_and_terminal(screens, folder):
    answer, recipe = (screens[line][0].out for line in (f'recommend "{STUDY}"', f'recipe show "{RECIPE}"'))
    here = screens[f'recipe on "{RECIPE}" "{LINE}"'][0].out
    report, card, story = (page(folder / f"{name}.html") for name in ("report", "card", "why"))
    (sheet,) = (page(path) for path in (folder / "sheets").glob("*powder*-round-3-sheet.html"))
    press = dials_at_the_press(folder)
    for name, label in TEMPERATURES.items():
        row = re.search(rf"^{name} +(\d+) °C +(\d+) °C +\S+ to \S+ °C +(\d+) to (\d+) °C", answer, flags=re.MULTILINE)
        assert row is not None
        dial, surface, low, high = row.groups()
        assert dial != surface
        for text in (recipe, here):
            told = rf"^{label} +{dial} °C \(\d+ °F\) +{surface} °C +{low} to {high} °C$"
            assert re.search(told, text, flags=re.MULTILINE), text
        window = rf"(?:window|together) {low}(?: °C \(\d+ °F\))? to {high} °C"
        for text in (report, card, story):
            first = re.search(rf"(?i)\b{label} (\d+) °C \d+ °F.{{0,120}}?surface (\d+) °C", text)
            assert first is not None
            assert first.groups() == (dial, surface)
            assert re.search(window, text)
        assert re.search(rf"\b{dial} °C \(\d+ °F\) {label} to dial in, for {surface} °C", sheet)
        for text in press:
            first = re.search(rf"(?i)\b{label}\b\D{{0,40}}(\d+) °C.{{0,120}}?surface (\d+) °C", text)
            assert first is not None
            assert first.groups() == (dial, surface)


def test_without_readings_the_dial_is_the_surface_and_says_that_nobody_checked(screens, folder):
    answer = screens[f'recommend "{STUDY}" (no gauge)'][0].out
    assert "Dial = surface, display not checked: cure_temp and press_temp." in cautions(answer)
    for name in TEMPERATURES:
        assert re.search(rf"^{name} +\d+ °C += dial ", answer, flags=re.MULTILINE)
    assert "dial = surface, display not checked" in page(folder / "other.html")


def cautions(text: str) -> set[str]:
    """Sentences behind an exclamation mark, each on one line."""
    return {" ".join(found.split()) for found in re.findall(r"^! (.*(?:\n  \S.*)*)", text, flags=re.MULTILINE)}


DANGER = re.compile(
    r"\bburn|fume|smoke|\bgas|never (set|dial|do|leave)|\bstop\b|\bhot\b|scorch|limits?\b|\bfire"
    r"|extraction|at or above",
    re.IGNORECASE,
)
"""What could hurt somebody."""


def test_no_danger_stands_behind_more(screens):
    for line, (found, more) in screens.items():
        hidden = cautions(more) - cautions(found.out)
        assert [text for text in hidden if DANGER.search(text)] == [], line


def test_the_cautions_of_heat_and_fumes_stand_beside_settings_and_diagnoses(screens):
    hot = screens[f'diagnose --recipe "{RECIPE}" --symptom scorch --set press_temp=185C'][0].out
    assert hot.startswith("! Stop the press")
    for line, (found, _) in screens.items():
        if re.match(r"recipe (show|on)|diagnose (?!--past|.*--turned-out)", line):
            assert FOOTER in cautions(found.out), line
    third = screens[next(line for line in screens if line.startswith("study show third"))][0].out
    assert "reaches outside the usual" in " ".join(cautions(third))


def test_a_screen_that_was_cut_says_so_last_and_only_then(screens):
    marks = ("--more shows ", "With --more it would have shown ")
    for line, (found, more) in screens.items():
        last = found.out.rstrip().splitlines()[-1]
        if more:
            assert last.startswith(marks[0]) == (more != found.out), line
        assert found.out.count("more line") + found.out.count("more row") <= 2
    assert any(found.out.rstrip().splitlines()[-1].startswith(marks[1]) for found, _ in screens.values())


def test_first_line_and_next_step_are_never_left_out(screens):
    for line, (found, more) in screens.items():
        if more:
            assert found.out.splitlines()[0] == more.splitlines()[0], line
            step = re.search(r"^Next:\n(.*)", more, flags=re.MULTILINE)
            assert step is None or step[1] in found.out, line


_PLAIN = """known of it|passed|after|new fails more often|allowed|approved|\
at most|at least|before|begun|beyond|bound|called|case|cause|chance|chart|compare|comparison|\
day|detail|drawing|end|exercise|fabric|failed|fault|file|film|for that surface|hours|how to|if|in use passed|\
it may be|last day|left|lot|machine|measured|middle|min down|min up|name|nearest beyond|new passed|no.|now|of|\
oven|oven or tunnel|part|pass rate at the setpoint|person|place|points|powder|press|pressure|rate|report|result|\
right|rounds|scored|seconds|seen|set|set to|shown|size|source|state|supplier|sure|taken|topic|tune|turned|\
turned out to be|value|what|what counts|what differs|what is said|what it is|what it rests on|what it rests on most|\
what it looks like|what you do|when|where|who|why|without|new found worse|minutes|kind|newest|readings|there since"""
PLAIN = frozenset(_PLAIN.split("|"))
"""Headings of everyday speech and of the trade, which need no explanation."""


def is_known(word: str) -> bool:
    """Whether a heading needs no explanation, names a factor, or is explained."""
    if word in PLAIN or word in KNOWN_FACTORS:
        return True
    try:
        return bool(explain(word))
    except InputError:
        return False


def headings(text: str) -> set[str]:
    """Headings of the tables of a screen, without numbers and units, one word of ours each."""
    lines = text.splitlines()
    cells = [c for line, rule in pairwise(lines) if re.fullmatch("-{8,}", rule) for c in COLUMN.split(line)]
    return {part for cell in cells for part in (NUMBER.sub("", p).strip() for p in cell.split(",")) if part}


COLUMN, NUMBER = re.compile(r"\s{2,}"), re.compile(r"\d[\d.]*(?= |$)|%|°[CF]")


def test_every_heading_is_plain_or_explained(screens):
    words = {word for found, more in screens.values() for text in (found.out, more) for word in headings(text)}
    assert len(words) > 60
    assert sorted(word for word in words if not is_known(word)) == []


def test_every_word_of_the_developers_table_that_a_screen_says_is_explained(screens):
    said = " ".join(found.out + more for found, more in screens.values()).lower()
    spoken = [word for word, _, _ in rows() if re.search(rf"\b{word}s?\b", said) and word != "shown"]  # ours is no word
    assert len(spoken) > 20
    assert [word for word in spoken if not is_known(word)] == []


@pytest.fixture(scope="module")
def words_said(screens, folder) -> dict[str, str]:
    """Every word of the running text of commands, printed pages and pages of the whole job, with where it is said."""
    said = dict.fromkeys(words_of_tables(), "a template or a table of sentences")
    for line, (found, more) in screens.items():
        said |= dict.fromkeys(words_of(found.out) | words_of(more), line)
    made = [path for path in folder.rglob("*.html") if path.name != "working.html"]
    assert len(made) > 15
    for path in made:
        said |= dict.fromkeys(words_of_page(path.read_text(encoding="utf-8")), path.name)
    return said | pages_at_the_press(folder)


def pages_at_the_press(folder: Path) -> dict[str, str]:
    """Words of the pages of the whole job over the demo's shop, each with its address."""
    said = {}
    desk = make_desk(folder / "shop.sqlite", is_local=True, more_pages=pages)
    device = desk.device("Kim")
    plain = "/ /begin /own-sheet /study/1 /limits/1 /s/1 /list/1 /wash/1 /more /people /lines /fails /practice"
    for path in (*plain.split(), f"/line/{LINE}", f"/recipe/{RECIPE}", f"/recipe/{RECIPE}/compare"):
        answer = device.get(path)
        assert answer.status_code == 200, path
        said |= dict.fromkeys(words_of_page(answer.text), path)
    desk.bench.close()
    desk.bench.shop.close()
    return said


def test_every_word_of_ours_is_explained(words_said):
    """A word that fails here is either one of ours, and belongs in the glossary, or plain: tests/words/plain.txt."""
    assert len(words_said) > 1500
    unknown = sorted(word for word in words_said if not is_word_known(word))
    assert not unknown, " ".join(f"{word} ({words_said[word]})" for word in unknown)


def test_verdicts_and_kinds_of_plans_are_explained():
    told = (*get_args(Verdict), *(kind for kind in get_args(PlanKind) if kind != "auto"))
    assert [word for word in told if not is_known(word)] == []


@pytest.mark.parametrize("word", ["terms", "variance", "corner", "set-up", "stroke", "claim", "exact", "seed", "k = 2"])
def test_words_of_the_method_that_screens_say_are_explained(word):
    assert explain(word).text


def test_what_is_no_word_is_not_known():
    assert not is_known("flux")
    assert headings("a  b 12 %, x\n----------\n") == {"a", "b", "x"}
