"""calibrate: a probe held against known values, its correction, and when it is due again."""

import sys
from pathlib import Path
from typing import Any, NamedTuple

import click

from config.change import change_correction, probe_path
from config.load import load_with_text
from config.model import Probe, Site, probes_of
from controller.care_due import calibrated_probes, drift
from controller.cli import calibrating
from controller.cli.checked import calibration_data
from controller.cli.common import (
    EXIT_FAULT,
    Refused,
    expected_errors,
    fail,
    give_json,
    json_option,
    orderly_end,
    who,
)
from controller.cli.wires import bench_alone, make_clock, make_links
from controller.faces import console, say
from controller.journal.care import Calibrated, Held, calibrations, keep_calibration
from controller.journal.reader import open_reader
from controller.journal.writer import Journal
from controller.places import journal_path
from controller.wiring.hands import Hands
from sensors.calibrate import Calibration, calibration_of
from sensors.correction import CalibrationRefused, Correction, Point, correction
from sensors.fixed_points import SALTS


class Order(NamedTuple):
    """What is to be done with what is found. write: None where it is asked."""

    file: Path
    write: bool | None
    by: str
    note: str
    as_json: bool


class Figure(click.ParamType[Any]):
    """A number that a probe or a thermometer can show, or another from `least` to `most`."""

    name = "number"

    def __init__(self, least: float = -40.0, most: float = 125.0) -> None:
        self.least, self.most = least, most

    def convert(
        self,
        value: Any,
        param: click.Parameter | None,  # noqa: ARG002  (as click calls it)
        ctx: click.Context | None,  # noqa: ARG002
    ) -> float:
        try:
            found = float(str(value).replace(",", "."))
        except ValueError:
            self.fail(f"{value!r} is not a number; write e.g. 0.31")
        if not self.least <= found <= self.most:
            self.fail(f"{value} is beyond what is believed here, {self.least:g} to {self.most:g}")
        return found


bench_file = click.argument("bench_file", metavar="BENCH.toml", type=click.Path(path_type=Path))


@click.group()
def calibrate() -> None:
    """Hold probes against known values, and put what they say right."""


@calibrate.command()
@click.argument("which", type=click.Choice(["ice", "reference", "salt", "bucket"]), required=False)
def how(which: str | None) -> None:
    """How an ice bath, a reference, a salt jar and a bucket are made, and what to mind."""
    words = {
        "ice": calibrating.ICE,
        "reference": calibrating.REFERENCE,
        "salt": calibrating.salt_words(),
        "bucket": calibrating.BUCKET,
    }
    click.echo("\n\n".join(words[one] for one in ([which] if which else words)))


@calibrate.command()
@bench_file
@click.argument("probe")
@click.option("--ice", is_flag=True, help="In melting ice: 0.00 °C.")
@click.option("--reference", "references", type=Figure(), multiple=True, metavar="°C",
              help="What a trusted thermometer beside it says; twice for two.")  # fmt: skip
@click.option("--salt", "salts", type=click.Choice([*SALTS]), multiple=True,
              help="Over a saturated salt; twice for two.")  # fmt: skip
@click.option("--room", "room_c", type=Figure(), metavar="°C", help="Of the air over the salt.")
@click.option("--sure", type=Figure(0.001, 2.0), default=calibrating.SURE_K,
              show_default=True, help="Doubt of the reference, K, at about 95 %.")  # fmt: skip
@click.option("--reads", type=Figure(), multiple=True,
              help="What the probe says there, as `status` shows it, instead of watching it; one "
                   "for each known value: ice, references, salts.")  # fmt: skip
@click.option("--write/--no-write", default=None, help="Do or don't change the file; else asked.")
@click.option("--by", default=None, help="Who does it, for the record; else the user's name.")
@click.option("--note", default="", help="In your own words, such as the certificate's number.")
@json_option
@expected_errors
def probe(
    bench_file: Path,
    probe: str,
    ice: bool,
    references: tuple[float, ...],
    salts: tuple[str, ...],
    room_c: float | None,
    sure: float,
    reads: tuple[float, ...],
    write: bool | None,
    by: str | None,
    note: str,
    as_json: bool,
) -> None:
    """Find the correction of one probe: offset from one known value, gain too from two.

    It watches the probe until it rests; warmfoot must not run meanwhile, for it would heat a bay
    whose probe lies in ice. With --reads nothing is watched, and it may run, but then take the
    probe out of its bay only with the bay's heat held off: `warmfoot hold heat BAY off`.
    """
    site, _ = load_with_text(bench_file)
    probe_path(site, probe)
    held = dict(probes_of(site))[probe]
    known = calibrating.known_values(
        site, probe, calibrating.Baths(ice, references, salts, room_c, sure)
    )
    order = Order(bench_file, write, by or who(), note, as_json)
    if reads and len(reads) != len(known):
        raise click.BadParameter(
            f"{len(reads)} values after --reads for {len(known)} known ones; give one for each"
        )
    was = calibration_of(held)
    if reads:
        points = [
            Point(one.known, was.raw_of(said), one.u)
            for one, said in zip(known, reads, strict=True)
        ]
        with Journal.open(journal_path(site), site=site) as journal:
            _conclude(journal, site, probe, known, points, order)
        return
    if not sys.stdin.isatty() and len(known) > 1:
        raise Refused(
            "no terminal here to say when the probe is in its second bath; give --reads for both, "
            "or one known value at a time"
        )
    with bench_alone(site, "calibrating") as journal:
        points = _watched(site, probe, calibrated_probes(site)[probe], known)
        _conclude(journal, site, probe, known, points, order)


