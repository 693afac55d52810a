"""The book-keeping of the site: heat, water and money by month, what is on record, what to take."""

from collections.abc import Sequence
from datetime import datetime
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

from controller.care_due import calibrated_probes, drift, due, due_words
from controller.draw.markup import Element, element
from controller.draw.plot import day_in_words
from controller.journal.answers import Gap
from controller.journal.care import Calibrated, WireCheck, calibrations, checks
from controller.journal.reader import Reader
from controller.months import Month, months
from controller.page.papers import DAYS, LONG
from controller.page.render import Asked, Sheet
from controller.page.words import GAP, age, moment_words, number, place_words, sentence
from controller.saving import in_words

GAP_DAYS: Final = 30
GAPS_SHOWN: Final = 12
MONTH_S: Final = 12 * 3600.0
"""Months are added up anew when so much of the controller's time has passed."""
KEPT_S: Final = 3600.0
CARE_S: Final = 60.0
TABLE_WORDS: Final = {
    "minutes": "every probe, minute by minute", "relays": "mats and misters, minute by minute",
    "decisions": "decisions and their reasons", "alarms": "alarms", "events": "events",
    "batches": "batches", "entries": "what was written down of batches",
    "checks": "checks of the wires, step by step", "calibrations": "calibrations of probes",
    "results": "results, as warmfoot import reads them",
}  # fmt: skip


class Kept(NamedTuple):
    """What is on record. begun_s, last_s: UTC s.  size: bytes on disk, with what is not yet in
    place.  gaps: of the last GAP_DAYS."""

    begun_s: float | None
    last_s: float | None
    size: int
    gaps: list[Gap]


