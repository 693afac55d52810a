"""The hand that writes batches down for the page: one worker, each act once.

It goes by the one door for acts on batches, in a thread of its own, so that a slow disk holds up
neither the bench nor the page.
"""

import asyncio
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Final

from controller.batch_acts import BatchActs
from controller.page.moment import Moment
from controller.page.tokens import Holder

KEPT: Final = 64


class Pen:
    """Belongs to the page's event loop."""

    def __init__(self, journal: Path) -> None:
        self.journal = journal
        self._worker = ThreadPoolExecutor(1, "page-writes")
        self._written: OrderedDict[Hashable, asyncio.Future[tuple[str, str]]] = OrderedDict()

    def acts(self, moment: Moment, holder: Holder) -> BatchActs:
        """What may be done with the batches, by whoever asks and by the controller's clock."""
        return BatchActs(self.journal, moment.site, holder.name, clock=lambda: moment.now.utc_s)

    async def write(
        self, key: Hashable, work: Callable[[], tuple[str, str]]
    ) -> tuple[str, str, bool]:
        """Do `work` in the worker: its answer and where to go on, and whether it was done before.

        key: of this very form with these very words; sent twice (a second tap, a reload) it is done
        once. What was refused may be sent again.
        """
        found = self._written.get(key)
        before = found is not None
        if found is None:
            found = asyncio.get_running_loop().run_in_executor(self._worker, work)
            self._written[key] = found
            while len(self._written) > KEPT:
                self._written.popitem(last=False)
        try:
            said, where = await asyncio.shield(found)
        except Exception:
            self._written.pop(key, None)
            raise
        return said, where, before

    def close(self) -> None:
        self._worker.shutdown(wait=True, cancel_futures=False)
