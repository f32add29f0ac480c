"""Commands that only look load no numerics, and help costs little more than the library that prints it."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from doe.acts.base import THREADS
from doe.acts.confirmation.plan import ClaimWishes, plan_confirmation
from doe.acts.confirmation.verdict import confirm_study
from doe.acts.study.fits import recommend_study
from doe.domain.score import ScoreEntry

STUDY = "new powder on the heavy tee"
NUMERICS = ("numpy", "pandas", "scipy")
LOOKING = [
    ("explain",),
    ("explain", "setting", "error"),
    ("guide",),
    ("guide", "powder"),
    ("stack", "list"),
    ("stack", "show", "heavy tee, fine powder"),
    ("line", "list"),
    ("line", "show", "back room"),
    ("gauge", "list", "back room"),
    ("study", "list"),
    ("study", "show", STUDY),
    ("study", "limits", STUDY),
    ("waiting",),
    ("recipe", "list"),
    ("recipe", "find", "heavy tee, fine powder"),
    ("book", "audit"),
]

MOST_TIMES_TYPER = 2.6
"""What help may cost in processor time of `import typer`. The aim is 2.2; the rest is room for a loaded machine."""


@pytest.mark.parametrize("words", LOOKING, ids=" ".join)
def test_looking_loads_no_numerics(shop_with, words):
    looks_light(shop_with(1), words)


@pytest.mark.parametrize("planned", [False, True], ids=["an answer is kept", "a confirmation is planned"])
def test_showing_a_study_loads_no_numerics_when(shop_with, planned):
    shop = shop_with(2)
    with shop.open() as book:
        recommend_study(book, STUDY)
        if planned:
            plan_confirmation(book, STUDY, ClaimWishes((0.9,)))
    shown = looks_light(shop, ("study", "show", STUDY))
    assert ("Confirmation 1: open." in shown) == planned
    assert "Next: doe confirm" in " ".join(shown.split())


def test_a_verdict_in_the_book_is_shown_without_numerics_until_it_is_scored_anew(shop_with):
    shop = shop_with(2)
    good = {"release": True, "stretch": True, "wash_1": True, "wash_5": True}
    with shop.open() as book:
        recommend_study(book, STUDY)
        plan_confirmation(book, STUDY, ClaimWishes((0.9,)))
        coupons = book.plan_coupons(STUDY)
        mine = list(coupons.loc[coupons["round"] == 3, "coupon"])
        book.record(STUDY, [ScoreEntry(name, checks=good, hand={"ana": 4.0, "ben": 4.0}) for name in mine])
        confirm_study(book, STUDY)
    assert "Confirmation 1: accepted." in looks_light(shop, ("study", "show", STUDY))
    with shop.open() as book:
        first = coupons.loc[coupons["role"] == "setpoint", "coupon"].iloc[0]
        book.record(STUDY, [ScoreEntry(first, checks={"release": False})], why="seen again by daylight")
    assert shop.good("study", "show", STUDY, "--json").json["confirmations"] == ["not accepted"]


def looks_light(shop, words) -> str:
    """What a command prints that must load no numerics."""
    code = (
        f"import sys\nsys.argv = ['doe', *{words}]\nfrom doe.cli import main\n"
        "try:\n    main()\nexcept SystemExit as left:\n    assert not left.code\n"
        f"sys.exit(', '.join({{*{NUMERICS}, 'alembic'}} & set(sys.modules)) or 0)\n"
    )
    settings = {**os.environ, "DOE_BOOK": str(shop.book), "DOE_WHO": "ana"}
    found = subprocess.run([sys.executable, "-c", code], env=settings, capture_output=True, text=True, check=False)
    assert found.returncode == 0, found.stderr
    assert found.stdout
    return found.stdout


@pytest.mark.skipif(sys.platform == "win32", reason="needs the processor time of a child")
def test_help_costs_little_more_than_the_library_that_prints_it():
    # the least of five: what another program took meanwhile is no cost of ours
    base = min(processor_seconds("-c", "import typer") for _ in range(5))
    helped = min(processor_seconds("-m", "doe.cli", "--help") for _ in range(5))
    assert helped <= MOST_TIMES_TYPER * base


def processor_seconds(*words: str) -> float:
    """Processor time of one run of Python."""
    import resource

    def used() -> float:
        told = resource.getrusage(resource.RUSAGE_CHILDREN)
        return told.ru_utime + told.ru_stime

    before = used()
    subprocess.run([sys.executable, *words], stdout=subprocess.DEVNULL, check=True)
    return used() - before


def test_linear_algebra_takes_one_thread_unless_told_otherwise(monkeypatch):
    import doe.cli

    monkeypatch.setattr(doe.cli, "app", lambda: None)
    for name in ("set_threshold", "disable", "freeze"):
        monkeypatch.setattr(f"gc.{name}", lambda *_: None)
    for name in THREADS:
        monkeypatch.setenv(name, "")  # so that what `main` sets is taken back
        monkeypatch.delenv(name)
    monkeypatch.setenv(THREADS[0], "2")
    doe.cli.main()
    assert [os.environ[name] for name in THREADS] == ["2", "1", "1"]


@pytest.mark.parametrize("words", [["study", "list"], ["stack", "list"]])
def test_loaded_code_is_set_aside_and_collecting_goes_on_while_a_command_runs(words, tmp_path):
    told = (
        "import gc, sys\n"
        "import doe.cli\n"
        "from doe.cli.desk import Desk\n"
        "shown = Desk.shown\n"
        "def look(desk):\n"
        "    print(gc.isenabled(), gc.get_freeze_count() > 10_000)\n"
        "    return shown.fget(desk)\n"
        "Desk.shown = property(look)\n"
        f"sys.argv = ['doe', *{words!r}]\n"
        "doe.cli.main()\n"
    )
    env = {**os.environ, "DOE_BOOK": str(tmp_path / "book.sqlite")}
    done = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, env=env, check=False)
    assert done.stdout.startswith("True True"), done.stderr
