"""mix: how much air and water a rooting mix holds, from the container drain test."""

import re
import sys
from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final

import click
from rich.console import Console

from controller.batch_acts import BatchActs
from controller.cli.common import (
    Moment,
    Refused,
    expected_errors,
    give_json,
    journal_option,
    json_option,
    local,
    one_of,
    reader_for,
    say_broken,
    site_of,
    when,
    who,
)
from controller.entries import effective, evidence
from controller.faces import Rows, console, say
from controller.mixes import at_depth, known_mixes
from controller.review import porosity as drain

STEPS: Final = (
    "1. Take a tray or pot as you stick in, and know the volume that the mix fills (fill it with "
    "water once and measure that). Fill it with mix as you fill trays; press nothing.",
    "2. Close its holes. Pour water in slowly until it shines on top; wait, top up; note how much.",
    "3. Open the holes over a basin, without tilting it, until nothing drips: half an hour.",
    "4. Measure what ran out. That was air, and is air again.",
)
_UNITS: Final = {"": 1.0, "ml": 1.0, "cl": 10.0, "dl": 100.0, "l": 1000.0}


class Volume(click.ParamType[Any]):
    """A volume such as 850, 850ml or 1.2l; gives mL."""

    name = "volume"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        if isinstance(value, int | float):
            return float(value)
        found = re.fullmatch(r"(\d{1,7}(?:[.,]\d{1,6})?)\s*([a-z]*)", str(value).strip().lower())
        if not found or found[2] not in _UNITS:
            self.fail(f"{value!r} is not a volume; write e.g. 850 (mL), 850ml or 1.2l", param, ctx)
        return float(found[1].replace(",", ".")) * _UNITS[found[2]]


@click.command()
@click.option("--container", type=Volume(), help="Volume that the mix fills, mL.")
@click.option("--to-saturate", type=Volume(), help="Water poured in until it shines on top, mL.")
@click.option("--drained", type=Volume(), help="Water that ran out, mL.")
@click.option("--wet-g", type=float, help="Weight of the mix after draining, g.")
@click.option("--dry-g", type=float, help="Weight of the same mix dried (a day at 105 °C), g.")
@click.option("--height-cm", type=float, help="Depth of the mix in the container, cm.")
@click.option("--tray-height-cm", type=float, help="Depth of the mix in the tray you stick in, cm.")
@click.option("--mix", "name", help="Name of the mix, as you write it for batches.")
@click.option("--save", type=int, metavar="BATCH", help="Keep the result with this batch.")
@click.option("--at", type=Moment(), help="With --save: when it was measured; by default now.")
@click.option(
    "--ask", is_flag=True, help="Be asked for what is missing; a terminal does so anyway."
)
@click.option("--known", is_flag=True, help="List the mixes of past batches instead.")
@journal_option
@json_option
@expected_errors
def mix(
    container: float | None,
    to_saturate: float | None,
    drained: float | None,
    wet_g: float | None,
    dry_g: float | None,
    height_cm: float | None,
    tray_height_cm: float | None,
    name: str | None,
    save: int | None,
    at: datetime | None,
    ask: bool,
    known: bool,
    journal_given: str | None,
    as_json: bool,
) -> None:
    """How much air a rooting mix holds when it has drained (air-filled porosity), and water.

    The container drain test, after AS 3743-2003 Appendix B: air in % is the water that ran out,
    divided by the volume of the mix. Best done in the very tray you stick in: a shallow tray holds
    less air and more water than a deep pot of the same mix. On a terminal it asks for what is not
    given.
    """
    if known:
        _list_known(journal_given, name, as_json)
        return
    if (container is None or drained is None) and (ask or sys.stdin.isatty()):
        container, to_saturate, drained, height_cm = _asked(
            container, to_saturate, drained, height_cm
        )
    if container is None or drained is None:
        missing = [
            option
            for option, value in (("--container", container), ("--drained", drained))
            if value is None
        ]
        raise Refused(f"{' and '.join(missing)} missing; this is the test:\n" + "\n".join(STEPS))
    seen = drain.Measured(container, drained, to_saturate, wet_g, dry_g, height_cm)
    try:
        found = drain.porosity(seen)
        depth, fits = _depth(found.afp_pct, height_cm, tray_height_cm)
    except drain.PorosityError as error:
        raise Refused(str(error)) from None
    beside: list[drain.Known] = []
    if save is not None:
        if not fits:
            raise Refused(f"not kept with batch {save}: {depth}")
        name = _save(save, found, seen, name, at, journal_given)
    if save is not None or name:
        _, reader = reader_for(journal_given)
        with reader:
            every = known_mixes(reader)
        beside = [one for one in every if drain.same_mix(one.mix, name or "") and one.batch != save]
    if as_json:
        give_json(
            {
                "method": drain.METHOD,
                **found._asdict(),
                "wanted_pct": drain.WANTED_PCT,
                "wanted_source": drain.WANTED_SOURCE,
                "depth": depth,
                "mix": name,
                "saved_with": save,
                "measured_before": [one._asdict() for one in beside],
            }
        )
        return
    _told(console(), found, depth, beside)
    if save is not None:
        click.echo(f"kept with batch {save}")


