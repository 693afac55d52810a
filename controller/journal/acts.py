"""An act asked from another program, and the running controller's answer to it."""

import time
from pathlib import Path

from controller.journal.reader import open_reader
from controller.journal.writer import Journal
from controller.records import Act, ActDone

POLL_S = 0.2


def ask_and_wait(path: Path, act: Act, *, at_s: float, wait_s: float) -> ActDone | None:
    """Put `act` into the journal and wait for the controller's answer.

    at_s: now, UTC s.  wait_s: real seconds to wait.  None when nobody has answered by then.
    Raises JournalError.
    """
    with Journal.open(path) as journal:
        number = journal.ask(act, at_s)
    deadline_s = time.monotonic() + wait_s
    with open_reader(path) as reader:
        while True:
            answer = reader.answer(number)
            if answer is not None or time.monotonic() >= deadline_s:
                return answer
            time.sleep(POLL_S)
