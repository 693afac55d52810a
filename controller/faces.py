"""What a person reads in a terminal: the bench, its alarms, and the review of a batch."""

import re
import sys
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from textwrap import wrap
from typing import Any, Final
from zoneinfo import ZoneInfo

from rich import box
from rich.console import Console
from rich.markup import escape
from rich.measure import Measurement
from rich.table import Table

from config.model import Mister, Relay, Site, probes_of
from config.recipes import thaw
from config.shares import percent
from controller.decide.alarm_table import rows
from controller.entries import effective, lost, merged_away, number_of, potted, unaccounted
from controller.records import Batch, Entry, EntryKind
from controller.review.causes import Verdict
from controller.review.summary import BatchSummary
from controller.saving import Saving, in_words
from sensors.links.addresses import address_words

_TO_DO: Final = ("UNACK", "ACKED", "LATCH_UNACK", "LATCH_ACK")
"""States in which an alarm wants somebody."""
PHASE_WORDS: Final = {
    "stick": "just stuck",
    "callus": "forming callus",
    "root": "rooting",
    "wean": "weaning",
    "wean_late": "nearly weaned",
}
STATE_WORDS: Final = {
    "UNACK": "new",
    "ACKED": "seen",
    "RTNUN": "over, not yet seen",
    "LATCH_UNACK": "off until reset, new",
    "LATCH_ACK": "off until reset, seen",
    "SHLVD": "set aside",
    "DSUPR": "explained by another",
    "OOSRV": "out of service",
    "NORM": "over",
}
NOT_SAFETY = (
    "The program is not a safety device. Local codes and a licensed electrician come first."
)


def console(*, stderr: bool = False) -> Console:
    """Where answers go: with colour on a terminal, plain and wide elsewhere."""
    found = Console(highlight=False, stderr=stderr)
    if found.is_terminal:
        return found
    return Console(highlight=False, stderr=stderr, width=160, color_system=None)


def say(out: Console, text: str = "", *, style: str | None = None) -> None:
    """One line as it is: no markup is read into it, and it is never cut.

    On a terminal it is broken between words, and goes on below where it began. A line with a
    command to be typed is left whole, so that it can be copied.
    """
    if out.is_terminal and not _COMMAND.match(text):
        text = "\n".join(_broken(line, out.width) for line in text.split("\n"))
    out.print(text, style=style, markup=False, soft_wrap=True)


_COMMAND = re.compile(r"  (\S*/)?(warmfoot|sudo) ")


