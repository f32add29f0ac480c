"""Work that takes seconds, done beside the pages: one at a time, its progress told, nothing done twice."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from doe.domain.errors import InputError

MOST_KEPT = 60

Progress = Callable[[float], None]


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
    log : callable
        Keeps an error that nobody expected.
    """

    def __init__(self, log: Callable[[BaseException], None]) -> None:
        self._log = log
        self._worker = ThreadPoolExecutor(max_workers=1, thread_name_prefix="work")
        self._lock = threading.Lock()
        self._jobs: OrderedDict[str, Job] = OrderedDict()

    def start(self, key: str, heading: str, act: Callable[[Progress], str]) -> None:
        """Begin a work unless it is under way; ``act`` is told to whom it reports, and says where to go on."""
        with self._lock:
            found = self._jobs.get(key)
            if found is not None and not found.is_over:
                return
            job = self._jobs[key] = Job(heading)
            self._jobs.move_to_end(key)
            while len(self._jobs) > MOST_KEPT:
                self._jobs.popitem(last=False)
        self._worker.submit(self._run, job, act)

    def find(self, key: str) -> Job | None:
        """The work of a key, under way or just ended."""
        with self._lock:
            return self._jobs.get(key)

    def close(self) -> None:
        """Stop; what is being worked out is not waited for."""
        self._worker.shutdown(wait=False, cancel_futures=True)

    def _run(self, job: Job, act: Callable[[Progress], str]) -> None:
        def tell(share: float) -> None:
            job.share = max(job.share, min(1.0, share))

        try:
            job.then = act(tell)
        except InputError as error:
            job.problem = error
        except Exception as error:
            self._log(error)
            job.is_broken = True
