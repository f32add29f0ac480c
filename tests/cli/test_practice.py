"""`doe practice`: played by answers and at a terminal of 80x24; kept in the book; a class at a glance."""

from __future__ import annotations

import os
import re
import select
import struct
import time

import pytest

from tests.forked import Forked
from tests.shared import untapped


def words(exercise: str, seed: int, answers: list[str]) -> list[str]:
    return ["practice", "play", exercise, "--seed", str(seed), *(w for a in answers for w in ("--answer", a))]


def answers_to_the_fault(seed: int) -> list[str]:
    from doe.practice.drill_fault import FindFault

    return ["settings", f"= {FindFault(seed).cause.key}"]


def test_exercise_played_by_answers_is_scored_and_kept_under_the_name(empty_shop):
    found = empty_shop.good(*words("fault", 5, answers_to_the_fault(5)), "--who", "bo", "--json").json
    assert found["over"]
    assert found["score"] == 99
    assert found["truth"]
    with empty_shop.open() as book:
        (note,) = book.notes("practice", "bo")
        assert note.data["answers"] == answers_to_the_fault(5)
        assert note.data["score"] == 99


def test_unfinished_exercise_shows_the_open_question_and_keeps_nothing(empty_shop):
    found = empty_shop.good(*words("fault", 5, ["settings"]), "--json").json
    assert not found["over"]
    assert "minutes and 3 tries left" in found["question"]["text"]
    with empty_shop.open() as book:
        assert book.notes("practice") == ()
    assert "nothing is kept" in empty_shop.good(*words("fault", 5, ["settings"])).out


def test_class_gets_the_same_line_once_then_each_a_new_one(empty_shop):
    empty_shop.good("practice", "lesson", "fault", "--seed", "12")
    for who in ("ana", "bo"):
        answers = [w for a in answers_to_the_fault(12) for w in ("--answer", a)]
        found = empty_shop.good("practice", "play", "fault", *answers, "--who", who, "--json").json
        assert found["seed"] == 12
    found = empty_shop.good("practice", "play", "fault", "--answer", "room", "--who", "bo", "--json").json
    assert found["seed"] != 12
    table = empty_shop.good("practice", "class").out
    assert re.search(r"ana +- +99 \(1x\)", table)
    assert "fault: line 12" in table
    progress = empty_shop.good("practice", "class", "--person", "bo", "--json").json["progress"]
    assert [(p["person"], p["times"], p["best"]) for p in progress] == [("bo", 1, 99)]


def test_page_with_the_truth_is_written_at_the_end(empty_shop):
    found = empty_shop.good(*words("report", 1, ["more", "bound", "90"]), "-o", "truth.html")
    page = untapped((empty_shop.folder / "truth.html").read_text(encoding="utf-8"))
    assert page.count("<figure") == 2
    assert "What was really so" in page
    assert "Before you touch a machine" in page
    assert "seed 1" in page
    assert "http" not in page.replace("http://www.w3.org", "")
    assert "truth.html" in found.out


def test_tuning_shows_points_table_and_a_small_map(empty_shop):
    found = empty_shop.good(*words("tune", 1, ["125 150 155 14 x2", "= 125 150 155 14"]), "--more")
    for part in ("of 100 points", "yours", "the tool's", "the best", "across: press temperature"):
        assert part in found.out
    assert max(map(len, found.out.splitlines())) <= 80


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["practice", "play", "fault"], "a terminal, or --answer"),
        (["practice", "play", "juggle", "--answer", "x"], "tune, fault, blank, lot, report, chart, compare"),
        (["practice", "play", "fault", "--seed", "-1", "--answer", "x"], "0 or more"),
        (["practice", "play", "fault", "--seed", "1", "--answer", "xyz"], "allowed: settings"),
        (["practice", "lesson", "juggle", "--seed", "1"], "tune, fault, blank"),
    ],
)
def test_bad_input_is_one_line(empty_shop, options, said):
    found = empty_shop.run(*options)
    assert found.code == 2
    assert len(found.errors) == 1
    assert said in found.err


# a real terminal


class Terminal:
    """`doe` in a pseudo-terminal of 80x24, driven by what it asks."""

    def __init__(self, shop, *options: str) -> None:
        import fcntl
        import pty
        import termios

        self.master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        env = {
            **os.environ,
            "DOE_BOOK": str(shop.book),
            "DOE_WHO": "ana",
            "DOE_UNITS": "",
            "TERM": "xterm",
            "NO_COLOR": "1",
            "OMP_NUM_THREADS": "1",
        }
        env.pop("COLUMNS", None)
        self.process = Forked(options, env=env, cwd=shop.folder, terminal=slave)
        os.close(slave)
        self.text = ""
        self._seen = 0

    def _read(self, seconds: float) -> bool:
        ready, _, _ = select.select([self.master], [], [], seconds)
        if not ready:
            return True
        try:
            piece = os.read(self.master, 65536)
        except OSError:  # the other end is closed
            return False
        self.text += piece.decode(errors="replace").replace("\r", "")
        return bool(piece)

    def until(self, wanted: str, seconds: float = 60) -> None:
        """Read until the text shows, from where the last wait ended."""
        end = time.monotonic() + seconds
        while wanted not in self.text[self._seen :]:
            assert time.monotonic() < end, self.text[-2000:]
            assert self._read(0.5) or wanted in self.text[self._seen :], self.text[-2000:]
        self._seen = self.text.index(wanted, self._seen) + len(wanted)

    def type(self, text: str) -> None:
        os.write(self.master, f"{text}\n".encode())

    def close(self) -> int:
        while self._read(20):
            if self.process.poll() is not None and not select.select([self.master], [], [], 0.2)[0]:
                break
        os.close(self.master)
        return self.process.wait(20)


