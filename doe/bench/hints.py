"""Early looks, computed one at a time beside the page and kept by what they were computed from."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from doe.acts.study.earlier import hash_now
from doe.acts.study.fits import EarlyHint, early_hint
from doe.bench.shop import Shop
from doe.domain.errors import InputError

MOST = 50


@dataclass(frozen=True)
class Seen:
    """What is known now: a ``hint``, older while ``is_waiting`` for a newer one, or why there is ``none``."""

    hint: EarlyHint | None
    is_waiting: bool
    none: str = ""


class Hints:
    """Looking never waits for a computation, and scoring never does either.

    Parameters
    ----------
    shop : Shop
    log : callable
        Keeps an error that nobody expected.
    """

    def __init__(self, shop: Shop, log: Callable[[BaseException], None]) -> None:
        self._shop = shop
        self._log = log
        self._worker = ThreadPoolExecutor(max_workers=1, thread_name_prefix="hint")
        self._lock = threading.Lock()
        self._by_hash: OrderedDict[str, EarlyHint | str] = OrderedDict()
        self._hash_of: dict[int, tuple[int, str]] = {}
        self._last: dict[int, EarlyHint] = {}
        self._running: set[int] = set()

    def look(self, study: int) -> Seen:
        """The hint to what is scored now; if there is none yet, its computation begins."""
        key = self._hash(study)
        with self._lock:
            found = self._by_hash.get(key)
            if isinstance(found, str):
                return Seen(None, False, found)
            if found is not None:
                self._last[study] = found
                return Seen(found, False)
            if study not in self._running:
                self._running.add(study)
                self._worker.submit(self._compute, study, key)
            return Seen(self._last.get(study), True)

    def close(self) -> None:
        """Stop; what is being computed is not waited for."""
        self._worker.shutdown(wait=False, cancel_futures=True)

    def _hash(self, study: int) -> str:
        now = self._shop.last_act()
        kept = self._hash_of.get(study)
        if kept is not None and kept[0] == now:
            return kept[1]
        key = hash_now(self._shop.look, self._shop.look.study(study))
        self._hash_of[study] = (now, key)
        return key

    def _compute(self, study: int, asked: str) -> None:
        found: EarlyHint | str
        try:
            found = early_hint(self._shop.look, study)
        except InputError as error:
            found = str(error)
        except Exception as error:
            self._log(error)
            found = "The early look could not be computed; the details are in the log. Scoring goes on."
        with self._lock:
            # somebody may have scored between the question and the reading: the hint is kept under what it is made from
            self._by_hash[found.hash if isinstance(found, EarlyHint) else asked] = found
            while len(self._by_hash) > MOST:
                self._by_hash.popitem(last=False)
            if isinstance(found, EarlyHint):
                self._last[study] = found
            self._running.discard(study)
