"""A grower's notebook as CSV: read as spreadsheets write it, all of it or nothing.

Every problem is told by its row, so that one look at the file is enough to put it right.
"""

import csv
import io
import re
from collections import Counter
from collections.abc import Sequence
from datetime import date, datetime, time
from itertools import pairwise
from typing import Final, Literal, NamedTuple
from zoneinfo import ZoneInfo

from config.errors import UnknownRecipe
from config.near import near
from config.recipes import recipe_for
from controller.cells import unguarded
from controller.journal.errors import BatchError
from controller.journal.life import check_count, check_name, check_text, checked_answers
from controller.journal.past import Past
from controller.records import NOT_NOTED, EntryKind
from controller.results import COLUMNS, COUNTS, DATES, DETAIL, EVIDENCE, LOST, NEEDED
from controller.review.history import HALF_ROOTED

BYTES_MOST: Final = 8_000_000
ROWS_MOST: Final = 5000
OLDEST: Final = date(1950, 1, 1)
NOON: Final = time(12)
"""A day stands for its noon: half a day out at most."""

DateOrder = Literal["day-first", "month-first"]


class NotebookError(Exception):
    """A file that was not taken. problems: one line each, in order of the file."""

    def __init__(self, problems: Sequence[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = tuple(problems)


class Row(NamedTuple):
    """A row that is sound. line: of the file, from 1.  cells: by column, none empty."""

    line: int
    cells: dict[str, str]
    past: Past


def read_notebook(
    data: bytes, zone: ZoneInfo, today: date, order: DateOrder | None = None
) -> list[Row]:
    """The rows of a CSV file. order: of days and months in dates such as 3/4/2019.

    Raises NotebookError with everything that is wrong.
    """
    if len(data) > BYTES_MOST:
        raise NotebookError([f"the file has {len(data)} bytes; at most {BYTES_MOST} are read"])
    table = _table(_text(data))
    if not table:
        raise NotebookError(
            [f"there is nothing in it; the first row names {', '.join(NEEDED)} ..."]
        )
    (head_line, head), *rows = table
    columns = _columns(head, head_line)
    if len(rows) > ROWS_MOST:
        raise NotebookError([f"the file has {len(rows)} rows; at most {ROWS_MOST} at a time"])
    problems: list[str] = []
    found: list[Row] = []
    cells_of = [
        (line, _cells(columns, row, line, problems))
        for line, row in rows
        if any(map(str.strip, row))
    ]
    dates = [cells[name] for _, cells in cells_of for name in DATES if name in cells]
    order = order or _order(dates, problems)
    for line, cells in cells_of:
        before = len(problems)
        made = _row(line, cells, zone, today, order, problems)
        if made is not None and len(problems) == before:
            found.append(made)
    if problems:
        raise NotebookError(sorted(problems, key=_line_of))
    if not found:
        raise NotebookError(["there is no row below the headings"])
    return found


def _line_of(problem: str) -> int:
    told = re.match(r"line (\d+)", problem)
    return int(told[1]) if told else 0


# -- text to cells ----------------------------------------------------------------------------


def _text(data: bytes) -> str:
    """As spreadsheets save it: UTF-8 with or without a mark, UTF-16 with one, or Windows-1252."""
    if data[:4] in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0"):
        raise NotebookError(["this is a spreadsheet's own file; save it as CSV first"])
    marked = data[:2] in (b"\xff\xfe", b"\xfe\xff")
    names = ["utf-16"] if marked else ["utf-8-sig", "windows-1252"]
    for name in names:
        try:
            return data.decode(name)
        except UnicodeDecodeError:
            continue
    raise NotebookError(["this is not text; save it from the spreadsheet as CSV, in UTF-8"])


def _table(text: str) -> list[tuple[int, list[str]]]:
    """(line, cells) of every row that is not blank; whatever divides the cells."""
    lines = text.splitlines()
    told = re.fullmatch(r'"?sep=(.)"?', lines[0].strip(), re.IGNORECASE) if lines else None
    if told:
        # What some spreadsheets write before the headings.
        text = "\n" + text.split("\n", 1)[1] if "\n" in text else ""
    head = next((line for line in text.splitlines() if line.strip()), "")
    signs = [told[1]] if told else [",", ";", "\t"]
    known = {sign: len(_known(head.split(sign))) for sign in signs}
    sign = max(signs, key=lambda each: (known[each], -signs.index(each)))
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=sign, strict=True)
    found = []
    try:
        first = 1
        for row in reader:
            if any(cell.strip() for cell in row):
                found.append((first, row))
            first = reader.line_num + 1
    except csv.Error as error:
        raise NotebookError([f"line {reader.line_num}: not sound CSV: {error}"]) from error
    return found


def _known(names: Sequence[str]) -> list[str]:
    return [name for name in map(_named, names) if name in COLUMNS]


def _named(text: str) -> str:
    """A heading as its column: "Stuck on" is stuck_on."""
    text = text.strip().strip('"').strip()
    if text.casefold().startswith(DETAIL):
        return DETAIL + text[len(DETAIL) :].strip()
    return re.sub(r"[\s_-]+", "_", text.casefold())


def _columns(head: Sequence[str], line: int) -> list[str]:
    names = [_named(name) for name in head]
    problems = [
        f"line {line}: there is no column {name[:40]!r}{near(name, COLUMNS)}; what else you noted "
        f"goes into a column {DETAIL}NAME"
        for name in names
        if name and name not in COLUMNS and not (name.startswith(DETAIL) and name != DETAIL)
    ]
    twice = [name for name, count in Counter(names).items() if name and count > 1]
    problems += [f"line {line}: the column {name[:40]} is there twice" for name in twice]
    missing = [name for name in NEEDED if name not in names]
    if missing:
        problems.append(f"line {line}: the column {', '.join(missing)} is missing")
    if problems:
        raise NotebookError(problems)
    return names


def _cells(
    columns: Sequence[str], row: Sequence[str], line: int, problems: list[str]
) -> dict[str, str]:
    found = {}
    for place, cell in enumerate(row):
        value = unguarded(cell.strip())
        if not value:
            continue
        if place >= len(columns) or not columns[place]:
            problems.append(f"line {line}: {value[:40]!r} stands under no heading")
            break
        found[columns[place]] = value
    return found


# -- cells to a batch -------------------------------------------------------------------------


def _row(
    line: int, cells: dict[str, str], zone: ZoneInfo, today: date, order: DateOrder | None,
    problems: list[str],
) -> Row | None:  # fmt: skip
    """The batch of a row; what is wrong goes to `problems`."""

    def wrong(text: str) -> None:
        problems.append(f"line {line}: {text}")

    missing = [name for name in NEEDED if name not in cells]
    if missing:
        wrong(f"{', '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing")
        return None
    before = len(problems)
    days: dict[str, date] = {}
    counts: dict[str, int] = {}
    for name in cells:
        try:
            if name in DATES:
                days[name] = read_day(cells[name], order)
            elif name in COUNTS:
                counts[name] = read_count(cells[name])
        except ValueError as error:
            wrong(f"{name}: {error}")
    if len(problems) > before:
        return None
    for text in _out_of_order(days, today):
        wrong(text)
    details = {
        name.removeprefix(DETAIL): value
        for name, value in cells.items()
        if name in EVIDENCE or name.startswith(DETAIL)
    }
    kind = re.sub(r"[\s_-]+", "_", cells["kind"].casefold())
    plant = " ".join(cells["plant"].split())
    try:
        check_name("plant", plant, needed=True)
        for name in ("bay", "trays"):
            check_name(name, cells.get(name, ""))
        check_text("lesson", cells.get("lesson", ""))
        check_count("cuttings", counts["cuttings"], 1)
        answers = {key: value for key, value in checked_answers(details).items() if value}
        recipe = recipe_for(kind, plant)
        past = Past(
            plant, recipe, cells.get("bay", NOT_NOTED), cells.get("trays", ""),
            counts["cuttings"], _noon(days["stuck_on"], zone), answers,
            _entries(days, counts, cells.get("lesson", ""), zone),
        )  # fmt: skip
        past.check()
    except (BatchError, UnknownRecipe) as error:
        wrong(str(error).replace("\n", " "))
        return None
    if len(problems) > before:
        return None
    clean = {name: value for name, value in cells.items() if not name.startswith(DETAIL)}
    clean |= {"plant": plant, "kind": recipe.kind}
    clean |= {name: day.isoformat() for name, day in days.items()}
    clean |= {name: str(count) for name, count in counts.items()}
    clean = {name: value for name, value in clean.items() if name not in EVIDENCE}
    clean |= {key if key in EVIDENCE else DETAIL + key: value for key, value in answers.items()}
    zeros = [name for name in ("callused", *LOST) if clean.get(name) == "0"]
    return Row(line, {name: clean[name] for name in clean if name not in zeros}, past)


def _entries(
    days: dict[str, date], counts: dict[str, int], lesson: str, zone: ZoneInfo
) -> tuple[tuple[float, EntryKind, dict[str, str], str], ...]:
    found: list[tuple[float, EntryKind, dict[str, str], str]] = []
    for name, said in (("not_yet_on", "no"), ("half_rooted_on", "yes")):
        if name in days:
            found.append((_noon(days[name], zone), EntryKind.LOOKED, {HALF_ROOTED: said}, ""))
    closing = {"rooted": str(counts["rooted"]), "callused": str(counts.get("callused", 0))}
    closing |= {name: str(counts[name]) for name in LOST if counts.get(name)}
    found.append((_noon(days["closed_on"], zone), EntryKind.CLOSED, closing, lesson))
    return tuple(found)


def _out_of_order(days: dict[str, date], today: date) -> list[str]:
    told = [(name, days[name]) for name in ("stuck_on", "not_yet_on", "half_rooted_on", "closed_on")
            if name in days]  # fmt: skip
    found = [
        f"{name} {day} lies {'ahead' if day > today else 'before 1950'}; check the date"
        for name, day in told
        if not OLDEST <= day <= today
    ]
    for (name, day), (later, next_day) in pairwise(told):
        same = next_day == day and (name, later) == ("not_yet_on", "half_rooted_on")
        if next_day < day or same:
            found.append(f"{later} {next_day} should come after {name} {day}")
    return found


def _noon(day: date, zone: ZoneInfo) -> float:
    return datetime.combine(day, NOON, tzinfo=zone).timestamp()


# -- single cells -----------------------------------------------------------------------------


def read_count(text: str) -> int:
    """A whole number, also as spreadsheets write one: "84", "84.0", "84,00". Raises ValueError."""
    found = re.fullmatch(r"(\d{1,7})(?:[.,]0{1,2})?", text, re.ASCII)
    if not found:
        share = "; write how many, not a share" if "%" in text else ""
        raise ValueError(f"{text[:40]!r} is not a whole number of cuttings{share}")
    return int(found[1])


_SLASHED: Final = re.compile(r"(\d{1,2})[/-](\d{1,2})[/-](\d{4})(?:[ T].*)?", re.ASCII)


def read_day(text: str, order: DateOrder | None) -> date:
    """A local day: 2019-04-03, 3.4.2019, or by `order` 3/4/2019. Raises ValueError."""
    try:
        if found := re.fullmatch(r"(\d{4})-(\d{1,2})-(\d{1,2})(?:[ T].*)?", text, re.ASCII):
            return date(int(found[1]), int(found[2]), int(found[3]))
        if found := re.fullmatch(r"(\d{1,2})\.\s?(\d{1,2})\.\s?(\d{4})(?:[ T].*)?", text, re.ASCII):
            return date(int(found[3]), int(found[2]), int(found[1]))
        if found := _SLASHED.fullmatch(text):
            first, second = int(found[1]), int(found[2])
            day, month = (second, first) if order == "month-first" else (first, second)
            return date(int(found[3]), month, day)
    except ValueError:
        raise ValueError(f"{text[:40]!r} is no day of the calendar") from None
    raise ValueError(f"{text[:40]!r} is not a date; write e.g. 2019-04-03")


def _order(texts: Sequence[str], problems: list[str]) -> DateOrder | None:
    """Which of day and month stands first in dates with / or -, as far as the file itself tells."""
    slashed = [found for text in texts if (found := _SLASHED.fullmatch(text))]
    day_first = any(int(found[1]) > 12 for found in slashed)
    month_first = any(int(found[2]) > 12 for found in slashed)
    if day_first and month_first:
        problems.append("some dates have the day first and some the month; write e.g. 2019-04-03")
    elif slashed and not day_first and not month_first:
        problems.append(
            f"nothing tells day from month in dates such as {slashed[0][0]}; give "
            "--dates day-first or --dates month-first"
        )
    return "month-first" if month_first else "day-first" if day_first else None
