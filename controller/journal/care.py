"""What was checked and calibrated, when and by whom: rows that are added and never changed."""

import json
from math import isfinite
from typing import Final, Literal, NamedTuple

from controller.journal.errors import RowRefused
from controller.journal.reader import Reader
from controller.journal.rows import ms_of, text_of
from controller.journal.writer import Journal

Verdict = Literal["good", "fault", "unsure", "skipped"]
Outcome = Literal["written", "told", "as it was", "refused"]
"""What became of a correction: put into the bench file; told only; not needed; not believed."""


class Step(NamedTuple):
    """One step of a check of the wires. step: "heard", "relay", "mat", "mist" ...

    place: probe, relay or link.  seen: what was seen and answered, in words.
    """

    at_s: float
    step: str
    place: str
    seen: str
    verdict: Verdict


class WireCheck(NamedTuple):
    """A check of the wires. number: 0 for one not yet kept.  ending: "done", or why it ended early.

    began_s, ended_s: UTC s.  file: the bench file's hash (config.load.hash_of).
    """

    began_s: float
    ended_s: float
    by: str
    file: str
    ending: str
    steps: tuple[Step, ...]
    number: int = 0

    def count(self, verdict: Verdict) -> int:
        return sum(step.verdict == verdict for step in self.steps)


class Held(NamedTuple):
    """A known value, and what the probe said at it, uncorrected; u: standard, of the known value.

    how: "ice", "reference", or the salt's name.
    """

    how: str
    known: float
    raw: float
    u: float


class Calibrated(NamedTuple):
    """A calibration of one probe. number: 0 for one not yet kept.

    was_, gain and offset: in force before, and found; in the probe's unit.  u: expanded (k = 2).
    note: anything else, such as why it was refused.
    """

    at_s: float
    probe: str
    unit: str
    by: str
    held: tuple[Held, ...]
    was_gain: float
    was_offset: float
    gain: float
    offset: float
    u: float
    outcome: Outcome
    note: str = ""
    number: int = 0


_CHECK: Final = (
    "INSERT INTO wire_check (began_ms, ended_ms, by, file, ending) VALUES (?, ?, ?, ?, ?)"
)
_STEP: Final = (
    "INSERT INTO wire_step (wire_check, at_ms, step, place, seen, verdict) "
    "VALUES (?, ?, ?, ?, ?, ?)"
)
_CALIBRATION: Final = (
    "INSERT INTO calibration (at_ms, probe, unit, by, held, was_gain, was_offset, gain, offset, u, "
    "outcome, note) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
)


def keep_check(journal: Journal, check: WireCheck) -> int:
    """Put a check with all its steps into the journal; gives its number. Raises JournalError."""
    head = (check.by, check.file, check.ending)
    with journal.changing() as conn:
        values = (ms_of(check.began_s), ms_of(check.ended_s), *map(text_of, head))
        number = int(conn.execute(_CHECK, values).lastrowid or 0)
        for step in check.steps:
            words = map(text_of, (step.step, step.place, step.seen, step.verdict))
            conn.execute(_STEP, (number, ms_of(step.at_s), *words))
    return number


def keep_calibration(journal: Journal, done: Calibrated) -> int:
    """Put a calibration into the journal; gives its number. Raises JournalError."""
    figures = (done.was_gain, done.was_offset, done.gain, done.offset, done.u)
    points = [figure for point in done.held for figure in (point.known, point.raw, point.u)]
    if not all(map(isfinite, (*figures, *points))):
        found = ", ".join(f"{figure:g}" for figure in (*figures, *points))
        raise RowRefused(f"{done.probe}: a calibration is kept only with numbers; found {found}")
    held = json.dumps([point._asdict() for point in done.held])
    words = map(text_of, (done.probe, done.unit, done.by, held))
    with journal.changing() as conn:
        values = (ms_of(done.at_s), *words, *figures, text_of(done.outcome), text_of(done.note))
        return int(conn.execute(_CALIBRATION, values).lastrowid or 0)


def checks(reader: Reader) -> list[WireCheck]:
    """Every check of the wires, oldest first. Raises JournalError."""
    steps: dict[int, list[Step]] = {}
    for number, *row in reader.query(
        "SELECT wire_check, at_ms / 1000.0, step, place, seen, verdict FROM wire_step ORDER BY id"
    ):
        steps.setdefault(number, []).append(Step(*row))
    found = reader.query(
        "SELECT id, began_ms / 1000.0, ended_ms / 1000.0, by, file, ending FROM wire_check "
        "ORDER BY id"
    )
    return [
        WireCheck(began_s, ended_s, by, file, ending, tuple(steps.get(number, ())), number)
        for number, began_s, ended_s, by, file, ending in found
    ]


def calibrations(reader: Reader) -> list[Calibrated]:
    """Every calibration, oldest first. Raises JournalError."""
    found = reader.query(
        "SELECT at_ms / 1000.0, probe, unit, by, held, was_gain, was_offset, gain, offset, u, "
        "outcome, note, id FROM calibration ORDER BY at_ms, id"
    )
    return [Calibrated(*row)._replace(held=_held(row[4])) for row in found]


def _held(text: str) -> tuple[Held, ...]:
    return tuple(Held(**point) for point in json.loads(text))
