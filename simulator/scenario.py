"""A rehearsal written down: dates, weather, batches, what the grower does and what goes wrong."""

import tomllib
from datetime import datetime
from importlib import resources
from pathlib import Path
from typing import Any, Final, NamedTuple

from config.model import Site
from simulator.bench_params import PRESETS
from simulator.cuttings import MATERIALS, NATURES
from simulator.faults import Fault, FaultError, make_fault
from simulator.spells import Spell, SpelledWeather
from simulator.weather import KINDS, WeatherSource

DAY_S: Final = 86400.0


class ScenarioError(ValueError):
    """A scenario that cannot be played: file, key, what was found and what is expected."""


class Stick(NamedTuple):
    """One batch to stick. at_s: seconds since the start.

    nature: key of `cuttings.NATURES`.  cuttings: how many.  test_from_day, test_every_days: days
    after sticking on which `tested` of them are lifted.  close_after_days: 0 leaves it open.
    details: as recorded at sticking.  flaw: key of `cuttings.MATERIALS`, what is wrong with them.
    vigour: factor on the share able to root, for how batches differ without a known reason.
    """

    at_s: float
    plant: str
    kind: str
    nature: str
    bench: str
    bay: str
    trays: str
    cuttings: int
    test_from_day: float
    test_every_days: float
    tested: int
    close_after_days: float
    details: dict[str, str]
    flaw: str = "sound"
    vigour: float = 1.0


class Note(NamedTuple):
    """One entry that the grower makes. batch: number in the order of sticking, from 1."""

    at_s: float
    batch: int
    kind: str
    values: dict[str, str]
    note: str


class WeatherSpell(NamedTuple):
    """A spell of other weather. from_s, until_s: seconds since the start."""

    kind: str
    from_s: float
    until_s: float
    shift_k: float


class Scenario(NamedTuple):
    """All of it. start: local date and time without a zone.  preset: key of `PRESETS`.

    warm_hours: for which the mats have held their targets when it starts; 0 is a cold start.
    """

    title: str
    start: datetime
    days: float
    weather: str
    seed: int
    preset: str
    sticks: tuple[Stick, ...] = ()
    notes: tuple[Note, ...] = ()
    faults: tuple[Fault, ...] = ()
    spells: tuple[WeatherSpell, ...] = ()
    warm_hours: float = 0.0

    def start_utc_s(self, site: Site) -> float:
        """UTC second at which it begins at a site."""
        return self.start.replace(tzinfo=site.site.zone).timestamp()

    def sky(self, site: Site) -> SpelledWeather:
        """Its weather at a site."""
        place = (site.site.latitude_deg, site.site.longitude_deg)
        begin_s = self.start_utc_s(site)
        spells = [
            Spell(
                WeatherSource(spell.kind, self.seed, *place, spell.shift_k),
                begin_s + spell.from_s,
                begin_s + spell.until_s,
            )
            for spell in self.spells
        ]
        return SpelledWeather(WeatherSource(self.weather, self.seed, *place), spells)


def scenario_names() -> list[str]:
    """Names of the scenarios that come with the program."""
    folder = resources.files("simulator") / "scenarios"
    return sorted(p.name.removesuffix(".toml") for p in folder.iterdir() if p.name[-5:] == ".toml")


def load_scenario(name: str | Path) -> Scenario:
    """A scenario by its name, or from a file of one's own. Raises ScenarioError."""
    if str(name) in scenario_names():
        text = (resources.files("simulator") / "scenarios" / f"{name}.toml").read_text("utf-8")
        return parse_scenario(text, f"{name}.toml")
    path = Path(name)
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        known = ", ".join(scenario_names())
        raise ScenarioError(f"{path}: no scenario there ({error}); there are: {known}") from error
    return parse_scenario(text, path.name)


