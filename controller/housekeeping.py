"""Once a night: thin old minutes, hand space back, copy the journal to a second place.

It works in a thread of its own, on connections of its own; the loop never waits for it. What it
could not do is logged, told to the journal, and tried again the next night.
"""

import logging
import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from config.model import Site
from controller.journal.errors import JournalError
from controller.journal.upkeep import backup, give_back_space, thin
from controller.journal.writer import Journal
from sensors.clock import Clock

log = logging.getLogger(__name__)

HOUR: Final = 3
"""Local hour at which it begins; alarms are rare and nobody reads then."""
LOOK_EVERY_S: Final = 60.0
DAY_S: Final = 86400.0

Tell = Callable[[str, str, str], None]
"""Takes kind, place and text of an event."""


class Housekeeper:
    """Looks after one journal. tell: puts an event into it."""

    def __init__(self, site: Site, journal: Path, clock: Clock, tell: Tell) -> None:
        self._site = site
        self._journal = journal
        self._clock = clock
        self._tell = tell
        self._done_day = self._day()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        self._thread = threading.Thread(target=self._run, name="housekeeping", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread; work in hand is finished by the operating system's leave. Idempotent."""
        self._stopping.set()
        thread, self._thread = self._thread, None
        if thread is not None:
            thread.join(5.0)

    def work(self) -> bool:
        """Do the night's work if it is due. True when it was."""
        day = self._day()
        if day == self._done_day or not self._clock.now().trusted:
            return False
        self._done_day = day
        for name, task in (
            ("thinning", self._thin),
            ("giving back space", self._give_back),
            ("backup", self._back_up),
        ):
            try:
                task()
            except (JournalError, OSError) as error:
                log.error("%s failed: %s", name, error)
                self._tell("housekeeping_failed", "site", f"{name}: {error}")
        return True

    def _run(self) -> None:
        while not self._stopping.wait(LOOK_EVERY_S):
            self.work()

    def _day(self) -> int:
        """Number of the local day, counted from HOUR."""
        now = datetime.fromtimestamp(self._clock.now().utc_s, self._site.site.zone)
        return (now.replace(tzinfo=None) - timedelta(hours=HOUR)).date().toordinal()

    def _thin(self) -> None:
        oldest_s = self._clock.now().utc_s - self._site.journal.keep_minutes_days * DAY_S
        with Journal.open(self._journal) as journal:
            thin(journal, oldest_s)

    def _give_back(self) -> None:
        with Journal.open(self._journal) as journal:
            give_back_space(journal)

    def _back_up(self) -> None:
        """One copy a night, the newest `backups_kept` of them."""
        plan = self._site.journal
        if plan.backup_dir is None:
            return
        folder = Path(plan.backup_dir).expanduser()
        folder.mkdir(parents=True, exist_ok=True)
        now = datetime.fromtimestamp(self._clock.now().utc_s, self._site.site.zone)
        copy = folder / f"{self._journal.stem}-{now:%Y-%m-%d}.db"
        if not copy.exists():
            backup(self._journal, copy)
        kept = sorted(folder.glob(f"{self._journal.stem}-????-??-??.db"))
        for old in kept[: -plan.backups_kept]:
            old.unlink()
