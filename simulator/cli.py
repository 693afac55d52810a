"""`warmfoot rehearse`: a bench that is not there, kept by the real controller."""

import json
import re
import time
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Final

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from config.errors import ConfigError
from config.load import load_with_text, loads
from config.model import PagePlan, Site
from controller.faces import console, typed_program
from controller.journal.errors import JournalError
from controller.places import state_dir
from simulator.faults import KINDS as FAULTS
from simulator.faults import FaultError, parse_fault
from simulator.live import BEFORE_DAYS, Live
from simulator.report import as_data, ended, tell, tell_season
from simulator.rig import Rig
from simulator.run import Rehearsal, Truth
from simulator.scenario import Scenario, ScenarioError, load_scenario, scenario_names
from simulator.season import truths, with_light, year
from simulator.serve import open_mqtt, open_ptys, play, rewired, served_rig
from simulator.weather import KINDS as WEATHERS
from simulator.wires import PtyWire, Wire, WireError

EXIT_BENCH_FILE: Final = 3
EXIT_JOURNAL: Final = 4
EXIT_REFUSED: Final = 5
DEMO_FILE: Final = "alder_lane.toml"
DEMO_SCENARIO: Final = "alder_lane"
TICK_S: Final = 15.0
SEASON_TICK_S: Final = 20.0


@click.command()
@click.argument(
    "bench_file", metavar="[BENCH.toml]", required=False, type=click.Path(path_type=Path)
)
@click.option(
    "--scenario",
    default=DEMO_SCENARIO,
    metavar="NAME|FILE",
    show_default=True,
    help=f"What happens: {', '.join(scenario_names())}, or a file of your own.",
)
@click.option(
    "--season",
    is_flag=True,
    help="Instead: a year of batches at the demonstration nursery in four stretches, about two "
    "minutes, for review and its causes to have something to tell of.",
)
@click.option("--days", type=click.FloatRange(0.01, 400), help="Length; else the scenario's.")
@click.option("--seed", type=int, help="Another weather and noise of the same kind.")
@click.option("--weather", type=click.Choice(list(WEATHERS)), help="Weather throughout.")
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="KIND@DAY+HOUR",
    help="Make something go wrong, e.g. mat_dead@3+14 or mister_blocked@5+2/6 (6 h). The first "
    "day is 1; days and hours count from the start of the rehearsal, so 1+0 is its start. "
    f"Kinds: {', '.join(FAULTS)}. May be given several times.",
)
@click.option(
    "--tick",
    "tick_s",
    type=click.FloatRange(2, 30),
    help="Seconds between decisions; else 15, and 20 for a season.",
)
@click.option(
    "--journal",
    type=click.Path(path_type=Path),
    help="Where the journal goes; else rehearsal.db in the state directory.",
)
@click.option("--keep", is_flag=True, help="Go on in the journal that is there.")
@click.option("--json", "as_json", is_flag=True, help="Answer in JSON.")
@click.option(
    "--live",
    is_flag=True,
    help="A day in a minute, with its page to watch it on; the days before are played at once.",
)
@click.option(
    "--port",
    type=click.IntRange(1024, 65535),
    default=8046,
    show_default=True,
    help="With --live: where the page is served, on this machine alone.",
)
@click.option(
    "--serve",
    type=click.Choice(["pty", "mqtt"]),
    help="Play only the boards, in real time, for `warmfoot run` in another terminal.",
)
@click.option(
    "--broker",
    default="localhost:1883",
    metavar="HOST:PORT",
    show_default=True,
    help="Broker for --serve mqtt.",
)
@click.option(
    "--speed",
    type=click.FloatRange(1, 100),
    default=1.0,
    show_default=True,
    help="With --serve: how much faster the bench lives. The controller's own time does "
    "not speed up with it, so its timing no longer fits the bench.",
)
def rehearse(
    bench_file: Path | None,
    scenario: str,
    season: bool,
    days: float | None,
    seed: int | None,
    weather: str | None,
    faults: tuple[str, ...],
    tick_s: float | None,
    journal: Path | None,
    keep: bool,
    as_json: bool,
    live: bool,
    port: int,
    serve: str | None,
    broker: str,
    speed: float,
) -> None:
    """Run a bench file against a simulated bench, in fast time, with the real controller.

    Without BENCH.toml the demonstration nursery is played. Heat, water, weather and cuttings are
    simulated; readings, decisions, orders and the journal are the real thing.
    """
    try:
        site, text = _site(bench_file)
        if season:
            if (
                bench_file
                or days
                or weather
                or faults
                or serve
                or live
                or scenario != DEMO_SCENARIO
            ):
                raise ScenarioError(
                    "--season plays its own nursery, weather and faults; only --seed, --tick, "
                    "--journal and --json go with it"
                )
            path = _journal_file(journal, keep=False)
            text = with_light(text)
            site = loads(text, DEMO_FILE)
            _season(site, text, path, seed or 0, tick_s or SEASON_TICK_S, as_json)
            return
        played = _scenario(scenario, seed, weather, faults)
        if serve:
            if live:
                raise ScenarioError("--live and --serve don't go together; choose one")
            _serve(site, text, played, serve, broker, speed, bench_file)
        elif live:
            path = _journal_file(journal, keep)
            _live(site, text, played, path, days, tick_s or TICK_S, port)
        else:
            path = _journal_file(journal, keep)
            _rehearse(site, text, played, path, days, tick_s or TICK_S, as_json)
    except ConfigError as error:
        _fail(str(error), EXIT_BENCH_FILE)
    except (ScenarioError, FaultError, WireError) as error:
        _fail(str(error), EXIT_REFUSED)
    except (JournalError, OSError) as error:
        _fail(f"the journal cannot be used: {error}", EXIT_JOURNAL)


