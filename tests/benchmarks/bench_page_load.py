"""Twenty devices score on one page for a minute, over real HTTP: how long an answer takes, and whether all is kept.

Usage::

    python -m tests.benchmarks.bench_page_load --devices 20 --seconds 60

The page runs in a process of its own on the loopback address, over a new book with a planned study. Each device
chooses a name, and then again and again opens a coupon's form, thinks, saves a score, and is led to the study's
page; now and then it looks at the early hint, whose fit runs beside all of it, and at pages of the whole job: what
needs doing today, the study, its limits, lines, a new study. ``--strangers 260`` adds connections
that say nothing; the page shows each of them out after its time, and it comes again. Afterwards one device asks for
the study's answer several times, after a new score each time: from the tap to the page with the answer. Everything
stays on this machine and ends after the seconds asked for. Run it on a machine that does nothing else, or the times
are those of the others.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import math
import os
import random
import re
import select
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx2 as httpx
import numpy as np

from doe.book.book import Book
from tests.bench.process import running
from tests.bench.shop import STUDY, hidden_fields, make_book
from tests.benchmarks.results import arguments, table, written

WANTED_MS, WANTED_ANSWER_MS = 100.0, 2000.0
LOOKS_ELSEWHERE = 0.3
"""How often a device looks at a page of the whole job after a save."""
KINDS = ("form", "save", "study", "hint", "whole job")
WHOLE_JOB = ("/", f"/study/{STUDY}", f"/limits/{STUDY}", "/lines", "/begin")


class Device:
    """One tablet: what it was told is stored, and how long each answer took."""

    def __init__(self, client: httpx.AsyncClient, address: str, who: str, seed: int) -> None:
        self.client, self.address, self.who = client, address, who
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
            page = await self.timed("form", "GET", f"/c/{STUDY}/{coupon}")
            await asyncio.sleep(think * (0.5 + self.random.random()))
            hand = self.random.choice(["2.5", "3", "3.5", "4", "4.5"])
            action = f"/score/{STUDY}/{coupon}"
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
                seen = await self.timed("whole job", "GET", self.random.choice(WHOLE_JOB))
                if seen.status_code != 200:
                    self.failed.append(f"{seen.status_code} at {seen.url}")
            if self.random.random() < hints:
                await self.timed("hint", "GET", f"/hint/{STUDY}")


async def measure(
    address: str, coupons: list[str], devices: int, seconds: float, think: float, hints: float
) -> list[Device]:
    """All devices at once."""
    limits = httpx.Limits(max_connections=1)
    async with asyncio.TaskGroup() as group:
        made = [
            Device(httpx.AsyncClient(timeout=30, limits=limits), address, f"person {n:02d}", n) for n in range(devices)
        ]
        for device in made:
            group.create_task(device.begin())
    until = time.perf_counter() + seconds
    async with asyncio.TaskGroup() as group:
        for device in made:
            group.create_task(device.work(coupons, until, think, hints))
    for device in made:
        await device.client.aclose()
    return made


def taps_to_answers(address: str, coupons: list[str]) -> list[float]:
    """Milliseconds from the tap on *work out the answer* to the study's page with it, each time to a new score."""
    took = []
    headers = {"Origin": address}
    with httpx.Client(base_url=address, timeout=60, follow_redirects=True) as client:
        page = client.get("/")
        client.post("/name", data={**hidden_fields(page.text, "/name"), "typed": "last"}, headers=headers)
        for coupon in coupons:
            page = client.get(f"/c/{STUDY}/{coupon}")
            action = f"/score/{STUDY}/{coupon}"
            data = {**hidden_fields(page.text, action), "hand": "4", "check:release": "pass"}
            client.post(action, data=data, headers=headers)
            form = hidden_fields(client.get(f"/study/{STUDY}").text, f"/answer/{STUDY}")
            began = time.perf_counter()
            page = client.post(f"/answer/{STUDY}", data=form, headers=headers)
            while goes_on := re.search(r'data-reload="([^"]+)" data-there="([^"]+)"', page.text):  # as its script does
                time.sleep(float(goes_on[1]))
                page = client.get(goes_on[2])
            took.append((time.perf_counter() - began) * 1000)
            if page.status_code != 200 or f'action="/answer/{STUDY}"' in page.text:
                raise SystemExit(f"no answer at {page.url}: {page.text[:300]}")
    return took


def missing(path: Path, devices: list[Device]) -> list[str]:
    """Scores that were acknowledged and are not in the book."""
    with Book.open(path, who="check") as book:
        results = book.results(STUDY).set_index("coupon")
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


def score_for_a_while(given: argparse.Namespace) -> tuple[list[Device], list[str], float, list[float], int | None]:
    """The devices after their work, what is missing in the book, processor seconds of the page, how long answers took
    afterwards, its exit code."""
    with tempfile.TemporaryDirectory() as folder:
        path = make_book(Path(folder) / "shop.sqlite", scored=9)
        with Book.open(path, who="check") as book:
            results = book.results(STUDY)
            coupons = results.loc[results["passed"].isna(), "coupon"].tolist()
        with running(path, name="open") as page:
            before = processor_seconds(page.process.pid)
            with strangers(page.address, given.strangers):
                devices = asyncio.run(
                    measure(page.address, coupons, given.devices, given.seconds, given.think, given.hints)
                )
            used = processor_seconds(page.process.pid) - before
            answers = taps_to_answers(page.address, coupons[: given.answers])
            code, _, _ = page.stop()
        return devices, missing(path, devices), used, answers, code


def main() -> int:
    """Measure, print, and say with the exit code whether it is as wanted."""
    parser = arguments(__doc__)
    parser.add_argument("--devices", type=int, default=20)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--think", type=float, default=2.0, help="mean seconds between opening a form and saving it")
    parser.add_argument("--hints", type=float, default=0.02, help="how often the early hint is looked at after a save")
    parser.add_argument("--strangers", type=int, default=0, help="idle connections beside them")
    parser.add_argument("--answers", type=int, default=10, help="answers asked for afterwards, one after the other")
    given = parser.parse_args()
    who = f"{given.devices} devices beside {given.strangers} idle strangers"
    cases = f"{who} for {given.seconds:g} s, {given.think:g} s of thought a score"
    with written(given, __file__, __doc__, cases=cases) as figures:
        devices, lost, used, fits, code = score_for_a_while(given)
        took = {kind: np.array([ms for d in devices for ms in d.took[kind]]) for kind in KINDS}
        took["all"] = np.concatenate(list(took.values()))
        failed = [text for d in devices for text in d.failed]
        answers = len(took["all"])
        figures["median_ms"], figures["within_95_ms"] = np.percentile(took["all"], [50, 95])
        figures.update({"answers": answers, "saves": len(took["save"]), "refused": len(failed), "lost": len(lost)})
        print(
            f"{answers} answers ({answers / given.seconds:.0f} a second), {len(took['save'])} saves, "
            f"{len(failed)} refused, {len(lost)} lost; {1000 * used / answers:.1f} processor ms an answer.\n"
        )
        rows = [
            [kind, str(len(ms)), *(f"{np.percentile(ms, at):.0f}" for at in (50, 95, 100))]
            for kind, ms in took.items()
            if len(ms)
        ]
        print(table(["answer", "number", "median ms", "95 % ms", "slowest ms"], rows))
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
