"""What the open batches ask of their grower today: tests due, steps of weaning, leaves that flag.

Notes are for whoever looks next. They are no alarms: nothing here rings, wakes or escalates.
"""

from datetime import datetime, time, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from config.model import Site
from controller.care_due import due, due_words
from controller.decide.weaning import PHASE_WORDS, proposed
from controller.histories import HistoryBook
from controller.journal.care import calibrations
from controller.journal.reader import Reader
from controller.review.outlook import due_tests


class Note(NamedTuple):
    """One note. kind: "test", "calibrate", or as in `weaning.Step`.  phase: proposed, "" for none.

    batch: 0 for a note that is of none.

    at_s: UTC s from which it holds; a test may be due later today.  place: "north.left".
    """

    batch: int
    name: str
    place: str
    kind: str
    phase: str
    at_s: float
    text: str

    @property
    def line(self) -> str:
        return f"{self.name} ({self.place}): {self.text}"

    def as_data(self) -> dict[str, Any]:
        return {**self._asdict(), "priority": "note"}


def notes(book: HistoryBook, zone: ZoneInfo) -> list[Note]:
    """Notes of every open batch, in order of number; a test that is due today counts.

    Raises JournalError.
    """
    found = []
    for number, batch in book.batches.items():
        if batch.closed_s is not None:
            continue
        place = f"{batch.bench}.{batch.bay}"
        name = f"batch {number} {batch.plant}"
        one = book.get(number)
        step = proposed(batch, one.recipe, book.entries(number), book.now_s)
        if step is not None and step.kind != "wait":
            text = f"{step.why}{_advice(number, step.kind, step.phase)}"
            found.append(Note(number, name, place, step.kind, step.phase, step.since_s, text))
        tests = due_tests(one, book.now_s, book.now_s)
        if tests and tests[0] <= _end_of_day(book.now_s, zone):
            day = datetime.fromtimestamp(tests[0], zone)
            today = day.date() >= datetime.fromtimestamp(book.now_s, zone).date()
            when = "today" if today else f"since {day:%Y-%m-%d}"
            text = f"a test is due {when}: lift 5 to 10 from corners and middle"
            found.append(Note(number, name, place, "test", "", tests[0], text))
    return found


def care_notes(reader: Reader, site: Site, now_s: float) -> list[Note]:
    """A note when probes are due to be held against a known value. Raises JournalError."""
    runs = reader.runs()
    begun_s = runs[0].started_s if runs else now_s
    found = due(site, calibrations(reader), begun_s)
    text = due_words(found, now_s)
    return [Note(0, "probes", "site", "calibrate", "", found[0].due_s, text)] if text else []


def _advice(number: int, kind: str, phase: str) -> str:
    if kind == "forward":
        return f"; next is {PHASE_WORDS[phase]} (warmfoot batch wean {number})"
    if kind == "back":
        return f" (warmfoot batch wean {number} --back)"
    if kind == "wilt_test":
        return f", then enter it (warmfoot batch enter {number} looked wilted=no, or yes)"
    return ""


def _end_of_day(now_s: float, zone: ZoneInfo) -> float:
    tomorrow = datetime.fromtimestamp(now_s, zone).date() + timedelta(days=1)
    return datetime.combine(tomorrow, time(), zone).timestamp() - 1.0
