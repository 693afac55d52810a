"""Tests due and due windows as an iCalendar file (RFC 5545), for any calendar program."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from importlib.metadata import version
from typing import NamedTuple
from uuid import UUID, uuid5
from zoneinfo import ZoneInfo

from controller.records import Batch

SPACE = UUID("5b0ad0b6-53f6-4a1e-9c0f-2f4b8a8f7c11")
"""Namespace of the identifiers: the same batch and matter get the same UID in every export."""


class Matter(NamedTuple):
    """One entry of the calendar, of whole days. key: names it within its batch, for ever.

    from_s, to_s: UTC s; the days on which these fall, both included.
    """

    batch: Batch
    key: str
    title: str
    text: str
    from_s: float
    to_s: float


def calendar(site: str, zone: ZoneInfo, matters: Sequence[Matter], now_s: float) -> bytes:
    """The calendar as bytes, CRLF and folded as the standard asks.

    A later export of the same matter has the same UID and a higher SEQUENCE, so that a calendar
    program moves the entry instead of adding a second.
    """
    # Loaded here: the daemon never needs it.
    from icalendar import Calendar, Event

    made = Calendar()
    made.add("prodid", f"-//Warmfoot//{version('warmfoot')}//EN")
    made.add("version", "2.0")
    made.add("method", "PUBLISH")
    made.add("x-wr-calname", f"{site}: batches")
    stamp = datetime.fromtimestamp(now_s, UTC).replace(microsecond=0)
    for matter in matters:
        event = Event()
        event.add("uid", str(uid(site, matter)))
        event.add("dtstamp", stamp)
        event.add("sequence", max(0, int(now_s - matter.batch.stuck_s) // 60))
        event.add("dtstart", _day(matter.from_s, zone))
        # The end of a whole-day event is the first day that is free again.
        event.add("dtend", _day(matter.to_s, zone) + timedelta(days=1))
        event.add("summary", matter.title)
        event.add("description", matter.text)
        event.add("location", f"{matter.batch.bench}.{matter.batch.bay}")
        event.add("categories", ["Warmfoot"])
        event.add("transp", "TRANSPARENT")
        made.add_component(event)
    return bytes(made.to_ical())


def uid(site: str, matter: Matter) -> UUID:
    """Identifier of a matter: of this site, batch and key, in any export on any machine."""
    batch = matter.batch
    return uuid5(SPACE, f"{site}\n{batch.number}\n{round(batch.stuck_s)}\n{matter.key}")


def _day(at_s: float, zone: ZoneInfo) -> date:
    return datetime.fromtimestamp(at_s, zone).date()
