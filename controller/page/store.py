"""The journal as the page reads it: its own read-only connection, answers kept for a while."""

import logging
import time
from collections.abc import Callable, Hashable
from pathlib import Path
from typing import Final, TypeVar, cast

from controller.journal.errors import JournalError
from controller.journal.reader import Reader, open_reader

log = logging.getLogger(__name__)
T = TypeVar("T")

KEPT: Final = 200


class Store:
    """One for each thread that reads. Answers are None where the journal can't be read."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._reader: Reader | None = None
        self._file: tuple[int, int] | None = None
        self._kept: dict[Hashable, tuple[float, object]] = {}
        self._said = ""

    def ask(self, question: Callable[[Reader], T]) -> T | None:
        """The answer to a question, or None where the journal can't be read just now."""
        try:
            found = question(self._open())
        except JournalError as error:
            self.close()
            if str(error) != self._said:
                self._said = str(error)
                log.warning("the page can't read the journal: %s", error)
            return None
        self._said = ""
        return found

    def kept(self, key: Hashable, for_s: float, question: Callable[[Reader], T]) -> T | None:
        """As `ask`, asked anew at most every `for_s` real seconds. key: names the question."""
        now_s = time.monotonic()
        found = self._kept.get(key)
        if found is not None and now_s - found[0] < for_s:
            return cast(T, found[1])
        answer = self.ask(question)
        if len(self._kept) > KEPT:
            self._kept.clear()
        self._kept[key] = (now_s, answer)
        return answer

    def close(self) -> None:
        reader, self._reader = self._reader, None
        if reader is not None:
            reader.close()

    def _open(self) -> Reader:
        """The reader; a new one when another file lies in the journal's place."""
        try:
            found = self.path.stat()
            file = (found.st_dev, found.st_ino)
        except OSError:
            file = None
        if self._reader is None or file != self._file:
            self.close()
            self._reader = open_reader(self.path)
            self._file = file
            self._kept.clear()
        return self._reader
