"""What every command says by itself: one screen, in order, with nothing behind ``--more`` that somebody must know."""

from __future__ import annotations

import re
import shlex
import shutil
from collections.abc import Iterator

import pytest

from doe.acts.demo.run import run_demo
from doe.cli.terminal import HEIGHT, WIDTH
from doe.domain.units import METRIC
from tests.cli.test_examples import COMMANDS
from tests.shop import STUDY, CommandResult, Shop

SERVES = {("bench",), ("open",)}
"""They run until they are stopped, and print one address."""
ELSEWHERE = {("recipe", "add"), ("study", "copy")}
"""They answer as release and study new do, whose screens are read."""

RECIPE, LINE, STACK = "fine powder on the heavy tee", "back room", "heavy tee, fine powder"
LIMITS = (
    '--limit "film_max=175C@a" --limit "powder_max=180C@b" --limit "fabric_max=190C@c" --limit "oven_max=180C@d" '
    '--limit "press_max=190C@d" --limit "max_pressure=6bar@d" --limit "min_cure_time=60@b" --limit "min_dwell=5@a"'
)
NEW = (
    '--factor "cure_temp=110C..140C,sd=4C" --factor "press_temp=140C..170C,sd=3C" --factor "pressure=2bar..4bar,sd=0.2"'
    ' --factor "dwell=8..20" --hold cure_time=100 --forbid "cure_temp >= 138 and dwell >= 18; the film curls"'
)
SHOP = f"""
stack list
stack show "{STACK}"
stack add "thin tee" --fabric "thin tee" --film "matt film" --powder "fine powder"
line list
line show "{LINE}"
line add "front room" --oven "batch oven" --press "clam press"
gauge list "{LINE}"
gauge show "{LINE}"
study list
study show "{STUDY}"
people "{STUDY}"
people "{STUDY}" -o people.html
fit "{STUDY}"
recommend "{STUDY}"
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
compare "{RECIPE}"
compare "blank of Orrin"
compare "blank of Kestrow"
compare "{RECIPE}" --powder "lot=P4"
compare "{RECIPE}" --powder "lot=P4" --begin --as p4
compare p4
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
gauge add "{LINE}" --machine press --set 150C --measured 146C --place "front"
gauge map "{LINE}" --machine press --rows 3
gauge withdraw 8 --why "a slip"
recipe retire "{RECIPE}" --why "another powder"
recipe show "{RECIPE}"
study archive again --why "not wanted"
study restore again --why "wanted"
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
report "{STUDY}" -o report.html
extend "{STUDY}" --coupons 8
confirm "{STUDY}" --claim 0.90 --claim 0.95 --allow 0 --allow 1
confirm "{STUDY}" --plan --claim 0.9 --allow 0
confirm "{STUDY}"
study new third --stack "thin tee" --line "{LINE}" --factor "press_temp=150C..199C,sd=5C" --factor "dwell=2..60"
study show third
"""
ONCE = re.compile(
    r"--begin|--retune|--choose|--plan|--turned-out|--again|--answer|^\w+ (add|new|archive|restore|retire)"
)
ONLY_ONCE = re.compile(r"^(extend|release|record|book (init|export|backup|import)|gauge withdraw|study (amend|limits))")
"""What stores something is not asked a second time."""


def say(shop: Shop, text: str) -> dict[str, tuple[CommandResult, str]]:
    """Each command line with what it says, and what it says with ``--more`` where it can be asked twice."""
    said: dict[str, tuple[CommandResult, str]] = {}
    for line in filter(None, text.splitlines()):
        found = shop.good(*shlex.split(line))
        more = "" if ONCE.search(line) or ONLY_ONCE.search(line) else shop.good(*shlex.split(line), "--more").out
        said[line if line not in said else f"{line} (later)"] = found, more
    return said


@pytest.fixture(scope="module")
def screens(tmp_path_factory, _ready_books) -> Iterator[dict[str, tuple[CommandResult, str]]]:
    """What every command says on the demo's shop, and in a shop that has read no gauge."""
    folder = tmp_path_factory.mktemp("screens")
    done = run_demo(folder / "doe-demo", shown=METRIC)
    shutil.copy(done.path("book.sqlite"), folder / "shop.sqlite")
    shutil.copy(_ready_books[2], folder / "other.sqlite")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.setattr("doe.practice.worth.LINES", 1)
        patch.setattr("doe.acts.study.worth._cores", lambda: 1)
        patch.setattr("doe.cli.demo.run_demo", lambda folder, **_: done)
        shop, other = (Shop(folder, folder / name) for name in ("shop.sqlite", "other.sqlite"))
        for kept in other.good("gauge", "list", LINE, "--json").json["readings"]:
            other.good("gauge", "withdraw", str(kept["id"]), "--why", "for the test")
        yield say(shop, "demo\n" + SHOP) | {f"{line} (no gauge)": said for line, said in say(other, UNGAUGED).items()}


def test_every_command_is_among_them(screens):
    told = {tuple(line.split()[:2]) for line in screens} | {tuple(line.split()[:1]) for line in screens}
    assert set(COMMANDS) - told == SERVES | ELSEWHERE


def test_no_screen_is_higher_or_wider_than_a_terminal(screens):
    too_large = {
        line: (len(lines), max(map(len, lines)))
        for line, (found, _) in screens.items()
        if len(lines := found.out.splitlines()) > HEIGHT or max(map(len, filter(wraps, lines)), default=0) > WIDTH
    }
    assert too_large == {}


def wraps(line: str) -> bool:
    """Whether a line is text of ours: neither the long name of a file, nor code to copy."""
    return (
        "/screens" not in line
        and " " in line.strip()
        and not line.strip().startswith(("factors =", "study =", "results ="))
    )


def cautions(text: str) -> set[str]:
    """Sentences behind an exclamation mark, each on one line."""
    return {" ".join(found.split()) for found in re.findall(r"^! (.*(?:\n  \S.*)*)", text, flags=re.MULTILINE)}


DANGER = re.compile(
    r"burn|fume|smoke|gas|never (set|bypass|leave)|stop|hot|scorch|limit|fire|extraction|°C or above", re.IGNORECASE
)


def test_no_danger_stands_behind_more(screens):
    for line, (found, more) in screens.items():
        if more:
            hidden = cautions(more) - cautions(found.out)
            assert [text for text in hidden if DANGER.search(text)] == [], line


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
