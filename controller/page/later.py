"""Answers that take long: asked for now, worked out beside the page, shown when they are there."""

import logging
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Final, NamedTuple, TypeVar, cast

from controller.journal.reader import Reader
from controller.page.store import Store

log = logging.getLogger(__name__)
T = TypeVar("T")

KEPT: Final = 32


class _Held(NamedTuple):
    """stamp: what the answer was asked with.  known: an answer is there.  wanted: the stamp of the
    one being worked out, None for none."""

    stamp: Hashable
    answer: object
    known: bool
    wanted: Hashable


class Later:
    """One worker with a connection of its own. `ask` never waits for it."""

    def __init__(self, journal: Path) -> None:
        self._store = Store(journal)
        self._worker = ThreadPoolExecutor(1, "page-later")
        self._held: OrderedDict[Hashable, _Held] = OrderedDict()

    def ask(self, name: Hashable, stamp: Hashable, question: Callable[[Reader], T]) -> T | None:
        """The newest answer there is, None while there is none.

        name: of the question.  stamp: of what it rests on; with another one it is worked out anew,
        and the old answer stands until then.
        """
        held = self._held.get(name, _Held(None, None, False, None))
        if (not held.known or held.stamp != stamp) and held.wanted != stamp:
            held = held._replace(wanted=stamp)
            self._held[name] = held
            while len(self._held) > KEPT:
                self._held.popitem(last=False)
            self._worker.submit(self._work, name, stamp, question)
        return cast(T, held.answer) if held.known else None

    def _work(self, name: Hashable, stamp: Hashable, question: Callable[[Reader], object]) -> None:
        try:
            answer = self._store.ask(question)
        except Exception as error:
            log.error("fault in the page: %s could not be worked out", name, exc_info=error)
            answer = None
        if answer is not None:
            held = self._held.get(name)
            # With another stamp it was asked for meanwhile, and that one is still to come.
            wanted = None if held is None or held.wanted == stamp else held.wanted
            self._held[name] = _Held(stamp, answer, True, wanted)
        else:
            self._held.pop(name, None)  # to be asked for again

    def close(self) -> None:
        """End the worker after what it is at."""
        self._worker.submit(self._store.close)
        self._worker.shutdown(wait=False, cancel_futures=False)
