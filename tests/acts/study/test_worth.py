"""What sizes buy, kept in a cache folder that may be broken, shared, read-only or not there."""

from __future__ import annotations

import multiprocessing
import os
import time
from dataclasses import replace
from pathlib import Path

import pytest

import doe
from doe.acts.study import worth as acts
from doe.book.book import Book
from doe.domain.limits import Limits
from doe.domain.stack import Line, Machine, Material, Stack
from doe.practice import worth as trial
from doe.practice.worth import Tried

pytestmark = pytest.mark.in_file("works out invented lines, whatever book the question is in")


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A book with one study of two factors; each trial is quick and counted."""
    monkeypatch.setenv("DOE_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(trial, "SIZES", (12, 16))
    monkeypatch.setattr(trial, "possible_sizes", lambda study, line: {12: 3.0, 16: 3.5})
    with Book.open(tmp_path / "book.sqlite", who="ana", create=True) as opened:
        opened.save_stack(Stack("tee", *(Material(m) for m in ("heavy tee", "cold film", "fine powder"))))
        opened.save_line(Line("room", Machine("oven", 5, 10), Machine("press", 5, 10)))
        limits = Limits(
            film_max_degc=175,
            powder_max_degc=180,
            fabric_max_degc=180,
            oven_max_degc=180,
            press_max_degc=190,
            min_cure_time_s=60,
            min_dwell_s=5,
        )
        factors = tuple(doe.usual_factor(n) for n in ("press_temp", "dwell"))
        opened.add_study(doe.Study("new powder", factors, limits=limits), stack="tee", line="room")
        yield opened


@pytest.fixture
def trials(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, int, tuple[int, ...]]]:
    """What was really tried."""
    made: list[tuple[str, int, tuple[int, ...]]] = []

    def quick(study, kind, seed, sizes, *, line, particles=600):
        made.append((kind, seed, tuple(sizes)))
        return tuple(Tried(kind, seed, n, "ready" if n == 16 else "more coupons", 0.96, 0.98) for n in sizes)

    monkeypatch.setattr(trial, "try_line", quick)
    return made


def test_every_line_is_tried_once_and_then_taken_from_the_cache(book, trials) -> None:
    shares: list[float] = []
    first = acts.sizes_worth(book, "new powder", lines=7, processes=1, progress=shares.append)
    assert len(trials) == 7
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert [(row.coupons, row.ready.hits, row.ready.lines) for row in first.rows] == [(12, 0, 7), (16, 7, 7)]
    assert (first.lines, first.wanted_lines, first.from_cache) == (7, 7, 0)
    again = acts.sizes_worth(book, "new powder", lines=7, processes=1)
    assert len(trials) == 7
    assert again.from_cache == 7
    assert again.rows == first.rows
    acts.sizes_worth(book, "new powder", lines=9, processes=1)
    assert len(trials) == 9


def test_another_question_has_another_cache(book, trials, monkeypatch) -> None:
    acts.sizes_worth(book, "new powder", lines=1, processes=1)
    monkeypatch.setattr(acts, "version", lambda: "99.0")
    acts.sizes_worth(book, "new powder", lines=1, processes=1)
    assert len(trials) == 2
    study, line = book.study("new powder").study, Line("room", Machine("oven", 5, 10), Machine("press", 5, 10))
    asked = (
        study,
        replace(study, spec=doe.Spec(pass_rate=0.9)),
        replace(study, factors=(study.factors[0], doe.usual_factor("dwell", high=19))),
    )
    assert len({acts._Store.of(s, line).path for s in asked}) == 3
    assert acts._Store.of(study, replace(line, press=Machine("press", 6, 10))) != acts._Store.of(study, line)
    assert acts._Store.of(replace(study, name="renamed"), line) == acts._Store.of(study, line)  # changes no trial


@pytest.mark.parametrize(
    "damage",
    [
        b"",
        b"\x00\xff\xfe garbage",
        b'{"kind": "bowl"',
        b"[]\n3\nnull\n",
        b'{"kind":"bowl","seed":40000,"coupons":12,"verdict":"ready","true":0.99,"best":0.99,"sum":"000000000000"}\n',
        b'{"kind":"bowl","seed":40000,"coupons":12,"verdict":"ready","true":NaN,"best":0.99,"sum":"x"}\n',
    ],
)
def test_a_damaged_cache_is_passed_over(book, trials, damage: bytes) -> None:
    clean = acts.sizes_worth(book, "new powder", lines=3, processes=1)
    (file,) = (Path(os.environ["DOE_CACHE"])).glob("*.jsonl")
    file.write_bytes(damage)
    assert acts.sizes_worth(book, "new powder", lines=3, processes=1).rows == clean.rows
    assert len(trials) == 6
    # what was written after the damage is whole
    assert acts.sizes_worth(book, "new powder", lines=3, processes=1).from_cache == 3


def test_a_changed_entry_is_tried_again(book, trials) -> None:
    acts.sizes_worth(book, "new powder", lines=1, processes=1)
    (file,) = (Path(os.environ["DOE_CACHE"])).glob("*.jsonl")
    file.write_text(file.read_text(encoding="utf-8").replace("0.96", "0.16", 1), encoding="utf-8")
    found = acts.sizes_worth(book, "new powder", lines=1, processes=1)
    assert trials[-1][2] == (12,)
    assert found.rows[0].good.hits == 1


def test_a_cache_that_cannot_be_written_is_done_without(book, trials, tmp_path, monkeypatch) -> None:
    (tmp_path / "file").write_text("not a folder", encoding="utf-8")
    monkeypatch.setenv("DOE_CACHE", str(tmp_path / "file"))
    assert acts.sizes_worth(book, "new powder", lines=2, processes=1).lines == 2
    assert acts.sizes_worth(book, "new powder", lines=2, processes=1).from_cache == 0


def test_what_is_done_when_somebody_stops_it_is_kept(book, trials, monkeypatch) -> None:
    quick = trial.try_line

    def stopped(study, kind, seed, sizes, *, line, particles=600):
        if len(trials) == 3:
            raise KeyboardInterrupt
        return quick(study, kind, seed, sizes, line=line)

    monkeypatch.setattr(trial, "try_line", stopped)
    with pytest.raises(KeyboardInterrupt):
        acts.sizes_worth(book, "new powder", lines=6, processes=1)
    monkeypatch.setattr(trial, "try_line", quick)
    assert acts.sizes_worth(book, "new powder", lines=6, processes=1).from_cache == 3


def test_kinds_that_do_not_fit_are_said_and_not_tried_again(book, trials, monkeypatch) -> None:
    made = []

    def none_of_some(study, kind, seed, sizes, *, line, particles=600):
        made.append(seed)
        return () if kind == "layers" else tuple(Tried(kind, seed, n, "ready", 0.97, 0.98) for n in sizes)

    monkeypatch.setattr(trial, "try_line", none_of_some)
    first = acts.sizes_worth(book, "new powder", lines=7, processes=1)
    assert (first.lines, first.wanted_lines) == (6, 7)
    acts.sizes_worth(book, "new powder", lines=7, processes=1)
    assert len(made) == 7
    monkeypatch.setattr(trial, "try_line", lambda *a, **k: ())
    monkeypatch.setattr(acts, "version", lambda: "98.0")
    with pytest.raises(doe.InputError, match="no simulated line that fits it"):
        acts.sizes_worth(book, "new powder", lines=2, processes=1)


@pytest.mark.parametrize("lines", [0, -1, 701])
def test_an_impossible_number_of_lines_is_refused(book, lines: int) -> None:
    with pytest.raises(doe.InputError, match="--lines"):
        acts.sizes_worth(book, "new powder", lines=lines)


def test_several_processes_give_what_one_gives(book) -> None:
    one = acts.sizes_worth(book, "new powder", lines=2, processes=1)
    (file,) = (Path(os.environ["DOE_CACHE"])).glob("*.jsonl")
    kept = sorted(file.read_text(encoding="utf-8").split())
    file.unlink()
    two = acts.sizes_worth(book, "new powder", lines=2, processes=2)
    assert two.rows == one.rows
    assert two.from_cache == 0
    assert sorted(file.read_text(encoding="utf-8").split()) == kept


def test_workers_are_stopped_when_nobody_waits_for_them_any_more(book) -> None:
    record = book.study("new powder")
    before = set(multiprocessing.active_children())
    jobs = [(kind, seed, [12, 16]) for kind, seed in trial.lines_to_try(20)]
    ended = acts._run(record.study, record.line, jobs, 2)
    next(ended)
    workers = set(multiprocessing.active_children()) - before
    assert len(workers) == 2
    ended.close()
    end = time.monotonic() + 20  # the 19 lines left would take far longer
    # asked again and again: the pool's own thread may be the one that learns of an end, a moment after the end itself
    while any(worker.is_alive() for worker in workers) and time.monotonic() < end:
        time.sleep(0.05)
    assert not any(worker.is_alive() for worker in workers)
