"""The only file that builds things: a Site and its surroundings made into a Controller."""

import logging
import threading
import uuid
from collections.abc import Callable, Mapping
from importlib.metadata import PackageNotFoundError, version
from math import inf
from pathlib import Path
from typing import Final, NamedTuple, TypeVar

from config.model import Site
from config.recipes import thaw
from controller.decide.alarms import check_changes
from controller.entries import effective, stays
from controller.gather import live_warmth
from controller.journal.errors import JournalError
from controller.journal.reader import open_reader
from controller.journal.recorder import Recorder
from controller.journal.writer import Journal
from controller.loop import Controller
from controller.records import Batch, StateRow
from controller.warmths import Counted, WarmthBook
from sensors.clock import Clock, Now
from sensors.links import make_link
from sensors.links.base import Link

log = logging.getLogger(__name__)
A = TypeVar("A")

PATIENCE_S: Final = 8.0
"""Real seconds that a start waits for the journal. Making one syncs the disk a dozen times, and a
worn card may take eight seconds for each; the service manager would give the start up before."""


def program_version() -> str:
    """The installed version, or "source" when run from an unpacked tree."""
    try:
        return version("warmfoot")
    except PackageNotFoundError:
        return "source"


def boot_id() -> str:
    """Name of this start of the machine, so that records of one boot can be put in order."""
    path = Path("/proc/sys/kernel/random/boot_id")
    try:
        return path.read_text(encoding="ascii").strip()
    except OSError:
        return str(uuid.uuid4())


def build(
    site: Site,
    *,
    clock: Clock,
    journal: Path | str,
    links: Mapping[str, Link] | None = None,
    site_text: str = "",
    durable: bool = True,
    threaded: bool = False,
) -> Controller:
    """A Controller for `site`, not yet started.

    clock: the machine's, or a virtual one for fast time.  links: by the names of the bench file;
    None makes them from it.  journal: its file; taken up where it was left.  site_text: the bench
    file as written, kept in the journal.  durable: every commit survives a power cut (slower).
    threaded: journal in a thread of its own, as the daemon wants it; a virtual clock wants False.
    Raises ConfigError for a bench file that asks for an alarm or a recipe there is none of, and,
    when not threaded, JournalError when the journal can't be opened; a threaded one is tried again
    while control goes on.
    """
    check_changes(site)
    now = clock.now()
    path = Path(journal)
    store = Journal.closed(path, site=site, durable=durable)
    opening = None
    if threaded:
        opening = _Opening(store, site_text, now)
        opening.start()
        opening.join(PATIENCE_S)
        found = opening.found
        if found is None:
            log.error("%s is still being opened; control goes on, records wait in memory", journal)
    else:
        store.reopen(now.utc_s)
        found = _take_up(store, site_text, now, must=True)
    saved, seen_s, batches = found or _Found(None, None, [])
    away_s = max(0.0, now.utc_s - seen_s) if seen_s else 0.0
    recorder = Recorder(store, threaded=threaded, clock=clock, opening=None if found else opening)

    def recount(batch: Batch) -> Counted:
        if not threaded:
            recorder.flush()
        with open_reader(path) as reader:
            # Asked first, so that a minute that is stored meanwhile is not lost.
            last_s = reader.last_minute_s()
            stood = stays(batch, effective(reader.entries(batch.number)), inf)
            return Counted(live_warmth(reader, batch, thaw(batch.recipe_json)), stood, last_s)

    warmths = WarmthBook(site, recount)
    warmths.follow(batches)
    wires = dict(links) if links is not None else {}
    for name, plan in site.links.items():
        if name not in wires:
            wires[name] = make_link(name, plan, clock, site)
    return Controller(
        site,
        clock=clock,
        links=wires,
        recorder=recorder,
        warmths=warmths,
        batches=batches,
        state_json=saved.json if saved else None,
        away_s=away_s,
        began_utc_s=now.utc_s,
    )


class _Found(NamedTuple):
    """What a journal held at the start. seen_s: when a controller last wrote, UTC s."""

    saved: StateRow | None
    seen_s: float | None
    batches: list[Batch]


class _Opening(threading.Thread):
    """Opens the journal and takes it up, however long its disk takes. found: None until then."""

    def __init__(self, store: Journal, site_text: str, now: Now) -> None:
        super().__init__(name="opening", daemon=True)
        self.found: _Found | None = None
        self._asked_for = (store, site_text, now)

    def run(self) -> None:
        store, site_text, now = self._asked_for
        try:
            store.reopen(now.utc_s)
        except JournalError as error:
            log.error("control goes on, records wait in memory: %s", error)
        self.found = _take_up(store, site_text, now, must=False)


def _take_up(store: Journal, site_text: str, now: Now, *, must: bool) -> _Found:
    """Ask what is there, then begin a run. Raises JournalError if `must`."""
    saved = _asked(store.last_state, None, must=must)
    seen_s = _asked(store.last_seen_s, None, must=must)
    _begin_run(store, site_text, now, must=must)
    none: list[Batch] = []
    return _Found(saved, seen_s, _asked(store.open_batches, none, must=must))


def _asked(question: Callable[[], A], nothing: A, *, must: bool) -> A:
    """The journal's answer, or `nothing` when it has none and that is not to be an error."""
    try:
        return question()
    except JournalError as error:
        if must:
            raise
        log.error("the journal cannot be read; control begins without it: %s", error)
        return nothing


def _begin_run(store: Journal, site_text: str, now: Now, *, must: bool) -> None:
    """Begin a run; when the journal fails just then, `must` says whether that is an error."""

    def begin() -> None:
        store.begin_run(
            now,
            version=program_version(),
            site_text=site_text,
            boot_id=boot_id(),
        )

    try:
        begin()
    except JournalError as error:
        if must:
            raise
        log.error("the journal takes no rows yet; control goes on: %s", error)
        store.close()
        begin()  # a closed journal only remembers it, and begins it when it opens