@pytest.mark.skipif(os.name == "nt", reason="Windows has no pseudo-terminals in the standard library")
def test_walk_through_at_a_terminal_of_80_by_24(empty_shop):
    terminal = Terminal(empty_shop, "practice", "play", "blank", "--seed", "5", "-o", "truth.html")
    terminal.until("Does the recipe hold")
    terminal.until(">")
    terminal.type("everywhere 3")  # refused in one line, and asked again
    terminal.until("setpoint, cool, hot")
    terminal.until(">")
    terminal.type("cool 6")
    terminal.until("B06")
    terminal.until(">")
    terminal.type("setpoint 4")
    terminal.until("B10")
    terminal.until(">")
    terminal.type("hint")
    terminal.until("corner of the window")
    terminal.until(">")
    terminal.type("= retune")
    terminal.until("of 100 points")
    terminal.until("The picture of the truth is in")
    assert terminal.close() == 0
    lines = terminal.text.splitlines()
    assert max(map(len, lines)) <= 80, max(lines, key=len)
    assert "+-----" in terminal.text  # coupons come back as drawings
    # between two questions the answer to the first fits the screen
    for part in terminal.text.split("\n>")[1:-1]:
        assert len(part.splitlines()) <= 24, part
    assert (empty_shop.folder / "truth.html").exists()
    with empty_shop.open() as book:
        (note,) = book.notes("practice", "ana")
        assert note.data["exercise"] == "blank"
        assert note.data["hints"] == 1


WALKS = {
    "tune": ["125 150 155", "125 150 155 14 x2", "hint", "130 160 160 14", "= 126 155 158 14"],
    "fault": ["? weigh", "settings", "hint", "= {cause}"],
    "report": ["confirm", "hint", "bound", "120", "96"],
    "lot": ["perhaps", "hint", "more", "go on"],
    "chart": ["maybe", "on", "hint", "again", "stop", "on"],
    "compare": [
        "110 120 125 130 140",
        "125",
        "100 120 150 180 200",
        "150",
        "145 150 155 160 165",
        "155",
        "9 11 13 15 18",
        "14",
        "plan",
    ],
}
"""What is typed at each question, refused answers among them; the last one ends the exercise."""


@pytest.mark.skipif(os.name == "nt", reason="Windows has no pseudo-terminals in the standard library")
@pytest.mark.parametrize("exercise", WALKS)
def test_every_exercise_can_be_walked_through_at_80_by_24(empty_shop, exercise):
    from doe.practice.drill_fault import FindFault

    terminal = Terminal(empty_shop, "practice", "play", exercise, "--seed", "2", "-o", "truth.html")
    for answer in WALKS[exercise]:
        terminal.until("\n>: ", 120)  # the whole prompt: what is typed sooner is echoed into it
        terminal.type(answer.format(cause=FindFault(2).cause.key))
    terminal.until("of 100 points", 120)
    terminal.until("The picture of the truth is in", 120)
    assert terminal.close() == 0
    lines = re.sub(r"\x1b\[[0-9;]*m", "", terminal.text).splitlines()  # bold takes no column
    assert max(map(len, lines)) <= 80, max(lines, key=len)
    for part in terminal.text.split("\n>")[1:-1]:
        assert len(part.splitlines()) <= 24, part
    assert (empty_shop.folder / "truth.html").exists()
    with empty_shop.open() as book:
        (note,) = book.notes("practice", "ana")
        assert note.data["exercise"] == exercise


@pytest.mark.skipif(os.name == "nt", reason="Windows has no pseudo-terminals in the standard library")
def test_leaving_an_exercise_at_a_terminal_keeps_nothing(empty_shop):
    terminal = Terminal(empty_shop, "practice", "play", "fault", "--seed", "2")
    terminal.until(">")
    terminal.type("? weigh")
    terminal.until("Weigh a film")
    terminal.type("q")
    terminal.until("nothing is kept")
    assert terminal.close() == 0
    assert max(len(line) for line in terminal.text.splitlines()) <= 80
    with empty_shop.open() as book:
        assert book.notes("practice") == ()