def parse_scenario(text: str, where: str) -> Scenario:
    """A scenario from TOML text. where: file name for messages. Raises ScenarioError."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(f"{where}: not readable as TOML: {error}") from error
    return _Reading(where, "the scenario", data).scenario()


class _Reading:
    """One table of the file, taken apart key by key; what is left over at the end is an error."""

    def __init__(self, where: str, what: str, data: dict[str, Any]) -> None:
        self.where, self.what, self.data = where, what, dict(data)

    def wrong(self, text: str) -> ScenarioError:
        return ScenarioError(f"{self.where}: {self.what}: {text}")

    def number(self, key: str, default: float | None = None) -> float:
        value = self.data.pop(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.wrong(f"{key} = {value!r}; write a number")
        return float(value)

    def text(self, key: str, default: str | None = None) -> str:
        value = self.data.pop(key, default)
        if not isinstance(value, str):
            raise self.wrong(f"{key} = {value!r}; write text in quotes")
        return value

    def one_of(self, key: str, known: Any, default: str | None = None) -> str:
        value = self.text(key, default)
        if value not in known:
            raise self.wrong(f'{key} = "{value}"; there are: {", ".join(known)}')
        return value

    def texts(self, key: str) -> dict[str, str]:
        value = self.data.pop(key, {})
        if not isinstance(value, dict):
            raise self.wrong(f"{key} = {value!r}; write a table of keys and values")
        return {name: str(item) for name, item in value.items()}

    def tables(self, key: str) -> list["_Reading"]:
        value = self.data.pop(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.wrong(f"{key}; write it as [[{key}]] tables")
        return [_Reading(self.where, f"{key} {i}", item) for i, item in enumerate(value, 1)]

    def moment_s(self) -> float:
        """Keys day (the first is 1) and hour, as seconds since the start."""
        day, hour = self.number("day", 1), self.number("hour", 0)
        if day < 1 or not 0 <= hour < 48:
            raise self.wrong(f"day = {day}, hour = {hour}; days count from 1, hours from 0")
        return (day - 1.0) * DAY_S + hour * 3600.0

    def done(self) -> None:
        if self.data:
            raise self.wrong(f"unknown key {', '.join(self.data)}")

    def scenario(self) -> Scenario:
        start = self.data.pop("start", None)
        if not isinstance(start, datetime) or start.tzinfo is not None:
            raise self.wrong(f"start = {start!r}; write a local date and time, 2026-03-02T08:00:00")
        made = Scenario(
            title=self.text("title"),
            start=start,
            days=self.number("days"),
            weather=self.one_of("weather", KINDS),
            seed=int(self.number("seed", 1)),
            preset=self.one_of("preset", PRESETS, "bench"),
            sticks=tuple(table.stick() for table in self.tables("batches")),
            notes=tuple(table.note() for table in self.tables("entries")),
            faults=tuple(table.fault() for table in self.tables("faults")),
            spells=tuple(table.spell() for table in self.tables("spells")),
            warm_hours=self.number("warm_hours", 0.0),
        )
        if not 0.0 <= made.warm_hours <= 240.0:
            raise self.wrong(f"warm_hours = {made.warm_hours}; 0 (a cold start) to 240")
        self.done()
        for note in made.notes:
            if not 1 <= note.batch <= len(made.sticks):
                raise self.wrong(f"entries: batch {note.batch}; {len(made.sticks)} are stuck")
        return made

    def stick(self) -> Stick:
        kind = self.text("kind")
        made = Stick(
            at_s=self.moment_s(),
            plant=self.text("plant"),
            kind=kind,
            nature=self.one_of("nature", NATURES, kind if kind in NATURES else "softwood"),
            bench=self.text("bench", ""),
            bay=self.text("bay", ""),
            trays=self.text("trays", "1"),
            cuttings=int(self.number("count")),
            test_from_day=self.number("test_from_day", 7),
            test_every_days=self.number("test_every_days", 3),
            tested=int(self.number("tested", 10)),
            close_after_days=self.number("close_after_days", 0),
            details=self.texts("details"),
            flaw=self.one_of("flaw", MATERIALS, "sound"),
            vigour=self.number("vigour", 1.0),
        )
        self.done()
        if not 0.0 <= made.vigour <= 2.0:
            raise self.wrong(f"vigour = {made.vigour:g}; 0 to 2, 1 is usual")
        return made

    def note(self) -> Note:
        made = Note(
            self.moment_s(),
            int(self.number("batch")),
            self.text("kind"),
            self.texts("values"),
            self.text("note", ""),
        )
        self.done()
        return made

    def fault(self) -> Fault:
        at_s = self.moment_s()
        hours = self.number("hours") if "hours" in self.data else None
        size = self.number("size") if "size" in self.data else None
        try:
            made = make_fault(self.text("kind"), at_s, hours, self.text("target", ""), size)
        except FaultError as error:
            raise self.wrong(str(error)) from error
        self.done()
        return made

    def spell(self) -> WeatherSpell:
        from_s = self.moment_s()
        made = WeatherSpell(
            self.one_of("weather", KINDS),
            from_s,
            from_s + 3600.0 * self.number("hours"),
            self.number("shift_k", 0.0),
        )
        self.done()
        return made