def _asked(
    container: float | None,
    to_saturate: float | None,
    drained: float | None,
    height_cm: float | None,
) -> tuple[float | None, float | None, float | None, float | None]:
    """What was not given, asked for at a terminal. End of input ends it."""
    for line in STEPS:
        say_broken(line, hanging="   ", err=True)
    try:
        if container is None:
            container = click.prompt("Volume that the mix fills, mL", type=Volume(), err=True)
        if to_saturate is None:
            said = _open("Water poured in, mL (Enter: not measured)")
            to_saturate = Volume().convert(said, None, None) if said.strip() else None
        if drained is None:
            drained = click.prompt("Water that ran out, mL", type=Volume(), err=True)
        if height_cm is None:
            said = _open("Depth of the mix, cm (Enter: not measured)")
            height_cm = float(said.replace(",", ".")) if said.strip() else None
    except ValueError:
        raise Refused(f"{said!r} is not a depth; write e.g. 5.5") from None
    return container, to_saturate, drained, height_cm


def _open(question: str) -> str:
    said: str = click.prompt(question, default="", show_default=False, err=True)
    return said


def _depth(afp: float, height_cm: float | None, tray_cm: float | None) -> tuple[str, bool]:
    """What the depth says of the figure, and whether it can stand for the tray."""
    if tray_cm is not None and height_cm is None:
        raise Refused("--tray-height-cm says something beside --height-cm only; give both")
    if height_cm is not None and tray_cm is not None:
        return drain.in_tray(afp, height_cm, tray_cm)
    at_ = "" if height_cm is None else f"measured at {height_cm:g} cm; "
    return f"{at_}it holds for this depth only: shallower holds less air, deeper more", True


def _told(out: Console, found: drain.Porosity, depth: str, beside: Sequence[drain.Known]) -> None:
    low, high = drain.WANTED_PCT
    say(out, f"air-filled porosity {found.afp_pct:.0f} %: {_SITS[found.sits]}", style="bold")
    say(out, f"  wanted for cuttings {low:g} to {high:g} % ({drain.WANTED_SOURCE})")
    nursery = "{:g} to {:g}".format(*drain.NURSERY_PCT)
    say(out, f"  nursery stock in general {nursery} % ({drain.NURSERY_SOURCE})")
    if found.water_pct is not None and found.total_pct is not None:
        say(out, f"  water held {found.water_pct:.0f} %, all pores {found.total_pct:.0f} %")
    if found.bulk_g_per_ml is not None:
        say(out, f"  dry weight {found.bulk_g_per_ml:.2f} g/mL")
    say(out, f"  {depth}")
    for doubt in found.doubts:
        say(out, f"  note: {doubt}")
    for change in found.changes:
        say(out, f"  change: {change}")
    for one in beside:
        say(out, f"  measured before: {one.afp_pct:g} %{at_depth(one)}, batch {one.batch}")
    say(out, f"  {drain.METHOD}")


_SITS: Final = {
    "little air": "far too little air, cuttings rot in it in a wet spell",
    "below": "below what cuttings want",
    "within": "within what cuttings want",
    "above": "above what cuttings want; it dries sooner",
    "far above": "far above what cuttings want; it dries very soon",
}


def _save(
    number: int,
    found: drain.Porosity,
    seen: drain.Measured,
    name: str | None,
    at: datetime | None,
    journal_given: str | None,
) -> str | None:
    """Keep the result with a batch; gives the name of its mix."""
    path, reader = reader_for(journal_given)
    with reader:
        site = site_of(reader, path)
        held = one_of(number, reader.batches())
        said = evidence(held, effective(reader.entries(number))).get("mix")
    if name and said and not drain.same_mix(name, said):
        raise Refused(
            f"batch {number} was stuck in {said!r}, not in {name!r}; leave out --mix, or correct "
            f"it first: `warmfoot batch enter {number} checked mix=...`"
        )
    values = {"afp_pct": f"{found.afp_pct:.1f}"}
    if found.water_pct is not None:
        values["water_holding_pct"] = f"{found.water_pct:.1f}"
    if seen.height_cm is not None:
        values["mix_height_cm"] = f"{seen.height_cm:g}"
    if name and not said:
        values["mix"] = name
    BatchActs(path, site, who()).check(number, values, at_s=when(at, site), note=drain.METHOD)
    return said or name


def _list_known(journal_given: str | None, name: str | None, as_json: bool) -> None:
    path, reader = reader_for(journal_given)
    with reader:
        zone = site_of(reader, path).site.zone
        found = [
            one for one in known_mixes(reader) if name is None or drain.same_mix(one.mix, name)
        ]
    if as_json:
        give_json([one._asdict() for one in found])
        return
    out = console()
    rows = Rows(out, "mix", "air last", "depth", "all (batches)", "last batch", "stuck")
    left = list(found)
    while left:
        last = left[0]
        same = [one.afp_pct for one in left if drain.same_mix(one.mix, last.mix)]
        left = [one for one in left if not drain.same_mix(one.mix, last.mix)]
        depth = f"{last.height_cm} cm" if last.height_cm else "not known"
        span = f"{min(same):g}" if min(same) == max(same) else f"{min(same):g} to {max(same):g}"
        day = local(last.at_s, zone)[:10]
        every = f"{span} % ({len(same)})"
        rows.add_row(last.mix, f"{last.afp_pct:g} %", depth, every, str(last.batch), day)
    if found:
        rows.show()
    else:
        say(
            out,
            "no mix of a past batch has its air on record; `warmfoot mix --save BATCH` keeps it",
        )
