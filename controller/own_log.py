"""What the daemon says on standard error, without ever waiting for whoever reads it.

A terminal held with Ctrl-S, a pager, or a log collector that hangs takes no more once its buffer is
full. A loop that wrote there by itself would stand still from then on, and the bench grow cold.
"""

import contextlib
import logging
import os
import queue
import sys
import threading
import time
from typing import Final

KEPT_LINES: Final = 1000
"""Lines that wait for a reader at most; what comes beyond them is counted and not said."""
LAST_S: Final = 1.0
"""Real seconds that the end of the program leaves a slow reader for the last lines."""


class OwnLog(logging.Handler):
    """Takes log records and lines at once; a thread of its own brings them to `fd`.

    fd: by default that of standard error; where that is closed, nothing is said.
    """

    def __init__(self, fd: int | None = None) -> None:
        super().__init__()
        self._fd = _own_stderr() if fd is None else fd
        self._waiting: queue.Queue[str] = queue.Queue(KEPT_LINES)
        self._unsaid = 0
        with contextlib.suppress(RuntimeError):  # no thread left: nothing is said then
            threading.Thread(target=self._bring, name="own log", daemon=True).start()

    def emit(self, record: logging.LogRecord) -> None:
        try:
            self.say(self.format(record) + "\n")
        except Exception:
            self.handleError(record)

    def say(self, text: str) -> None:
        """Take text with its newline; never waits."""
        try:
            self._waiting.put_nowait(text)
        except queue.Full:
            self._unsaid += 1

    def flush(self) -> None:
        """Wait until all is said, for LAST_S at most; the program does so at its end."""
        end_s = time.monotonic() + LAST_S
        while self._waiting.unfinished_tasks and time.monotonic() < end_s:
            time.sleep(0.01)

    def _bring(self) -> None:
        while True:
            text = self._waiting.get()
            self._write(text)
            unsaid, self._unsaid = self._unsaid, 0
            if unsaid:
                self._write(f"{unsaid} lines were not said: nobody read them in time\n")
            self._waiting.task_done()

    def _write(self, text: str) -> None:
        # By os.write: a thread that is held up in sys.stderr holds its lock, and with it the end.
        data = text.encode(getattr(sys.stderr, "encoding", None) or "utf-8", "backslashreplace")
        try:
            while data and self._fd is not None:
                data = data[os.write(self._fd, data) :]
        except OSError:
            return  # the reader is gone


def _own_stderr() -> int | None:
    """Never just 2: where standard error is closed, that may be any file opened since."""
    try:
        return sys.stderr.fileno()
    except (AttributeError, OSError):
        return None
