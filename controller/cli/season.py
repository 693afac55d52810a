"""season: what can be stuck now, by kind and plant, with the test of the wood beside each."""

import time
from calendar import month_name
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import click
from rich.console import Console

from config.load import load
from config.model import Site
from config.near import near
from config.recipes import recipes
from config.seasons import (
    LATER_ABOVE_DEG,
    MONTHS,
    SOONER_BELOW_DEG,
    SeasonRow,
    in_tropics,
    local_months,
    months_in_words,
    named,
    season_rows,
)
from config.windows import fit
from controller.cli.common import (
    Moment,
    Refused,
    expected_errors,
    give_json,
    journal_option,
    json_option,
    reader_for,
    site_of,
    time_of,
)
from controller.faces import console, say
from controller.gather import CaseBook
from controller.journal.reader import Reader
from controller.places import PlaceError

Strikes = list[tuple[str, str, int, int]]
"""Closed batches stuck in this month of any year: kind, plant, rooted, cuttings."""


class Month(click.ParamType[Any]):
    """A month as a number or an English name; gives 1..12."""

    name = "month"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        said = str(value).strip()
        if said.isdecimal() and 1 <= int(said) <= 12:
            return int(said)
        fitting = [n for n in range(1, 13) if month_name[n].lower().startswith(said.lower())]
        if len(said) >= 3 and fitting:
            return fitting[0]
        return self.fail(
            f"{said!r} is not a month; write 1 to 12 or its name, such as mar", param, ctx
        )


@click.command()
@click.argument(
    "bench_file", required=False, type=click.Path(path_type=Path), metavar="[BENCH.toml]"
)
@click.option("--latitude", type=click.FloatRange(-90, 90), help="Degrees, south is negative.")
@click.option("--month", type=Month(), help="Another month than this one.")
@click.option("--date", type=Moment(), help="The month of this date.")
@click.option("--kind", help="This kind of cutting only.")
@click.option("--plant", help="This plant only, botanical or common name.")
@journal_option
@json_option
@expected_errors
def season(
    bench_file: Path | None,
    latitude: float | None,
    month: int | None,
    date: datetime | None,
    kind: str | None,
    plant: str | None,
    journal_given: str | None,
    as_json: bool,
) -> None:
    """What can be stuck now, what comes next and what is just over, by kind and plant.

    For the latitude of the bench file (the one in the journal, BENCH.toml, or --latitude), north or
    south. Beside each kind stands the test of the wood, which outranks every date.
    """
    if month is not None and date is not None:
        raise Refused("--month and --date both say when; give one of them")
    kinds = {name: one for name, one in recipes().items() if one.plant is None}
    if kind is not None and kind not in kinds:
        there = ", ".join(kinds)
        raise Refused(f"no kind of cutting {kind!r}{near(kind, kinds)}; there are {there}")
    place, latitude_deg, month, own = _here(bench_file, latitude, month, date, journal_given)
    rows = [row for row in season_rows(latitude_deg, month) if kind in (None, row.kind)]
    known = True
    if plant is not None:
        found = named(rows, plant)
        known = bool(found)
        rows = found or [row for row in rows if not row.plant]
    if as_json:
        give_json(
            {
                "place": place,
                "latitude_deg": latitude_deg,
                "month": month,
                "by_date": not in_tropics(latitude_deg),
                "plant_known": known,
                "rows": [_data(row, own) for row in rows],
            }
        )
        return
    out = console()
    where = f"{abs(latitude_deg):g}° {'N' if latitude_deg >= 0 else 'S'}"
    say(out, f"{MONTHS[month - 1]} at {where}{f', {place}' if place else ''}", style="bold")
    for line in _cautions(latitude_deg):
        say(out, line)
    if not known:
        names = [name for row in season_rows(latitude_deg, month) for name in row.names]
        guess = near(plant or "", names)
        say(out, f"no months of its own are known for {plant!r}{guess}; it goes by its kind:")
    _told(out, rows, latitude_deg, own)


def _here(
    bench_file: Path | None,
    latitude: float | None,
    month: int | None,
    date: datetime | None,
    journal_given: str | None,
) -> tuple[str, float, int, Strikes]:
    """Name of the place, its latitude, the month, and what was stuck there in that month."""
    if latitude is not None:
        at = date or datetime.fromtimestamp(time.time()).astimezone()
        return "", latitude, month or at.month, []
    if bench_file is not None:
        site = load(bench_file)
        return site.site.name, site.site.latitude_deg, month or _month(site, date), []
    try:
        path, reader = reader_for(journal_given)
    except PlaceError as error:
        raise Refused(f"{error}; or say where you are: --latitude 53.3, or BENCH.toml") from error
    with reader:
        site = site_of(reader, path)
        month = month or _month(site, date)
        return site.site.name, site.site.latitude_deg, month, _strikes(reader, site, month)


