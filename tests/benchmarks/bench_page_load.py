"""Twenty devices score on one page for a minute, over real HTTP: how long an answer takes, and whether all is kept.

Usage::

    python -m tests.benchmarks.bench_page_load --devices 20 --seconds 60

The page runs in a process of its own on the loopback address, over a new book with a planned study. Each device
chooses a name, and then again and again opens a coupon's form, thinks, saves a score, and is led to the study's
page; now and then it looks at the early hint, whose fit runs beside all of it, and at pages of the whole job: what
needs doing today, the study, its limits, lines, a new study. ``--strangers 260`` adds connections
that say nothing; the page shows each of them out after its time, and it comes again. Afterwards one device asks for
the study's answer several times, after a new score each time: from the tap to the page with the answer. With
``--works`` one more device asks for works all the while, one after the other and always to something new, so that
each is computed: the answer of another study after a score of it, its report, the story of a recipe. Everything
stays on this machine and ends after the seconds asked for. Run it on a machine that does nothing else, or the times
are those of the others.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import itertools
import math
import os
import random
import re
import select
import shutil
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Self
from urllib.parse import quote, unquote

import httpx2 as httpx
import numpy as np

from doe.acts.cache import CACHE_DIR
from doe.acts.demo.run import BOOK, run_demo
from doe.acts.demo.story import read_rounds, read_story
from doe.book.book import Book
from doe.domain.units import METRIC
from tests.bench.process import running
from tests.bench.shop import STUDY, hidden_fields, make_book
from tests.benchmarks.results import arguments, table, written

WANTED_MS, WANTED_ANSWER_MS = 100.0, 2000.0
LOOKS_ELSEWHERE = 0.3
"""How often a device looks at a page of the whole job after a save."""
KINDS = ("form", "save", "study", "hint", "whole job")
WHOLE_JOB = ("/", "/study/{study}", "/limits/{study}", "/lines", "/begin")
WORKS = ("answer", "report", "story")


@dataclass(frozen=True)
class Load:
    """A book: the ``study`` that is on the bench with its ``coupons`` to score; where works are asked for, the study
    they are ``asked`` of with its coupons that passed, and the ``recipe`` whose story is."""

    book: Path
    study: int
    coupons: list[str]
    asked: int = 0
    asked_coupons: tuple[str, ...] = ()
    recipe: str = ""


@dataclass(frozen=True)
class Shift:
    """What came of a load: the ``devices`` after their work, what is ``lost`` in the book, processor seconds ``used``
    by the page, milliseconds of ``answers`` asked for afterwards and of ``works`` asked for meanwhile, by kind, and the
    page's exit ``code``."""

    devices: list[Device]
    lost: list[str]
    used: float
    answers: list[float]
    works: dict[str, list[float]]
    code: int | None


class Device:
    """One tablet: what it was told is stored, and how long each answer took."""

    def __init__(self, client: httpx.AsyncClient, address: str, who: str, seed: int, study: int) -> None:
        self.client, self.address, self.who, self.study = client, address, who, study
        self.random = random.Random(seed)
        self.took: dict[str, list[float]] = {kind: [] for kind in KINDS}
        self.stored: dict[str, float] = {}
        self.failed: list[str] = []

    async def timed(self, kind: str, method: str, path: str, **more: object) -> httpx.Response:
        """One request with its time."""
        start = time.perf_counter()
        answer = await self.client.request(method, self.address + path, **more)  # type: ignore[arg-type]
        self.took[kind].append((time.perf_counter() - start) * 1000)
        return answer

    async def begin(self) -> None:
        """Choose a name."""
        page = await self.client.get(self.address + "/", follow_redirects=True)
        data = {**hidden_fields(page.text, "/name"), "typed": self.who}
        await self.client.post(self.address + "/name", data=data, headers={"Origin": self.address})

    async def work(self, coupons: list[str], until: float, think: float, hints: float) -> None:
        """Score one coupon after the other until the time is over."""
        await asyncio.sleep(self.random.random() * think)
        mine = list(coupons)
        self.random.shuffle(mine)
        place = 0
        while time.perf_counter() < until:
            coupon = mine[place % len(mine)]
            place += 1
            page = await self.timed("form", "GET", f"/c/{self.study}/{coupon}")
            await asyncio.sleep(think * (0.5 + self.random.random()))
            hand = self.random.choice(["2.5", "3", "3.5", "4", "4.5"])
            action = f"/score/{self.study}/{coupon}"
            data = {**hidden_fields(page.text, action), "hand": hand, "check:release": "pass"}
            if coupon in self.stored:  # one's own score again: a correction with its why
                data |= {f"on:hand:{self.who}": "mine", "why": "felt again"}
            answer = await self.timed("save", "POST", action, data=data, headers={"Origin": self.address})
            if answer.status_code != 303:
                self.failed.append(f"{answer.status_code}: {re.sub('<[^>]+>', ' ', answer.text)[:300]}")
                continue
            self.stored[coupon] = float(hand)
            await self.timed("study", "GET", answer.headers["location"])
            if self.random.random() < LOOKS_ELSEWHERE:
                seen = await self.timed("whole job", "GET", self.random.choice(WHOLE_JOB).format(study=self.study))
                if seen.status_code != 200:
                    self.failed.append(f"{seen.status_code} at {seen.url}")
            if self.random.random() < hints:
                await self.timed("hint", "GET", f"/hint/{self.study}")


