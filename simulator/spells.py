"""A weather with spells of other weather in it, each coming and going over two hours."""

from collections.abc import Sequence
from typing import Final, NamedTuple, Protocol

from simulator.weather import Weather, WeatherSource

RAMP_S: Final = 7200.0


class Sky(Protocol):
    """Anything that knows the house's weather at a UTC second."""

    def at(self, utc_s: float) -> Weather: ...


class Spell(NamedTuple):
    """One spell. from_s, until_s: UTC seconds between which it is fully there."""

    source: WeatherSource
    from_s: float
    until_s: float

    def share(self, utc_s: float) -> float:
        """How much of the spell is there, 0..1."""
        before = (utc_s - self.from_s) / RAMP_S + 1.0
        after = (self.until_s - utc_s) / RAMP_S + 1.0
        return max(0.0, min(1.0, before, after))


class SpelledWeather:
    """A base weather and its spells; held for each minute, like its sources."""

    def __init__(self, base: WeatherSource, spells: Sequence[Spell] = ()) -> None:
        self._base = base
        self._spells = tuple(spells)
        self._minute = -1
        self._now = Weather(0.0, 0.0, 0.0)

    def at(self, utc_s: float) -> Weather:
        minute = int(utc_s // 60)
        if minute != self._minute:
            self._minute = minute
            self._now = self._mix(minute * 60.0)
        return self._now

    def _mix(self, utc_s: float) -> Weather:
        now = self._base.at(utc_s)
        for spell in self._spells:
            share = spell.share(utc_s)
            if share > 0.0:
                there = spell.source.at(utc_s)
                mixed = (a + share * (b - a) for a, b in zip(now, there, strict=True))
                now = Weather(*mixed)
        return now