def _broken(line: str, width: int) -> str:
    """A line in as many as it needs, those after the first two columns further in."""
    indent = " " * (len(line) - len(line.lstrip(" ")))
    lines = wrap(
        line.lstrip(" "),
        width,
        initial_indent=indent,
        subsequent_indent=indent + "  ",
        replace_whitespace=False,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return "\n".join(lines)


def typed_program() -> str:
    """The command as it was typed, so that what is proposed can be typed as it stands."""
    typed = sys.argv[0]
    return typed if Path(typed).name == "warmfoot" and "/" in typed else "warmfoot"


NARROW = 80
"""Columns of a terminal below which a table would cut its words."""


class Rows:
    """Rows under headings: a table, or each row as lines of its own where words would be cut."""

    def __init__(self, out: Console, *columns: str) -> None:
        self._out = out
        self._columns = columns
        self._rows: list[tuple[str, ...]] = []

    def add_row(self, *cells: str) -> None:
        """One cell for each column."""
        self._rows.append(cells)

    def show(self) -> None:
        made = Table(box=box.SIMPLE_HEAD if self._out.is_terminal else None, pad_edge=False)
        for column in self._columns:
            made.add_column(column, justify="right" if column in ("no.", "count") else "left")
        for cells in self._rows:
            made.add_row(*map(escape, cells))
        if self._out.is_terminal and (
            self._out.width < NARROW or _least_width(self._out, made) > self._out.width
        ):
            self._show_lines()
            return
        self._out.print(made)

    def _show_lines(self) -> None:
        for cells in self._rows:
            say(self._out, cells[0], style="bold")
            for column, cell in zip(self._columns[1:], cells[1:], strict=True):
                if cell:
                    say(self._out, f"  {column}: {cell}")


def _least_width(out: Console, table: Table) -> int:
    """Columns that a table needs to cut no word."""
    return Measurement.get(out, out.options.update_width(10_000), table).minimum


def number(value: float | None, form: str, missing: str = "no reading") -> str:
    """A number in its decimals, or plain words where there is none."""
    return missing if value is None else format(value, form)


def measured(value: float | None, form: str, unit: str, missing: str = "no reading") -> str:
    """A number with its unit, or plain words alone where there is none."""
    return missing if value is None else f"{format(value, form)} {unit}"


# -- check ------------------------------------------------------------------------------------


def check_text(out: Console, site: Site, bench_file: Path) -> None:
    """Say what a sound bench file means: each probe and relay, and what the installer owes."""
    say(out, f"{bench_file}: sound", style="bold")
    say(out, f"{site.site.name}, {site.site.timezone}, a decision every {site.site.tick_s:g} s")
    probes = Rows(out, "probe", "measures", "comes by")
    relays = Rows(out, "relay", "switches", "goes off by itself")
    for name, probe in probes_of(site):
        probes.add_row(name, probe.kind.replace("_", " "), address_words(probe))
    for bench_name, bench in site.benches.items():
        for bay_name, bay in bench.bays.items():
            relays.add_row(f"{bench_name}.{bay_name}.mat", f"{bay.mat.power_w:g} W", _off(bay.mat))
        if bench.mister is not None:
            relays.add_row(f"{bench_name}.mister", _flow(bench.mister), _off(bench.mister))
    probes.show()
    relays.show()
    for line in cautions(site):
        say(out, f"note: {line}")
    for line in thrift(site):
        say(out, line)
    say(out, NOT_SAFETY)


def thrift(site: Site) -> list[str]:
    """Where each bay's base rides in its band, and which go by the hours of the tariff."""
    rides: dict[str, list[str]] = {}
    early: list[str] = []
    prices = set() if site.tariff is None else {site.tariff.price_at(m) for m in range(1440)}
    for bench_name, bench in site.benches.items():
        for bay in bench.bays:
            plan = bench.heat_for(bay)
            place = f"{bench_name}.{bay}"
            if plan.ride != "target":
                kept = "" if plan.target_c is None else "not"
                rides.setdefault(kept or plan.ride, []).append(place)
            if len(prices) > 1 and plan.warm_early and not plan.parts:
                early.append(place)
    found = [f"{', '.join(places)}: {_RIDES[ride]}" for ride, places in rides.items()]
    if early:
        found.append(
            f"{', '.join(early)}: warmed before dear hours and let down in them, within the good "
            "band and by no more warmth than lately gained, where that saves money "
            "(warm_early = false stops it)"
        )
    return found


_RIDES = {
    "low": "rides low in the good band (saves heat, costs days)",
    "high": "rides high in the good band (saves days, costs heat)",
    "not": "ride is not used, because target_c says where to hold; leave one of them out",
}


def cautions(site: Site) -> list[str]:
    """What the installer still owes, in plain words."""
    found = []
    for bench_name, bench in site.benches.items():
        for bay_name, bay in bench.bays.items():
            if bay.mat.cutout == "none":
                found.append(
                    f"{bench_name}.{bay_name}: no independent thermal cut-out is declared for the "
                    'mat; fit one, then write cutout = "declared" and cutout_c. Until then heat '
                    "trips at 27 °C instead of 30"
                )
        for relay in (*(bay.mat for bay in bench.bays.values()), bench.mister):
            if relay is not None and relay.lease == "none":
                found.append(
                    f"{bench_name}: the switch at {address_words(relay)} stays on when orders "
                    "stop; use one with an auto-off of its own"
                )
        if bench.recipe is not None or bench.mist.dose_kpa_min is not None or bench.mist.schedule:
            found.append(
                f"{bench_name}: while it is empty, dry, damp or hot air raises no alarm; stick a "
                "batch as soon as cuttings stand on it (warmfoot batch stick)"
            )
        heats = [bench.heat_for(bay) for bay in bench.bays]
        if bench.recipe is None and not any(heat.target_c or heat.frost_c for heat in heats):
            found.append(
                f"{bench_name}: rests until a batch is stuck; give it a recipe or a target_c to "
                "warm it before"
            )
    return found


def _off(relay: Relay) -> str:
    return {"board": "yes, the board", "auto_off": "yes, the device", "none": "NO"}[relay.lease]


def _flow(mister: Mister) -> str:
    return f"mist, {mister.flow_ml_per_s:g} ml/s" if mister.flow_ml_per_s else "mist"


# -- status -----------------------------------------------------------------------------------


def status_text(
    out: Console,
    now: Mapping[str, Any],
    age_s: float,
    due: Mapping[int, str] | None = None,
    notes: Sequence[str] = (),
) -> None:
    """The bench in the order it stands: worst alarm, then house, top, base, mat.

    due: by number of the batch, when it is due, in words.  notes: what batches ask for today.
    """
    say(out, f"{now['site']}, {age_s:.0f} s ago", style="bold")
    if now["alarms"]:
        alarms_text(out, now["alarms"])
    else:
        say(out, "no alarm stands")
    for name, bench in now["benches"].items():
        say(out)
        say(out, bench["title"] if bench["title"] == name else f"{name}: {bench['title']}")
        say(
            out,
            f"  house {measured(bench['house_c'], '.1f', '°C')}   "
            f"top {measured(bench['top_c'], '.1f', '°C')}   "
            f"humidity {measured(bench['rh_pct'], '.0f', '%')}   "
            f"VPD {measured(bench['vpd_kpa'], '.2f', 'kPa')}{_water(bench)}",
        )
        for bay_name, bay in bench["bays"].items():
            say(
                out,
                f"  {bay_name}: base {measured(bay['base_c'], '.1f', '°C')}, "
                f"target {measured(bay['target_c'], '.1f', '°C', 'none')}, "
                f"base minus top {measured(bay['base_minus_top_k'], '+.1f', 'K')}, "
                f"{bay['probes_usable']} of {bay['probes_fitted']} probes",
            )
            mode = "" if bay["mode"] == "normal" else f" [{bay['mode']}]"
            say(out, f"    mat {_claims(bay['mat'])}: {bay['why']}{mode}")
            _follows_text(out, bay)
        if bench["mister"] is not None:
            mist = bench["mister"]
            mode = "" if mist["mode"] == "normal" else f" [{mist['mode']}]"
            say(out, f"  mister {_claims(mist)}: {mist['why']}{mode}")
            _follows_text(out, mist)
        for one in bench.get("suffers", ()):
            say(out, f"  advice: {one['line']}")
    for batch in now["batches"]:
        share = batch["warmth_known_share"]
        phase = PHASE_WORDS.get(batch["phase"], batch["phase"])
        known = "" if share is None else f", known for {percent(share)} of the time"
        say(
            out,
            f"batch {batch['number']} {batch['plant']} ({batch['bench']}.{batch['bay']}): "
            f"day {batch['age_days']:.0f}, {phase}, warmth "
            f"{number(batch['warmth_degree_hours'], '.0f')} degree-hours{known}"
            + (f"; {due[batch['number']]}" if due and batch["number"] in due else ""),
        )
    for note in notes:
        say(out, f"note: {note}")
    for line in link_lines(now["links"]):
        say(out, line)
    if not now["journal"]["ok"]:
        say(out, f"journal: {now['journal']['why']}")
    say(out, NOT_SAFETY)


def link_lines(links: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """What is to be said of links: that one is down and why, what it says of itself, restarts."""
    said = []
    for name, link in links.items():
        if not link["up"]:
            said.append(f"link {name} is down: {link['why']}")
        elif link.get("note"):
            said.append(f"link {name}: {link['note']}")
        if link.get("restarts_h", 0) > 1:
            said.append(f"link {name}: its board started anew {link['restarts_h']} times this hour")
    return said


def _water(bench: Mapping[str, Any]) -> str:
    flow_ml_s = bench.get("flow_ml_s")
    return "" if flow_ml_s is None else f"   water {flow_ml_s:.1f} ml/s"


def _follows_text(out: Console, held: Mapping[str, Any]) -> None:
    """Which batch a bay or a mister follows, or that none is there."""
    follows = held.get("follows")
    if follows:
        say(out, f"    {follows['text']}")


def _claims(relay: Mapping[str, Any]) -> str:
    """Ordered and reported, as the two claims they are."""
    if relay["reported"] == "not reported":
        return f"ordered {relay['ordered']}"
    return f"ordered {relay['ordered']}, reported {relay['reported']}"


def alarms_text(out: Console, alarms: Sequence[Mapping[str, Any]]) -> None:
    """Standing alarms, worst first, each with what to do."""
    for alarm in alarms:
        say(
            out,
            f"{alarm['priority']} {alarm['alarm']} at {alarm['place']}: "
            f"{STATE_WORDS.get(alarm['state'], alarm['state'])}. {alarm['text']}",
        )
        row = rows().get(alarm["alarm"])
        if row is not None and alarm["state"] in _TO_DO:
            say(out, f"  do: {row.action}")


# -- review -----------------------------------------------------------------------------------


def causes_text(out: Console, verdict: Verdict) -> None:
    """Why a batch did badly, worst suspicion first; nothing for one that did not."""
    if verdict.answer == "not bad":
        return
    say(out, f"  why it may have failed: {verdict.text}", style="bold")
    for rank, cause in enumerate(verdict.causes, 1):
        say(out, f"  {rank}. {cause.title} ({cause.sure}, {cause.score:.2f}): {cause.measured}")
        say(out, f"     {cause.compared}; {cause.beside}")
        say(out, f"     next time: {cause.change}")
    if verdict.unknown:
        say(out, f"  not recorded, so not ruled out: {', '.join(verdict.unknown)}")
    if verdict.causes:
        say(out, "  suspicions from the records, no verdict")


def review_text(
    out: Console,
    found: BatchSummary,
    entries: Sequence[Entry],
    zone: ZoneInfo,
    saved: Saving | None = None,
) -> None:
    """The review of one batch: outcome, warmth, hours in each band, worst spells, water, heat."""
    batch = found.batch
    recipe = thaw(batch.recipe_json)
    days = (found.until_s - batch.stuck_s) / 86400
    state = "closed" if batch.closed_s is not None else PHASE_WORDS.get(batch.phase, batch.phase)
    if batch.merged_into:
        state = f"goes on as batch {batch.merged_into}"
    say(
        out,
        f"batch {batch.number}: {batch.cuttings} {batch.plant}, {recipe.title}, "
        f"{batch.bench}.{batch.bay}",
        style="bold",
    )
    say(out, f"  stuck {local_day(batch.stuck_s, zone)}, {days:.1f} days, {state}")
    for line in outcome_lines(batch, entries):
        say(out, f"  {line}")
    if batch.from_notebook:
        say(out, "  from your notebook: nothing of its climate is on record")
        return
    floor = "" if recipe.warmth_proven else ", unproven"
    say(
        out,
        f"  warmth {found.warmth.degree_hours:,.0f} degree-hours above {recipe.warmth_floor_c:g} °C"
        f" (capped at {recipe.warmth_cap_c:g} °C{floor}), known for "
        f"{percent(found.known_share, 1)} of the time",
    )
    say(
        out,
        f"  hours of base: good {found.good_h:.1f}, slow {found.slow_h:.1f}, "
        f"cold {found.harmful_cold_h:.1f}, too warm {found.warm_h:.1f}, "
        f"hot {found.harmful_hot_h:.1f}",
    )
    say(
        out,
        f"  base {measured(found.mean_base_c, '.1f', '°C', 'not known')} on average, "
        f"top {measured(found.mean_top_c, '.1f', '°C', 'not known')}, "
        f"base minus top {measured(found.mean_difference_k, '+.1f', 'K', 'not known')}",
    )
    dry = (
        f"{found.dry_h:.1f} of {found.dry_known_h:.0f} hours drier than the phase wants"
        if found.dry_known_h
        else "dryness not known: no humidity on record"
    )
    water = "" if found.litres is None else f", {found.litres:.1f} litres"
    say(out, f"  air: {dry}; {found.mist_bursts} bursts{water} on the bench")
    say(out, f"  heat: {heat_in_words(found)}")
    if saved is not None:
        say(out, f"  {in_words(saved, found.bay_share)}")
    for spell in found.spells:
        say(
            out,
            f"  {spell.kind} {_moment(spell.from_s, zone)} to {_moment(spell.to_s, zone)}: "
            f"{spell.worst_c:.1f} °C at worst, {spell.beyond_kh:.1f} degree-hours out of the band",
        )
    for gap in found.gaps:
        say(
            out,
            f"  no record {_moment(gap.from_s, zone)} to {_moment(gap.to_s, zone)}: {gap.cause}; "
            "nothing is counted",
        )


def outcome_lines(batch: Batch, entries: Sequence[Entry]) -> list[str]:
    """What the grower entered, in the few lines that matter most."""
    standing = effective(entries)
    lines = []
    gone = lost(standing)
    if gone:
        parts = ", ".join(f"{count} {cause.replace('_', ' ')}" for cause, count in gone.items())
        lines.append(f"lost {sum(gone.values())}: {parts}")
    tests = [entry for entry in standing if entry.kind == EntryKind.TESTED]
    closings = [entry for entry in standing if entry.kind == EntryKind.CLOSED]
    if closings:
        rooted = number_of(closings[-1].values, "rooted")
        lines.insert(
            0,
            f"rooted {rooted} of {batch.cuttings}: strike rate {percent(rooted / batch.cuttings)}",
        )
        open_ends = unaccounted(batch, standing)
        if open_ends:
            lines.append(f"not accounted for: {open_ends}")
        if closings[-1].note:
            lines.append(f"lesson: {closings[-1].note}")
    elif batch.merged_into:
        lines.insert(0, f"{merged_away(standing)} went into batch {batch.merged_into}")
    elif tests:
        last = tests[-1].values
        lines.insert(0, f"last test: {last.get('rooted', '0')} of {last.get('tested', '?')} rooted")
    else:
        lines.insert(0, "not tested yet")
    saleable = sum(
        number_of(e.values, "saleable") for e in standing if e.kind == EntryKind.SALEABLE
    )
    for count, done in ((potted(standing), "potted on"), (saleable, "saleable")):
        if count:
            lines.append(f"{done}: {count} of {batch.cuttings}")
    return lines


def heat_in_words(found: BatchSummary) -> str:
    cost = found.batch_cost
    money = "" if cost is None else f", {cost:.2f} {found.heat.currency}"
    rates = [(price, kwh * found.bay_share) for price, kwh in found.heat.priced if kwh >= 0.05]
    if len(rates) > 1:
        money += f" ({', '.join(f'{kwh:.1f} kWh at {price:g}' for price, kwh in rates)})"
    share = "" if found.bay_share > 0.999 else f" ({percent(found.bay_share)} of its bay's)"
    free = f"; {found.free_kh:,.0f} degree-hours came with the mat off" if found.free_kh else ""
    return f"{found.batch_kwh:.1f} kWh{share}{money}{free}"


def local_day(at_s: float, zone: ZoneInfo) -> str:
    """The local day of a UTC second: 2026-03-09."""
    return datetime.fromtimestamp(at_s, zone).strftime("%Y-%m-%d")


def _moment(at_s: float, zone: ZoneInfo) -> str:
    return datetime.fromtimestamp(at_s, zone).strftime("%d %b %H:%M")
