"""Acts from the page to the loop and their answers back, through a queue without a lock.

The loop takes what lies there before a tick and answers after it, so that an act from the page goes
through the same door, and past the same guards, as one from the command line.
"""

import logging
from collections import deque
from collections.abc import Callable, Iterable

from controller.loop import Controller
from controller.records import Act, ActDone

log = logging.getLogger(__name__)

MOST = 32
"""Acts that may wait; a person asks for one at a time."""
Answer = Callable[[ActDone], None]


class Desk:
    """The page calls `ask`, from its thread; the loop calls `take` and `answer`, from its own."""

    def __init__(self) -> None:
        self._asked: deque[tuple[Act, Answer]] = deque()
        self._taken: list[tuple[Act, Answer]] = []

    def ask(self, act: Act, answer: Answer) -> bool:
        """Put an act down. answer: called from the loop's thread; must only hand on.

        False when too many wait already.
        """
        if len(self._asked) >= MOST:
            return False
        self._asked.append((act, answer))
        return True

    def take(self, controller: Controller) -> None:
        """Give what lies here to the next tick."""
        while self._asked:
            act, answer = self._asked.popleft()
            controller.ask(act)
            self._taken.append((act, answer))

    def answer(self, done: Iterable[ActDone]) -> None:
        """Hand the answers of a tick back to whoever asked."""
        if not self._taken:
            return
        answers = {id(one.act): one for one in done}
        waiting = []
        for act, answer in self._taken:
            found = answers.get(id(act))
            if found is None:
                waiting.append((act, answer))
                continue
            try:
                answer(found)
            except Exception as error:
                log.error("an answer could not be handed back: %s", type(error).__name__)
        self._taken = waiting