def _month(site: Site, date: datetime | None) -> int:
    return (date or datetime.fromtimestamp(time.time(), site.site.zone)).month


def _strikes(reader: Reader, site: Site, month: int) -> Strikes:
    cases = CaseBook(reader, site, time_of(reader))
    found = []
    for batch in reader.batches():
        stuck = datetime.fromtimestamp(batch.stuck_s, site.site.zone)
        strike = cases.strike(batch.number)
        if strike is not None and stuck.month == month:
            rooted = round(strike * batch.cuttings)
            found.append((batch.kind, batch.plant, rooted, batch.cuttings))
    return found


def _cautions(latitude_deg: float) -> list[str]:
    if in_tropics(latitude_deg):
        return [
            "so near the equator the date tells little of the wood: go by the flush of growth, the "
            "wet and the dry season, and the wood itself"
        ]
    lines = ["the months are a guide; the wood outranks them"]
    if abs(latitude_deg) < SOONER_BELOW_DEG:
        lines.append("they are for 45 to 55 degrees; here soft wood comes some weeks sooner")
    elif abs(latitude_deg) > LATER_ABOVE_DEG:
        lines.append("they are for 45 to 55 degrees; here soft wood comes some weeks later")
    return lines


_HEADINGS: Final = {
    "tropics": "when the wood is right",
    "now": "can be stuck now",
    "any": "all the year round",
    "next": "comes next",
    "ended": "just over (still possible where the wood passes its test)",
    "closed": "not in these months",
}


def _told(out: Console, rows: Sequence[SeasonRow], latitude_deg: float, own: Strikes) -> None:
    few = len({row.kind for row in rows}) == 1
    for state, heading in _HEADINGS.items():
        kinds = [row for row in rows if not row.plant and row.season.state == state]
        alone = [row for row in rows if row.plant and row.season.state == state]
        lines: list[str] = []
        for row in kinds:
            lines.append(f"  {row.title} ({row.kind}){_when(row, latitude_deg)}{_yours(row, own)}")
            plants = [one for one in alone if one.kind == row.kind]
            alone = [one for one in alone if one.kind != row.kind]
            if state != "closed" or few:
                lines.append(f"    wood: {row.wood}")
            lines += _plants(plants, latitude_deg, own, "    ")
        shown = state != "closed" or all(not one.plant or one.season.state == state for one in rows)
        for title in sorted({one.title for one in alone}) if shown else []:
            plants = [one for one in alone if one.title == title]
            lines.append(f"  {title} ({plants[0].kind}), these plants:")
            if few:
                lines.append(f"    wood: {plants[0].wood}")
            lines += _plants(plants, latitude_deg, own, "    ")
        if lines:
            say(out)
            say(out, heading, style="bold")
            for line in lines:
                say(out, line)


def _plants(
    plants: Sequence[SeasonRow], latitude_deg: float, own: Strikes, indent: str
) -> list[str]:
    return [
        f"{indent}{row.plant}{_when(row, latitude_deg)}{f'; {row.note}' if row.note else ''}"
        f"{_yours(row, own)}"
        for row in plants
    ]


def _when(row: SeasonRow, latitude_deg: float) -> str:
    season = row.season
    if season.state == "tropics":
        return ""
    if season.state == "any":
        best = local_months(recipes()[row.kind].best, latitude_deg)
        return f": best {months_in_words(best)}" if best and not row.plant else ""
    words = f": {months_in_words(season.months)}"
    if season.state == "now" and season.left == 1:
        words += "; its last month now"
    if season.state == "next":
        words += f"; opens in {season.opens_in} month{'s' * (season.opens_in != 1)}"
    return words


def _yours(row: SeasonRow, own: Strikes) -> str:
    """What the grower's own batches of this month did, with their number."""
    counts = _own(row, own)
    if not counts:
        return ""
    rooted, cuttings = (sum(one[i] for one in counts) for i in (0, 1))
    batches = f"{len(counts)} batch{'es' * (len(counts) != 1)}"
    return f"; yours of this month: {rooted} of {cuttings} rooted ({batches})"


def _own(row: SeasonRow, own: Strikes) -> list[tuple[int, int]]:
    return [
        (rooted, cuttings)
        for kind, plant, rooted, cuttings in own
        if kind == row.kind and (not row.plant or fit(plant, row.names))
    ]


def _data(row: SeasonRow, own: Strikes) -> dict[str, Any]:
    counts = _own(row, own)
    return {
        **row._asdict(),
        "season": row.season._asdict(),
        "own_batches": len(counts),
        "own_rooted": sum(rooted for rooted, _ in counts),
        "own_cuttings": sum(cuttings for _, cuttings in counts),
    }
