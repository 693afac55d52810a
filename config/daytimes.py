"""Clock times and sun times of a mist schedule: "07:30", "sunrise+30", "sunset-15"."""

import re
from collections.abc import Iterable
from datetime import time
from typing import NamedTuple

OFFSET_LONGEST_MIN = 240
_CLOCK = re.compile(r"([01]\d|2[0-3]):([0-5]\d)", re.ASCII)
_SUN = re.compile(r"(sunrise|sunset)([+-]\d{1,3})?", re.ASCII)
_EQUINOX_MIN = {"sunrise": 6 * 60, "sunset": 18 * 60}


class DayTime(NamedTuple):
    """A moment of the local day.

    event: "clock", "sunrise" or "sunset".  minutes: after midnight for "clock", else after (or,
    below 0, before) the sun's event.
    """

    event: str
    minutes: int

    def about_min(self) -> int:
        """Minutes after midnight, with the sun taken to rise at 6 and set at 18."""
        return _EQUINOX_MIN.get(self.event, 0) + self.minutes


def day_time(text: str) -> DayTime:
    """The moment that a text of the schedule means.

    text: "HH:MM", or "sunrise" or "sunset", with "+30" or "-15" minutes, at most 240, after it.
    Raises ValueError, saying what may be written, for any other text.
    """
    if found := _CLOCK.fullmatch(text):
        return DayTime("clock", int(found[1]) * 60 + int(found[2]))
    if (found := _SUN.fullmatch(text)) and abs(offset := int(found[2] or 0)) <= OFFSET_LONGEST_MIN:
        return DayTime(found[1], offset)
    raise ValueError(
        'write "HH:MM", "sunrise" or "sunset", or such as "sunrise+30" '
        f"(minutes, at most {OFFSET_LONGEST_MIN})"
    )


def overlap(spans: Iterable[tuple[time, time]]) -> tuple[int, int] | None:
    """The first two spans of the local day that share a minute, as their places in `spans`.

    A span whose end is before its start runs over midnight. Returns None when none overlap.
    """
    seen: dict[int, int] = {}
    for number, (start, end) in enumerate(spans):
        first, last = _minute(start), _minute(end)
        if last <= first:
            last += 1440
        for minute in range(first, last):
            if (other := seen.setdefault(minute % 1440, number)) != number:
                return other, number
    return None


def _minute(moment: time) -> int:
    return moment.hour * 60 + moment.minute
