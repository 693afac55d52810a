"""The calendar file against RFC 5545, read line by line and not with the library that wrote it."""

import re
from zoneinfo import ZoneInfo

import pytest

from config.recipes import freeze, recipe_for
from controller.agenda import Matter, calendar
from controller.records import Batch

T0, DAY = 1_772_409_600.0, 86400.0  # 2026-03-02T00:00Z
ZONE = ZoneInfo("Europe/Dublin")


def batch(number=1, stuck_s=T0):
    frozen, digest = freeze(recipe_for("softwood"))
    return Batch(
        number, "Weigela", "softwood", "north", "left", "1", 100, stuck_s, frozen, digest, "stick",
        stuck_s, None, {},
    )  # fmt: skip


def matter(one=None, key="due", from_s=T0 + 20 * DAY, to_s=T0 + 28 * DAY, text="a window"):
    return Matter(one or batch(), key, "Due: batch 1", text, from_s, to_s)


def lines(*matters, site="Alder Lane", now_s=T0 + 3 * DAY):
    """Content lines, unfolded: RFC 5545 section 3.1."""
    raw = calendar(site, ZONE, matters, now_s)
    assert raw.endswith(b"\r\n")
    assert b"\n" not in raw.replace(b"\r\n", b"")
    assert all(len(line) <= 75 for line in raw.split(b"\r\n"))
    return re.sub(r"\r\n[ \t]", "", raw.decode("utf-8")).split("\r\n")[:-1]


def value(found, name):
    (line,) = [line for line in found if re.match(rf"{name}[;:]", line)]
    return line.partition(":")[2]


def test_what_the_standard_requires_is_there():
    found = lines(matter())
    assert found[0] == "BEGIN:VCALENDAR"
    assert found[-1] == "END:VCALENDAR"
    assert value(found, "VERSION") == "2.0"
    assert value(found, "PRODID").startswith("-//Warmfoot//")
    assert found.count("BEGIN:VEVENT") == found.count("END:VEVENT") == 1
    assert re.fullmatch(r"\d{8}T\d{6}Z", value(found, "DTSTAMP"))
    assert re.fullmatch(r"[0-9a-f-]{36}", value(found, "UID"))


def test_whole_local_days_with_an_end_that_is_free_again():
    """Section 3.6.1: DTEND of a DATE is not part of the event. 23:30 UTC is the next day in summer
    time."""
    found = lines(matter(from_s=T0 + 20 * DAY, to_s=T0 + 30 * DAY - 1800))
    assert "DTSTART;VALUE=DATE:20260322" in found
    assert "DTEND;VALUE=DATE:20260402" in found


def test_the_same_matter_keeps_its_uid_and_counts_up():
    then = lines(matter())
    now = lines(matter(from_s=T0 + 25 * DAY), now_s=T0 + 9 * DAY)
    assert value(then, "UID") == value(now, "UID")
    assert int(value(now, "SEQUENCE")) > int(value(then, "SEQUENCE"))


@pytest.mark.parametrize(
    "other",
    [
        {"matters": matter(key="test 1")},
        {"matters": matter(batch(2))},
        {"matters": matter(batch(stuck_s=T0 - DAY))},
        {"matters": matter(), "site": "Elm Row"},
    ],
)
def test_other_matters_have_another_uid(other):
    assert value(lines(matter()), "UID") != value(
        lines(other["matters"], site=other.get("site", "Alder Lane")), "UID"
    )


def test_commas_long_lines_and_letters_of_any_tongue_survive():
    text = "a, b; c \\ d\n" + "Äpfel und Öl, " * 20
    found = value(lines(matter(text=text)), "DESCRIPTION")
    plain = re.sub(r"\\([,;\\])", r"\1", found.replace("\\n", "\n"))
    assert plain == text.strip() or plain == text


def test_nothing_due_is_still_a_calendar():
    assert lines()[:1] == ["BEGIN:VCALENDAR"]
