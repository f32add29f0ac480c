"""Works that take seconds, done beside the pages: first what is waited for, progress told, nothing done twice."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Protocol, TypeVar

from doe.bench.beside import Compute, OutOfDateError, Progress, Rank
from doe.bench.shop import Shop, in_book
from doe.book.book import Book
from doe.domain.errors import InputError

MOST_KEPT = 60

T = TypeVar("T")
T_co = TypeVar("T_co", covariant=True)


class Work(Protocol[T_co]):
    """An act on a book that tells how far it is; it must be such as can be sent to another process."""

    def __call__(self, book: Book, *, progress: Progress) -> T_co: ...


@dataclass
class Job:
    """Something being worked out: its ``heading``, the ``share`` done, where it leads (``then``) once it is.

    ``problem`` is what was wrong with what it was asked, ``is_broken`` that it ended with an error nobody expected.
    """

    heading: str
    share: float = 0.0
    then: str = ""
    problem: InputError | None = None
    is_broken: bool = False

    @property
    def is_over(self) -> bool:
        """Whether it has ended, well or not."""
        return bool(self.then or self.problem or self.is_broken)


class Jobs:
    """The works of one page.

    Parameters
    ----------
    shop : Shop
    log : callable
        Keeps an error that nobody expected.
    compute : callable
        Where they are carried out.
    """

    def __init__(self, shop: Shop, log: Callable[[BaseException], None], compute: Compute) -> None:
        self._shop = shop
        self._log = log
        self._compute_in = compute
        self._is_closed = False
        self._workers = {
            rank: ThreadPoolExecutor(max_workers=1, thread_name_prefix=f"work-{rank.name.lower()}")
            for rank in (Rank.WAITED_FOR, Rank.ADDED)
        }
        self._lock = threading.Lock()
        self._jobs: OrderedDict[str, Job] = OrderedDict()

    def start(
        self,
        key: str,
        heading: str,
        who: str,
        work: Work[T],
        then: Callable[[T], str],
        *,
        rank: Rank = Rank.WAITED_FOR,
    ) -> None:
        """Begin a work in a person's name unless it is under way; ``then`` says where what it made leads.

        One that is only `ADDED` to a page gives way to those that are waited for.
        """
        with self._lock:
            found = self._jobs.get(key)
            if found is not None and not found.is_over:
                return
            job = self._jobs[key] = Job(heading)
            self._jobs.move_to_end(key)
            while len(self._jobs) > MOST_KEPT:
                self._jobs.popitem(last=False)
        self._workers[rank].submit(self._run, key, job, who, work, then, rank)

    def find(self, key: str) -> Job | None:
        """The work of a key, under way or just ended."""
        with self._lock:
            return self._jobs.get(key)

    def forget(self, key: str) -> None:
        """Have a work begun anew when it is asked for again."""
        with self._lock:
            self._jobs.pop(key, None)

    def close(self) -> None:
        """Stop; what is being worked out is not waited for."""
        self._is_closed = True
        for worker in self._workers.values():
            worker.shutdown(wait=False, cancel_futures=True)

    def _run(self, key: str, job: Job, who: str, work: Work[T], then: Callable[[T], str], rank: Rank) -> None:
        def tell(share: float) -> None:
            job.share = max(job.share, min(1.0, share))

        try:
            job.then = then(self._compute_in(in_book, self._shop.target, who, work, progress=tell, rank=rank))
        except InputError as error:
            job.problem = error
        except OutOfDateError:
            self.forget(key)
        except Exception as error:
            if not self._is_closed:
                self._log(error)
            job.is_broken = True