async def measure(address: str, load: Load, given: argparse.Namespace) -> list[Device]:
    """All devices at once."""
    limits = httpx.Limits(max_connections=1)
    async with asyncio.TaskGroup() as group:
        made = [
            Device(httpx.AsyncClient(timeout=30, limits=limits), address, f"person {n:02d}", n, load.study)
            for n in range(given.devices)
        ]
        for device in made:
            group.create_task(device.begin())
    until = time.perf_counter() + given.seconds
    async with asyncio.TaskGroup() as group:
        for device in made:
            group.create_task(device.work(load.coupons, until, given.think, given.hints))
    for device in made:
        await device.client.aclose()
    return made


class Asker:
    """A device that asks for what is worked out, and follows its page as the page's script does."""

    def __init__(self, address: str, who: str) -> None:
        self.headers = {"Origin": address}
        self.client = httpx.Client(base_url=address, timeout=60, follow_redirects=True)
        page = self.client.get("/")
        self.client.post("/name", data={**hidden_fields(page.text, "/name"), "typed": who}, headers=self.headers)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.client.close()

    def score(self, study: int, coupon: str, hand: str) -> None:
        """Something new to work out from; one's own score again is a correction."""
        action = f"/score/{study}/{coupon}"
        data = {**hidden_fields(self.client.get(f"/c/{study}/{coupon}").text, action), "hand": hand}
        data |= {"check:release": "pass", "on:hand:last": "mine", "why": "felt again"}
        page = self.client.post(action, data=data, headers=self.headers)
        if not page.history:  # a score that is stored leads on
            raise SystemExit(f"not stored at {page.url}: {page.text[:300]}")

    def answer(self, study: int) -> float:
        """Milliseconds from the tap on *work out the answer* to the study's page with it."""
        form = hidden_fields(self.client.get(f"/study/{study}").text, f"/answer/{study}")
        page, took = self._followed(
            lambda: self.client.post(f"/answer/{study}", data=form, headers=self.headers), f"/study/{study}"
        )
        if "What to dial in" not in page.text:  # which stands there while the answer is to the present results
            raise SystemExit(f"no answer at {page.url}: {page.text[:300]}")
        return took

    def look(self, path: str) -> float:
        """Milliseconds from the tap on a page that is worked out to the page itself."""
        return self._followed(lambda: self.client.get(path), path)[1]

    def _followed(self, tap: Callable[[], httpx.Response], end: str) -> tuple[httpx.Response, float]:
        began = time.perf_counter()
        page = tap()
        while goes_on := re.search(r'data-reload="([^"]+)" data-there="([^"]+)"', page.text):
            time.sleep(float(goes_on[1]))
            page = self.client.get(goes_on[2])
        took = (time.perf_counter() - began) * 1000
        if page.status_code != 200 or page.url.path != unquote(end):
            raise SystemExit(f"nothing at {page.url}: {page.status_code} {page.text[:300]}")
        return page, took

    def ask(self, load: Load, over: threading.Event, took: dict[str, list[float]]) -> None:
        """Every work in turn, from something new each time, once at least."""
        for number in itertools.count():
            if over.is_set():
                return
            coupon = load.asked_coupons[number % len(load.asked_coupons)]
            self.score(load.asked, coupon, ("3", "4", "3.5", "4.5")[number // len(load.asked_coupons) % 4])
            took["answer"].append(self.answer(load.asked))
            took["report"].append(self.look(f"/paper/{load.asked}/report"))
            took["story"].append(self.look(f"/recipe/{quote(load.recipe)}/why"))


@contextlib.contextmanager
def asking(address: str, load: Load) -> Iterator[dict[str, list[float]]]:
    """Works asked for one after the other meanwhile; milliseconds from each tap to its page, by kind."""
    took: dict[str, list[float]] = {kind: [] for kind in WORKS}
    over, wrong = threading.Event(), []

    def ask() -> None:
        try:
            with Asker(address, "last") as asker:
                asker.ask(load, over, took)
        except BaseException as error:  # told where the load is waited for
            wrong.append(error)

    thread = threading.Thread(target=ask)
    if load.asked:
        thread.start()
    try:
        yield took
    finally:
        over.set()
        if load.asked:
            thread.join()
    if wrong:
        raise wrong[0]


def bench_book(folder: Path) -> Load:
    """A book with the demo's study, nine coupons of it scored."""
    path = make_book(folder / "shop.sqlite", scored=9)
    assert isinstance(path, Path)
    return Load(path, STUDY, waiting(path, STUDY))


def busy_book(demo: Path, folder: Path) -> Load:
    """The demo's book, with its recipe, and two studies more: one for the devices, one that is asked for its answer."""
    story, path = read_story(), folder / "busy.sqlite"
    shutil.copy(demo, path)
    made = read_rounds(story)[0]
    numbers = []
    with Book.open(path, who="ana") as book:
        for name, scored in (("on the bench", 9), ("asked", len(made.entries))):
            study = replace(story.study, name=name)
            numbers.append(book.add_study(study, stack=story.stack.name, line=story.line.name))
            book.save_round(numbers[-1], made.coupons, kind=made.kind, seed=made.seed, notes=("Invented coupons.",))
            book.record(numbers[-1], made.entries[:scored])
        recipe = book.recipes()[0].recipe.name
    asked = tuple(entry.coupon for entry in made.entries if entry.checks and all(entry.checks.values()))
    return Load(path, numbers[0], waiting(path, numbers[0]), numbers[1], asked, recipe)


def waiting(path: Path, study: int) -> list[str]:
    """Coupons of a study that are not scored yet."""
    with Book.open(path, who="check") as book:
        results = book.results(study)
    return [str(name) for name in results.loc[results["passed"].isna(), "coupon"]]


def missing(load: Load, devices: list[Device]) -> list[str]:
    """Scores that were acknowledged and are not in the book."""
    with Book.open(load.book, who="check") as book:
        results = book.results(load.study).set_index("coupon")
        problems = book.check()
    wrong = [
        f"{d.who}, {coupon}: {hand} acknowledged"
        for d in devices
        for coupon, hand in d.stored.items()
        if results[f"hand_{d.who}"].get(coupon) != hand
    ]
    return [*wrong, *problems]


def processor_seconds(pid: int) -> float:
    """Processor time of a process so far; NaN where the system does not tell it this way."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    except OSError:
        return math.nan
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@contextlib.contextmanager
def strangers(address: str, count: int) -> Iterator[None]:
    """So many connections that say nothing; one that is shut comes again."""
    place = (address.rpartition(":")[0].removeprefix("http://"), int(address.rpartition(":")[2]))
    over = threading.Event()

    def stand_about() -> None:
        there = [socket.create_connection(place, timeout=30) for _ in range(count)]
        while not over.wait(1.0):
            for number, stranger in enumerate(there):
                if select.select([stranger], [], [], 0)[0]:  # it was shown out
                    stranger.close()
                    with contextlib.suppress(OSError):
                        there[number] = socket.create_connection(place, timeout=30)
        for stranger in there:
            stranger.close()

    thread = threading.Thread(target=stand_about)
    if count:
        thread.start()
    try:
        yield
    finally:
        over.set()
        if count:
            thread.join()


def score_for_a_while(given: argparse.Namespace, load: Load) -> Shift:
    """Everything at once over a book, and answers asked for afterwards."""
    with running(load.book, name="open") as page:
        before = processor_seconds(page.process.pid)
        with strangers(page.address, given.strangers), asking(page.address, load) as works:
            devices = asyncio.run(measure(page.address, load, given))
        used = processor_seconds(page.process.pid) - before
        answers = []
        if given.answers:
            with Asker(page.address, "last") as asker:
                for coupon in load.coupons[: given.answers]:
                    asker.score(load.study, coupon, "4")
                    answers.append(asker.answer(load.study))
        code, _, _ = page.stop()
    return Shift(devices, missing(load, devices), used, answers, works, code)


def main() -> int:
    """Measure, print, and say with the exit code whether it is as wanted."""
    parser = arguments(__doc__)
    parser.add_argument("--devices", type=int, default=20)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--think", type=float, default=2.0, help="mean seconds between opening a form and saving it")
    parser.add_argument("--hints", type=float, default=0.02, help="how often the early hint is looked at after a save")
    parser.add_argument("--strangers", type=int, default=0, help="idle connections beside them")
    parser.add_argument("--answers", type=int, default=10, help="answers asked for afterwards, one after the other")
    parser.add_argument("--works", action="store_true", help="answers, reports, stories asked for all the while")
    given = parser.parse_args()
    who = f"{given.devices} devices beside {given.strangers} idle strangers"
    cases = f"{who} for {given.seconds:g} s, {given.think:g} s of thought a score"
    with tempfile.TemporaryDirectory() as name, written(given, __file__, __doc__, cases=cases) as figures:
        folder = Path(name)
        os.environ[CACHE_DIR] = str(folder / "cache")  # what an earlier run has drawn would be an answer at once
        load = (
            busy_book(run_demo(folder / "demo", shown=METRIC).path(BOOK), folder) if given.works else bench_book(folder)
        )
        shift = score_for_a_while(given, load)
        devices, lost, used, fits, code = shift.devices, shift.lost, shift.used, shift.answers, shift.code
        took = {kind: np.array([ms for d in devices for ms in d.took[kind]]) for kind in KINDS}
        took["all"] = np.concatenate(list(took.values()))
        failed = [text for d in devices for text in d.failed]
        answers = len(took["all"])
        figures["median_ms"], figures["within_95_ms"] = np.percentile(took["all"], [50, 95])
        figures["within_99_ms"] = float(np.percentile(took["all"], 99))
        figures.update({"answers": answers, "saves": len(took["save"]), "refused": len(failed), "lost": len(lost)})
        print(
            f"{answers} answers ({answers / given.seconds:.0f} a second), {len(took['save'])} saves, "
            f"{len(failed)} refused, {len(lost)} lost; {1000 * used / answers:.1f} processor ms an answer.\n"
        )
        rows = [
            [kind, str(len(ms)), *(f"{np.percentile(ms, at):.0f}" for at in (50, 95, 99, 100))]
            for kind, ms in took.items()
            if len(ms)
        ]
        print(table(["answer", "number", "median ms", "95 % ms", "99 % ms", "slowest ms"], rows))
        for kind, ms in shift.works.items():
            if ms:
                figures[f"median_{kind}_meanwhile_ms"], figures[f"slowest_{kind}_meanwhile_ms"] = np.median(ms), max(ms)
                print(
                    f"\nMeanwhile, from the tap to the {kind}, {len(ms)} times: median {np.median(ms):.0f} ms, "
                    f"slowest {max(ms):.0f} ms."
                )
        figures["median_answer_ms"], figures["slowest_answer_ms"] = float(np.median(fits)), max(fits)
        print(
            f"\n{len(fits)} answers of the study afterwards, each after a new score, from the tap that asks for it to "
            f"the page with it: median {np.median(fits):.0f} ms, slowest {max(fits):.0f} ms."
        )
        for text in [*failed[:5], *lost[:5]]:
            print(f"\nWrong: {text}")
        is_quick = figures["within_95_ms"] <= WANTED_MS and max(fits) <= WANTED_ANSWER_MS
    return 0 if not failed and not lost and code == 0 and is_quick else 1


if __name__ == "__main__":
    sys.exit(main())
