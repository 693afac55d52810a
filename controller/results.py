"""The columns in which results of batches are written to CSV and read from it.

One row is one closed batch. Dates are local days. What stands in a row is all that outlook and
comparison need; climate and single entries stay in the journal.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from math import inf
from typing import Final
from zoneinfo import ZoneInfo

from config.checklist import QUESTIONS
from controller.entries import LOST_CAUSES, evidence, lost, number_of, stays
from controller.records import NOT_NOTED, Batch, Entry, EntryKind
from controller.review.history import looks_of, rooting

NEEDED: Final = ("plant", "kind", "stuck_on", "cuttings", "closed_on", "rooted")
LOST: Final = tuple(f"lost_{cause}" for cause in LOST_CAUSES)
DATES: Final = ("stuck_on", "closed_on", "not_yet_on", "half_rooted_on")
COUNTS: Final = ("cuttings", "rooted", "callused", *LOST)
EVIDENCE: Final = ("hormone", "mix", "stock", *(question.key for question in QUESTIONS))
COLUMNS: Final = (
    *NEEDED, "callused", *LOST, "not_yet_on", "half_rooted_on", "bay", "trays", *EVIDENCE, "lesson",
)  # fmt: skip
"""README says what each holds."""
DETAIL: Final = "detail:"
"""What else was recorded at sticking stands in columns "detail:NAME"."""
IDENTITY: Final = ("plant", "kind", "stuck_on", "cuttings", "bay", "trays")
"""Two rows with the same of all these are taken for the same batch."""

Cells = Mapping[str, str]


def result_cells(batch: Batch, entries: Sequence[Entry], zone: ZoneInfo) -> dict[str, str]:
    """A closed batch as cells by column, none empty. entries: those that stand."""
    closing = next(entry for entry in reversed(entries) if entry.kind == EntryKind.CLOSED)
    closed_s = closing.at_s
    found = {
        "plant": " ".join(batch.plant.split()),
        "kind": batch.kind,
        "stuck_on": _day(batch.stuck_s, zone),
        "cuttings": str(batch.cuttings),
        "closed_on": _day(closed_s, zone),
        "rooted": str(number_of(closing.values, "rooted")),
        "trays": batch.trays,
        "lesson": closing.note,
    }
    counts = {"callused": number_of(closing.values, "callused")}
    counts |= {f"lost_{cause}": count for cause, count in lost(entries).items()}
    found |= {column: str(count) for column, count in counts.items() if count}
    stood = stays(batch, entries, closed_s)
    lengths: dict[str, float] = {}
    for place, from_s, to_s in stood:
        lengths[place] = lengths.get(place, 0.0) + to_s - from_s
    place = max(lengths, key=lambda each: lengths[each], default=f"{batch.bench}.{batch.bay}")
    found["bay"] = batch.bay if batch.from_notebook else place
    if found["bay"] == NOT_NOTED:
        del found["bay"]
    found |= _rooted_on(batch, entries, zone)
    for key, value in evidence(batch, entries).items():
        found[key if key in EVIDENCE else f"{DETAIL}{key}"] = value
    return {column: value.strip() for column, value in found.items() if value.strip()}


def _rooted_on(batch: Batch, entries: Sequence[Entry], zone: ZoneInfo) -> dict[str, str]:
    """The days between which half had roots, as tests and looks tell, not the closing."""
    looks = looks_of(batch, entries)
    early = [look for look in looks if look.said is not None or look.at_s < looks[-1].at_s]
    seen = rooting(batch.stuck_s, early, closed=False)
    if seen is None:
        return {}
    after, by = seen
    found = {}
    if by != inf:
        found["half_rooted_on"] = _day(by, zone)
    last = _day(after, zone)
    if last != _day(batch.stuck_s, zone) and last != found.get("half_rooted_on"):
        found["not_yet_on"] = last
    return found


def identity(cells: Cells) -> tuple[str, ...]:
    """What tells one batch from another."""
    return tuple(cells.get(column, "").casefold() for column in IDENTITY)


def unlike(cells: Cells, other: Cells) -> list[str]:
    """Columns in which two rows differ."""
    return [
        column
        for column in dict.fromkeys([*COLUMNS, *cells, *other])
        if cells.get(column, "") != other.get(column, "") and column not in IDENTITY
    ]


def _day(at_s: float, zone: ZoneInfo) -> str:
    return datetime.fromtimestamp(at_s, zone).date().isoformat()