def records_page(asked: Asked) -> Sheet:
    """The page of /records."""
    now_s = asked.moment.now.utc_s
    added = asked.later.ask(
        ("months",), int(now_s // MONTH_S), lambda reader: months(reader, asked.moment.site, now_s)
    )
    kept = asked.later.ask(("kept",), int(now_s // KEPT_S), lambda reader: _kept(reader, now_s))
    return Sheet(
        "Records",
        (
            element("h1", "Records"),
            element("h2", "Heat, water and money"),
            element("div", *_months(asked, added), id="months", data_live=""),
            element("h2", "What is on record"),
            element("div", *_on_record(asked, kept), id="kept", data_live=""),
            element("h2", "Checks and calibrations"),
            element("div", *_care(asked), id="care", data_live=""),
            element("h2", "To take away"),
            *_to_take(),
            element("p", element("a", "Settings in words", href="/settings")),
        ),
    )


def _kept(reader: Reader, now_s: float) -> Kept:
    runs = reader.runs()
    size = 0
    for ending in ("", "-wal"):
        path = reader.path.with_name(reader.path.name + ending)
        if path.is_file():
            size += path.stat().st_size
    begun_s = runs[0].started_s if runs else None
    from_s = max(now_s - GAP_DAYS * 86400.0, begun_s or 0.0)
    return Kept(begun_s, reader.last_minute_s(), size, reader.gaps(from_s, now_s))


def _working() -> list[Element]:
    return [element("p", "Being added up from the record ...", class_="quiet")]


# -- months ---------------------------------------------------------------------------------------


def _months(asked: Asked, found: list[Month] | None) -> list[Element]:
    """A bench after the other, newest month first."""
    if found is None:
        return _working()
    if not found:
        return [element("p", "Nothing yet.", class_="quiet")]
    site = asked.moment.site
    made: list[Element] = []
    for bench in site.benches:
        own = [month for month in found if month.bench == bench]
        if not own:
            continue
        made += [element("h3", place_words(bench, site)),
                 element("dl", *_lines(own, site.site.zone), class_="months")]  # fmt: skip
    told = (
        "Energy is the time that mats were ordered on, times the power in the bench file; water is "
        "the same with the flow. Saving is beside the same target held flat, judged by the dark "
        "hours on record: where those do not tell, nothing is said."
    )
    return [*made, element("p", told, class_="note")]


def _lines(own: Sequence[Month], zone: ZoneInfo) -> list[Element]:
    most_kwh = max(month.heat.kwh for month in own)
    made = []
    for month in own:
        begin, end = (datetime.fromtimestamp(at_s, zone) for at_s in (month.from_s, month.to_s - 1))
        part = "" if begin.day == 1 and (end.day >= 28) else f", {begin.day} to {end.day}"
        made.append(element("dt", f"{begin:%B %Y}{part}"))
        made.append(element("dd", _mats(month, most_kwh), *_took(month)))
    return made


def _mats(month: Month, most_kwh: float) -> Element:
    """The month's heat as a mat of its length."""
    share = month.heat.kwh / most_kwh if most_kwh > 0 else 0.0
    return element(
        "svg",
        element("title", f"{month.heat.kwh:.1f} kWh, the most of these months is {most_kwh:.1f}"),
        element("rect", x=0, y=3, height=8, width="100%", class_="cell"),
        element("rect", x=0, y=3, height=8, width=f"{100 * share:.1f}%", class_="mat"),
        class_="months", width="100%", height=14, role="img",
    )  # fmt: skip


def _took(month: Month) -> list[Element]:
    heat = f"{number(month.heat.kwh)}{GAP}kWh"
    money = (
        ""
        if month.heat.cost is None
        else f", {number(month.heat.cost, 2)}{GAP}{month.heat.currency}"
    )
    litres = "" if month.litres is None else f", {number(month.litres)}{GAP}litres"
    made = [
        element("p", element("b", heat), f"{money}; {month.bursts} bursts{litres}."),
    ]
    made += [element("p", line, class_="note") for line in _saved(month)]
    return made


def _saved(month: Month) -> list[str]:
    """Each bay beside its target held flat, where that can be told."""
    several = len(month.saved) > 1
    return [
        sentence(f"{bay}, {in_words(one)}" if several else in_words(one))
        for bay, one in month.saved.items()
    ]


# -- the record itself ----------------------------------------------------------------------------


def _on_record(asked: Asked, kept: Kept | None) -> list[Element]:
    if kept is None:
        return _working()
    now_s, zone = asked.moment.now.utc_s, asked.moment.site.site.zone
    health, plan = asked.moment.journal, asked.moment.site.journal
    begun = (
        "The journal holds nothing yet"
        if kept.begun_s is None
        else f"The journal goes back to {day_in_words(kept.begun_s, zone)}"
    )
    last = "none" if kept.last_s is None else f"{age(max(0.0, now_s - kept.last_s))} ago"
    backup = (
        f"A checked copy is made every night, {plan.backups_kept} are kept."
        if plan.backup_dir
        else "No nightly copy is made: backup_dir in the bench file makes one."
    )
    state = "It is being written." if health["ok"] else f"It can't be written: {health['why']}."
    waiting = f" {health['rows_waiting']} rows wait." if health["rows_waiting"] else ""
    return [
        element("p", f"{begun}, newest minute {last}; {_size(kept.size)}. "
                     f"{state}{waiting}"),
        element("p", f"Minutes are thinned to hours after {plan.keep_minutes_days} days; batches, "
                     f"alarms and reasons stay. {backup}"),
        *_gaps(kept.gaps, now_s, zone),
    ]  # fmt: skip


def _gaps(gaps: Sequence[Gap], now_s: float, zone: ZoneInfo) -> list[Element]:
    if not gaps:
        return [element("p", f"No gap in the last {GAP_DAYS} days.")]
    missing_s = sum(gap.to_s - gap.from_s for gap in gaps)
    lines = [
        element(
            "li",
            f"{moment_words(gap.from_s, now_s, zone)} to {moment_words(gap.to_s, now_s, zone)}, "
            f"{age(gap.to_s - gap.from_s)}: {gap.cause}",
        )
        for gap in list(reversed(gaps))[:GAPS_SHOWN]
    ]
    more = len(gaps) - len(lines)
    if more > 0:
        lines.append(element("li", f"and {more} before"))
    count = f"{len(gaps)} gap{'s' if len(gaps) != 1 else ''}"
    told = (
        f"{count} in the last {GAP_DAYS} days, {age(missing_s)} in all; nothing is counted there."
    )
    return [element("p", told), element("ul", *lines, class_="came")]


def _size(size: int) -> str:
    return f"{size / 1e6:.1f}{GAP}MB" if size < 1e9 else f"{size / 1e9:.1f}{GAP}GB"


# -- checks and calibrations ----------------------------------------------------------------------


def _care(asked: Asked) -> list[Element]:
    """The last check of the wires, and which probes are due to be calibrated."""
    site, now_s, zone = asked.moment.site, asked.moment.now.utc_s, asked.moment.site.site.zone

    def question(reader: Reader) -> tuple[list[WireCheck], list[Calibrated], float | None]:
        runs = reader.runs()
        return checks(reader), calibrations(reader), runs[0].started_s if runs else None

    found = asked.store.kept(("care",), CARE_S, question)
    if found is None:
        return _working()
    done, calibrated, begun_s = found
    last = "The wires were never checked: warmfoot check --wires, before the bench is in use."
    if done:
        check = done[-1]
        last = (
            f"The wires were last checked by {check.by}, "
            f"{moment_words(check.ended_s, now_s, zone)}: {check.count('good')} good, "
            f"{check.count('fault')} at fault, {check.count('unsure')} unsure."
        )
    words = due_words(due(site, calibrated, now_s if begun_s is None else begun_s), now_s)
    lines = [
        element("li", f"{probe}: {moment_words(own[-1].at_s, now_s, zone)} by {own[-1].by}"
                      f"{f'; {moved.words}' if (moved := drift(calibrated, probe)) else ''}")
        for probe in calibrated_probes(site)
        if (own := [c for c in calibrated if c.probe == probe and c.outcome != "refused"])
    ]  # fmt: skip
    told = sentence(words) if words else "No probe is due to be calibrated."
    made = [element("p", last), element("p", told)]
    return [*made, element("ul", *lines, class_="came")] if lines else made


# -- to take away ---------------------------------------------------------------------------------


def _first_big(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}"


def _to_take() -> list[Element]:
    """Tables as CSV, and the calendar."""
    lines = []
    for name, words in TABLE_WORDS.items():
        if name in LONG:
            links: list[Element | str] = [f"{_first_big(words)}: "]
            for span, days in DAYS.items():
                links += [element("a", f"{days} days", href=f"/take/{name}.csv?span={span}"), " "]
            lines.append(element("li", *links))
        else:
            lines.append(element("li", element("a", _first_big(words), href=f"/take/{name}.csv")))
    lines.append(element("li", element("a", "Tests due and due windows for a calendar",
                                       href="/take/due.ics")))  # fmt: skip
    return [
        element("ul", *lines, class_="came take"),
        element("p", "Tables are CSV with units in their heads, times in UTC and local. A batch's "
                     "report and its labels are on its own page.", class_="note"),
    ]  # fmt: skip
