"""What can be taken away from the page, as files: each written whole in a worker, then sent.

A file lies on disk while it is sent, never in memory, and none is larger than SIZE_MOST.
"""

import asyncio
import contextlib
import io
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path
from typing import IO, Final, NamedTuple

from controller.due_calendar import batch_calendar
from controller.journal.reader import Reader, open_reader
from controller.journal.upkeep import TABLES, Table, export_csv
from controller.label_sheet import Grid, Press
from controller.labels import label, page_address, words_of
from controller.page.moment import Moment
from controller.past_results import write_results
from controller.records import Batch
from controller.report import report

SIZE_MOST: Final = 64 * 1024 * 1024
WAITING_MOST: Final = 3
DAYS: Final = {"7d": 7, "30d": 30, "92d": 92}
LONG: Final = ("minutes", "relays")
"""Tables with a row a minute; only so many days of them at a time."""
HTML: Final = "text/html; charset=utf-8"


class PaperError(ValueError):
    """What can't be given, in a grower's words."""


class Paper(NamedTuple):
    """One file to be made. name: plain letters, as it is offered.  write: into an open file."""

    name: str
    kind: str
    write: Callable[[IO[bytes]], None]


class Papers:
    """One worker that makes them. Belongs to the page's event loop."""

    def __init__(self, journal: Path) -> None:
        self.journal = journal
        self._worker = ThreadPoolExecutor(1, "page-papers")
        self._waiting = 0

    async def made(self, paper: Paper) -> tuple[IO[bytes], int]:
        """The file, at its start, and its size. The caller closes it.

        Raises PaperError when too many wait, or it is too large; JournalError.
        """
        if self._waiting >= WAITING_MOST:
            raise PaperError("others are having files made just now; try again in a minute")
        self._waiting += 1
        try:
            running = asyncio.get_running_loop()
            return await running.run_in_executor(self._worker, _made, paper)
        finally:
            self._waiting -= 1

    def close(self) -> None:
        self._worker.shutdown(wait=False, cancel_futures=True)


def _made(paper: Paper) -> tuple[IO[bytes], int]:
    with contextlib.ExitStack() as stack:
        file = stack.enter_context(tempfile.TemporaryFile())
        paper.write(file)
        size = file.tell()
        file.seek(0)
        stack.pop_all()  # it stays open until it has been sent
    return file, size


class Bounded(io.RawIOBase):
    """Passes on what is written, up to SIZE_MOST bytes in all; more raises PaperError."""

    def __init__(self, to: IO[bytes], most: int = SIZE_MOST) -> None:
        super().__init__()
        self._to, self._left = to, most

    def writable(self) -> bool:
        return True

    def write(self, data: object) -> int:
        content = bytes(data)  # type: ignore[call-overload]
        self._left -= len(content)
        if self._left < 0:
            raise PaperError(
                "that is more than is given over the page; take fewer days, or use "
                "`warmfoot export` at the machine"
            )
        return self._to.write(content)


def table_paper(journal: Path, moment: Moment, table: str, span: str) -> Paper:
    """One table of the journal as CSV; `results` as `warmfoot import` reads them."""
    zone, now_s = moment.site.site.zone, moment.now.utc_s
    from_s = now_s - DAYS.get(span, 7) * 86400.0 if table in LONG else 0.0

    def write(file: IO[bytes]) -> None:
        to = io.TextIOWrapper(io.BufferedWriter(Bounded(file)), "utf-8", newline="")
        try:
            if table == "results":
                write_results(journal, to, zone, from_s, now_s + 86400.0)
            else:
                export_csv(journal, _table(table), to, zone, from_s, now_s + 86400.0)
            to.flush()
        finally:
            to.detach()

    first = f"{datetime.fromtimestamp(from_s, zone):%Y-%m-%d}-to-" if table in LONG else ""
    last = f"{datetime.fromtimestamp(now_s, zone):%Y-%m-%d}"
    return Paper(f"warmfoot-{table}-{first}{last}.csv", "text/csv; charset=utf-8", write)


def _table(name: str) -> Table:
    return next(one for one in TABLES if one == name)


def calendar_paper(journal: Path, moment: Moment) -> Paper:
    """Tests due and due windows as iCalendar."""

    def write(file: IO[bytes]) -> None:
        with open_reader(journal) as reader:
            file.write(batch_calendar(reader, moment.site.site, moment.now.utc_s)[0])

    return Paper("warmfoot-due.ics", "text/calendar; charset=utf-8", write)


def report_paper(journal: Path, moment: Moment, number: int) -> Paper:
    """A batch on paper: one HTML file."""

    def write(file: IO[bytes]) -> None:
        with open_reader(journal) as reader:
            made = report(reader, moment.site, _batch(reader, number), moment.now.utc_s)
        Bounded(file).write(made.encode("utf-8"))

    return Paper(f"warmfoot-batch-{number}.html", HTML, write)


def label_paper(
    journal: Path, moment: Moment, number: int, copies: int, start: int, grid: Grid, *, frame: bool
) -> Paper:
    """Tray labels as PDF. copies: of it.  start: first free place of the sheet, from 1.  frame: a
    line around each."""

    def write(file: IO[bytes]) -> None:
        press = Press()
        with open_reader(journal) as reader:
            batch = _batch(reader, number)
        words = words_of(batch, moment.site.site.zone, page_address(moment.site))
        made = label(words, *grid.label_mm, press.measure)
        file.write(press.sheets([made] * copies, grid, start, moment.now.utc_s, frame=frame))

    return Paper(f"warmfoot-labels-{number}.pdf", "application/pdf", write)


def _batch(reader: Reader, number: int) -> Batch:
    found = next((one for one in reader.batches() if one.number == number), None)
    if found is None:
        raise PaperError(f"there is no batch {number}")
    return found
