"""calibrate together, calibrate list: probes beside each other, and when each is due again."""

from pathlib import Path

import click

from config.change import probe_path
from config.load import load_with_text
from config.model import probes_of
from controller.care_due import calibrated_probes, drift, due
from controller.cli import calibrating
from controller.cli.checked import calibration_data
from controller.cli.common import (
    EXIT_FAULT,
    Refused,
    expected_errors,
    give_json,
    journal_option,
    json_option,
    local,
    orderly_end,
    reader_for,
    site_of,
    time_of,
)
from controller.cli.wires import bench_alone, make_clock, make_links
from controller.faces import Rows, console
from controller.journal.care import calibrations
from controller.places import journal_path
from controller.wiring.hands import Hands
from sensors.calibrate import calibration_of
from sensors.correction import together


@click.command("together")
@click.argument("bench_file", metavar="BENCH.toml", type=click.Path(path_type=Path))
@click.argument("names", nargs=-1, metavar="[PROBE]...")
@json_option
@expected_errors
def beside(bench_file: Path, names: tuple[str, ...], as_json: bool) -> None:
    """All probes of one kind in one bucket or jar: which says otherwise than the rest?

    Without PROBE all base probes of the site: an air probe must not get wet. They are watched
    until each rests.
    """
    site, _ = load_with_text(bench_file)
    units = calibrated_probes(site)
    for name in names:
        probe_path(site, name)
    held = dict(probes_of(site))
    chosen = list(names) or [name for name in units if held[name].kind == "base_temperature"]
    kinds = {units.get(name, "light") for name in chosen}
    if len(kinds) > 1 or "light" in kinds:
        raise Refused("probes of one kind belong in one place: all temperature, or all humidity")
    (unit,) = kinds
    if len(chosen) < 2:
        raise Refused(f"only {chosen[0]} to hold beside nothing; two at least are needed")
    clock = make_clock()
    values: dict[str, float] = {}
    with bench_alone(site, "holding probes beside each other"):
        try:
            with orderly_end(), Hands(site, make_links(site, clock), clock) as hands:
                click.echo(
                    f"Watching {len(chosen)} probes; stir, and keep hands off them.", err=True
                )
                from_s = clock.now().mono_s
                for name in chosen:
                    rest = calibrating.settled(
                        hands, name, unit, from_s, lambda text: click.echo(text, err=True)
                    )
                    values[name] = calibration_of(held[name]).line(rest.mean)
        except calibrating.NotSteady as error:
            raise Refused(str(error)) from error
        except KeyboardInterrupt:
            raise Refused("stopped by hand; nothing was changed") from None
    found = together(values, unit)
    sign = "K" if unit == "degC" else "%"
    if as_json:
        give_json([one._asdict() for one in found])
    else:
        rows = Rows(console(), "probe", "says", "from the median", "")
        for one in found:
            word = "odd: hold it against ice or a reference" if one.odd else "agrees"
            rows.add_row(one.probe, f"{one.value:.2f}", f"{one.off:+.2f} {sign}", word)
        rows.show()
    if any(one.odd for one in found):
        raise SystemExit(EXIT_FAULT)


@click.command("list")
@click.argument(
    "bench_file", metavar="[BENCH.toml]", required=False, type=click.Path(path_type=Path)
)
@journal_option
@json_option
@expected_errors
def list_done(bench_file: Path | None, journal_given: str | None, as_json: bool) -> None:
    """When each probe was calibrated, how far it moved since the time before, when it is due.

    BENCH.toml is wanted before the first `warmfoot run` of a bench only.
    """
    given = None if bench_file is None else load_with_text(bench_file)[0]
    if given is not None and journal_given is None:
        journal_given = str(journal_path(given))
    path, reader = reader_for(journal_given)
    with reader:
        site = given or site_of(reader, path)
        done = calibrations(reader)
        runs = reader.runs()
        now_s = time_of(reader)
    found = due(site, done, runs[0].started_s if runs else now_s)
    dues = {one.probe: one for one in found}
    probes = calibrated_probes(site)
    if as_json:
        give_json(
            {
                probe: {
                    "due_utc_s": dues[probe].due_s if probe in dues else None,
                    "drift": (moved := drift(done, probe)) and moved._asdict(),
                    "calibrations": [calibration_data(one) for one in done if one.probe == probe],
                }
                for probe in probes
            }
        )
        return
    zone = site.site.zone
    rows = Rows(console(), "probe", "last", "by", "adds", "moved", "due")
    for probe in probes:
        own = [one for one in done if one.probe == probe and one.outcome != "refused"]
        last = own[-1] if own else None
        moved = drift(done, probe)
        at = dues.get(probe)
        late = " (now)" if at is not None and at.due_s <= now_s else ""
        rows.add_row(
            probe,
            local(last.at_s, zone)[:10] if last else "never",
            last.by if last else "",
            f"{last.offset:+.2f} x{last.gain:g}" if last else "",
            moved.words if moved else "",
            f"{local(at.due_s, zone)[:10]}{late}" if at else "no reminder",
        )
    rows.show()
