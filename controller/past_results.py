"""Results of past batches between a journal and a CSV file: written out, and brought in."""

import csv
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import IO, NamedTuple
from zoneinfo import ZoneInfo

from config.model import Site
from controller.cells import guarded
from controller.entries import effective
from controller.journal.past import bring_in
from controller.journal.reader import Reader, open_reader
from controller.journal.writer import Journal
from controller.notebook import DateOrder, NotebookError, Row, read_notebook
from controller.records import Batch
from controller.results import COLUMNS, identity, result_cells, unlike


class BroughtIn(NamedTuple):
    """What an import did, or would do. numbers: of the new batches, none in a dry run.

    there: (line, number of the batch that is the same).
    """

    rows: tuple[Row, ...]
    numbers: tuple[int, ...]
    there: tuple[tuple[int, int], ...]


def write_results(path: Path, to: IO[str], zone: ZoneInfo, from_s: float, to_s: float) -> int:
    """Every closed batch stuck in [from_s, to_s), UTC s, as a row of results; gives how many.

    to: a text file opened with newline="".  Raises JournalError.
    """
    with open_reader(path) as reader:
        rows = [
            cells
            for batch, cells in _closed(reader, zone)
            if from_s <= batch.stuck_s < to_s
        ]  # fmt: skip
    more = sorted({column for cells in rows for column in cells} - set(COLUMNS))
    out = csv.writer(to, lineterminator="\r\n")
    out.writerow([*COLUMNS, *map(guarded, more)])
    for cells in rows:
        out.writerow([guarded(cells.get(column, "")) for column in (*COLUMNS, *more)])
    return len(rows)


def _closed(reader: Reader, zone: ZoneInfo) -> list[tuple[Batch, dict[str, str]]]:
    """Batches that came to a result of their own, as cells."""
    return [
        (batch, result_cells(batch, effective(reader.entries(batch.number)), zone))
        for batch in reader.batches()
        if batch.closed_s is not None and not batch.merged_into
    ]


def import_results(
    path: Path, site: Site, data: bytes, by: str, today: date, *, order: DateOrder | None = None,
    dry_run: bool = False,
) -> BroughtIn:  # fmt: skip
    """Bring the batches of a CSV file into a journal, all or none; those there already are left.

    data: the file.  today: local, no batch lies beyond.  order: as for `notebook.read_notebook`.
    Raises NotebookError with everything that stands in the way, JournalError.
    """
    zone = site.site.zone
    rows = read_notebook(data, zone, today, order)
    if dry_run:
        with open_reader(path) as reader:
            new, there = _sorted(rows, reader, zone)
        return BroughtIn(tuple(new), (), there)
    with (
        Journal.open(path, site=site) as journal,
        bring_in(journal, by) as take,
        open_reader(path) as reader,
    ):
        # Nobody else can write now, so what is new stays new.
        new, there = _sorted(rows, reader, zone)
        numbers = [take(row.past) for row in new]
    return BroughtIn(tuple(new), tuple(numbers), there)


def _sorted(
    rows: Sequence[Row], reader: Reader, zone: ZoneInfo
) -> tuple[list[Row], tuple[tuple[int, int], ...]]:
    """New rows, and those that the journal has; a row that is neither is refused."""
    known: dict[tuple[str, ...], list[tuple[int, dict[str, str]]]] = {}
    for batch, cells in _closed(reader, zone):
        known.setdefault(identity(cells), []).append((batch.number, cells))
    problems: list[str] = []
    new: list[Row] = []
    there: list[tuple[int, int]] = []
    lines: dict[tuple[str, ...], int] = {}
    for row in rows:
        key = identity(row.cells)
        if key in lines:
            problems.append(
                f"line {row.line}: the same batch as line {lines[key]}; if there were two, tell "
                "them apart by their trays"
            )
            continue
        lines[key] = row.line
        same = known.get(key, [])
        equal = [number for number, cells in same if not unlike(cells, row.cells)]
        if equal:
            there.append((row.line, equal[0]))
        elif same:
            number, cells = same[0]
            problems.append(
                f"line {row.line}: batch {number} of the journal is the same batch with another "
                f"{', '.join(unlike(cells, row.cells))}; correct the batch there, or, if it was "
                "another, tell them apart by their trays"
            )
        else:
            new.append(row)
    if problems:
        raise NotebookError(problems)
    return new, tuple(there)