def _watched(site: Site, probe: str, unit: str, known: list[Held]) -> list[Point]:
    """What the probe says at each known value, once it rests there."""
    clock = make_clock()
    sign = "°C" if unit == "degC" else "% RH"
    points = []
    try:
        with orderly_end(), Hands(site, make_links(site, clock), clock) as hands:
            for one in known:
                words = f"{probe} at {one.known:.2f} {sign} ({one.how})"
                if sys.stdin.isatty():
                    click.prompt(
                        f"Put {words}, then press Enter",
                        default="", show_default=False, prompt_suffix=" ", err=True,
                    )  # fmt: skip
                else:
                    click.echo(f"Watching {words}", err=True)
                from_s = clock.now().mono_s
                rest = calibrating.settled(
                    hands, probe, unit, from_s, lambda text: click.echo(text, err=True)
                )
                click.echo(f"  at rest: {rest.mean:.3f} uncorrected", err=True)
                points.append(Point(one.known, rest.mean, one.u, rest.scatter))
    except calibrating.NotSteady as error:
        raise Refused(f"{error}; nothing was changed") from error
    except KeyboardInterrupt:
        raise Refused("stopped by hand; nothing was changed") from None
    return points


def _conclude(
    journal: Journal,
    site: Site,
    probe: str,
    known: list[Held],
    points: list[Point],
    order: Order,
) -> None:
    """Work it out, ask, write and keep it."""
    held = dict(probes_of(site))[probe]
    was, unit = calibration_of(held), calibrated_probes(site)[probe]
    seen = tuple(one._replace(raw=p.raw) for one, p in zip(known, points, strict=True))
    done = Calibrated(
        make_clock().now().utc_s, probe, unit, order.by, seen, was.gain, was.offset,
        was.gain, was.offset, 0.0, "refused", order.note,
    )  # fmt: skip
    out = console(stderr=order.as_json)
    try:
        found = correction(points, unit, was.gain)
    except CalibrationRefused as error:
        done = done._replace(note=f"{error}; {order.note}" if order.note else str(error))
        keep_calibration(journal, done)
        fail(f"{probe}: {error}. Nothing was changed; the attempt is on record", EXIT_FAULT)
    done = done._replace(
        gain=found.calibration.gain, offset=found.calibration.offset, u=found.u, outcome="told"
    )
    _tell(out, done, found, was)
    figures = _figures(held, found.calibration)
    lines = ", ".join(f"{key} = {value:g}" for key, value in figures.items())
    if not _worth(done, found, was):
        done = done._replace(outcome="as it was")
        say(out, "what is in force is right within the doubt; the file stays as it is")
    elif order.write is False or (order.write is None and not sys.stdin.isatty()):
        say(out, f"to put it into {order.file}, at {probe}: {lines}")
    elif order.write or click.confirm(f"Write {lines} into {order.file}?", err=True):
        kept = change_correction(order.file, probe, figures)
        done = done._replace(outcome="written")
        say(out, f"{order.file}: written; as it was it is kept as {kept.name}. A running warmfoot "
                 "takes it up on SIGHUP (`systemctl reload warmfoot`)")  # fmt: skip
    else:
        say(out, f"the file stays as it is; the line was {lines}")
    done = done._replace(number=keep_calibration(journal, done))
    with open_reader(journal.path) as reader:
        moved = drift(calibrations(reader), probe)
    if moved is not None:
        say(out, f"{probe}: {moved.words}")
    if order.as_json:
        give_json({**calibration_data(done), "drift": moved and moved._asdict()})


def _figures(held: Probe, found: Calibration) -> dict[str, float]:
    """Keys for the bench file; a gain that neither was nor is needed is left out."""
    key = "offset_pct" if held.kind == "humidity" else "offset_c"
    figures = {key: found.offset}
    if found.gain != 1.0 or held.gain != 1.0:
        figures["gain"] = found.gain
    return figures


def _worth(done: Calibrated, found: Correction, was: Calibration) -> bool:
    """Whether what is in force is off by more than the doubt, at any of the known values."""
    return any(abs(was.line(one.raw) - one.known) > found.u for one in done.held)


def _tell(out: Any, done: Calibrated, found: Correction, was: Calibration) -> None:
    sign = "°C" if done.unit == "degC" else "%"
    for one in done.held:
        now, right = was.line(one.raw), found.calibration.line(one.raw)
        say(
            out,
            f"{done.probe} at {one.how} {one.known:.2f} {sign}: says {one.raw:.2f}, with the "
            f"correction in force {now:.2f}, with the one found {round(right, 2) + 0.0:.2f}",
        )
    say(
        out,
        f"found: offset {done.offset:+.3f} {sign}, gain {done.gain:.4f}; corrected values are "
        f"right within {done.u:.2f} (k = 2, about 95 %)",
        style="bold",
    )