def _fail(text: str, code: int) -> None:
    click.echo(text, err=True)
    raise SystemExit(code)


def _site(bench_file: Path | None) -> tuple[Site, str]:
    if bench_file is not None:
        return load_with_text(bench_file)
    text = files("config").joinpath("examples", DEMO_FILE).read_text(encoding="utf-8")
    return loads(text, DEMO_FILE), text


def _scenario(
    name: str, seed: int | None, weather: str | None, faults: tuple[str, ...]
) -> Scenario:
    played = load_scenario(name)
    if seed is not None:
        played = played._replace(seed=seed)
    if weather is not None:
        played = played._replace(weather=weather, spells=())
    more = tuple(parse_fault(fault) for fault in faults)
    return played._replace(faults=(*played.faults, *more))


def _journal_file(given: Path | None, keep: bool) -> Path:
    """The journal to write; one from an earlier rehearsal is taken away unless it is to be kept."""
    path = given or state_dir() / "rehearsal.db"
    path.parent.mkdir(parents=True, exist_ok=True)
    if not keep:
        for old in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")):
            old.unlink(missing_ok=True)
    return path


# -- fast time ------------------------------------------------------------------------------------


def _rehearse(
    site: Site,
    text: str,
    played: Scenario,
    journal: Path,
    days: float | None,
    tick_s: float,
    as_json: bool,
) -> None:
    out = console(stderr=as_json)
    rehearsal = Rehearsal(
        site, played, journal_path=journal, days=days, tick_s=tick_s, site_text=text
    )
    begun_s = time.perf_counter()
    stopped_early = False
    with rehearsal:
        try:
            truth = _with_progress(out, rehearsal)
        except KeyboardInterrupt:
            stopped_early = True
            truth = rehearsal.truth()
    took_s = time.perf_counter() - begun_s
    if as_json:
        click.echo(json.dumps(as_data(truth, journal, took_s), indent=2))
        return
    if stopped_early:
        out.print("stopped by Ctrl-C; what was played is in the journal")
    tell(out, rehearsal.site, played, truth, journal, took_s)


def _season(site: Site, text: str, journal: Path, seed: int, tick_s: float, as_json: bool) -> None:
    """Play the stretches of a year, one after another, into one journal."""
    out = console(stderr=as_json)
    begun_s = time.perf_counter()
    played: list[tuple[Scenario, Truth]] = []
    try:
        for scenario in year(seed):
            rehearsal = Rehearsal(
                site, scenario, journal_path=journal, tick_s=tick_s, site_text=text
            )
            with rehearsal:
                played.append((scenario, _with_progress(out, rehearsal)))
    except KeyboardInterrupt:
        out.print("stopped by Ctrl-C; what was played is in the journal")
    took_s = time.perf_counter() - begun_s
    batches = ended(site, journal, truths())
    if as_json:
        data = {
            "took_s": round(took_s, 2),
            "tick_s": tick_s,
            "days_played": round(sum(truth.span_s for _, truth in played) / 86400, 2),
            "journal": str(journal),
            "batches": [one._asdict() for one in batches],
        }
        click.echo(json.dumps(data, indent=2))
    else:
        tell_season(out, played, batches, journal, took_s, tick_s)


def _with_progress(out: Console, rehearsal: Rehearsal) -> Truth:
    if not out.is_terminal:
        return rehearsal.run()
    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("day {task.completed:.0f} of {task.total:.0f}"),
        TimeElapsedColumn(),
        console=out,
        transient=True,
    )
    with bar:
        task = bar.add_task(rehearsal.scenario.title, total=rehearsal.days)
        return rehearsal.run(lambda day: bar.update(task, completed=day))


# -- fast enough to watch -------------------------------------------------------------------------


def _live(
    site: Site,
    text: str,
    played: Scenario,
    journal: Path,
    days: float | None,
    tick_s: float,
    port: int,
) -> None:
    """Play the days before at once, then a day a minute until Ctrl-C."""
    rehearsal = Rehearsal(site, played, journal_path=journal, tick_s=tick_s, site_text=text)
    before = BEFORE_DAYS if days is None else days
    with Live(rehearsal, PagePlan(port=port)) as live:
        click.echo(f"open {live.address} in a browser; a day takes a minute; Ctrl-C ends it")
        try:
            live.hasten(before)
            live.play()
        except KeyboardInterrupt:
            click.echo(f"ended; the journal is {journal}")


# -- real time ------------------------------------------------------------------------------------


def _serve(
    site: Site,
    text: str,
    played: Scenario,
    how: str,
    broker: str,
    speed: float,
    bench_file: Path | None,
) -> None:
    begin_s = time.time()
    local = datetime.fromtimestamp(begin_s, site.site.zone).replace(tzinfo=None)
    played = played._replace(start=local)
    folder = state_dir()
    if how == "pty":
        rig = served_rig(site, played, speed)
        wires = open_ptys(rig, folder)
        made = rewired(text, _pty_links(wires))
    else:
        host, port = _host_and_port(broker)
        made = rewired(text, {name: _broker_link(host, port) for name in site.links})
        rig = served_rig(site if made is None else loads(made, "the bench file"), played, speed)
        wires = open_mqtt(rig, host, port)
    _tell_serving(rig, wires, made, folder, bench_file or Path(DEMO_FILE), speed)
    try:
        play(rig, wires, begin_s, speed=speed)
    except KeyboardInterrupt:
        click.echo("the simulated boards are gone")


def _pty_links(wires: dict[str, Wire]) -> dict[str, dict[str, str | int]]:
    return {
        key: {"kind": "serial", "port": wire.port}
        for key, wire in wires.items()
        if isinstance(wire, PtyWire)
    }


def _broker_link(host: str, port: int) -> dict[str, str | int]:
    return {"kind": "mqtt", "host": host, "port": port}


def _host_and_port(broker: str) -> tuple[str, int]:
    found = re.fullmatch(r"([^:\s]+)(?::(\d{1,5}))?", broker)
    if found is None:
        raise WireError(f'broker "{broker}"; write HOST:PORT, for example localhost:1883')
    return found[1], int(found[2] or 1883)


def _tell_serving(
    rig: Rig, wires: dict[str, Wire], made: str | None, folder: Path, file: Path, speed: float
) -> None:
    for key, wire in wires.items():
        where = wire.port if isinstance(wire, PtyWire) else "its node on the broker"
        click.echo(f"board {key}: {where}")
    if rig.left_out:
        click.echo(f"not played, for they are other devices' topics: {', '.join(rig.left_out)}")
    if speed > 1:
        click.echo(f"the bench lives {speed:g} times faster than the controller's clock")
    if made is None:
        click.echo(f"put these ports into your bench file, then: {typed_program()} run BENCH.toml")
    else:
        folder.mkdir(parents=True, exist_ok=True)
        beside = folder / f"{file.stem}-simulated.toml"
        beside.write_text(made, encoding="utf-8")
        click.echo(f"in another terminal: {typed_program()} run {beside}")
    click.echo("Ctrl-C ends it")
