"""Plain on/off topics: devices that know no leases, switched so that an order still ends.

A switch is told what it should be on every change, and again every ten seconds. When no order has
renewed its lease, the link itself switches it off. That helps only while this program and the
network run: a switch of this kind needs an auto-off of its own.
"""

import threading
from collections.abc import Mapping
from typing import Final

from sensors.lines import parse_number
from sensors.links.addresses import Switch

REPEAT_S: Final = 10.0


class _Told:
    __slots__ = ("at_s", "ends_s", "on")

    def __init__(self, on: bool, at_s: float, ends_s: float) -> None:
        self.on = on
        self.at_s = at_s
        self.ends_s = ends_s


class Switches:
    """What each switch was last told. Used by the loop and the broker thread."""

    def __init__(self, switches: Mapping[str, Switch]) -> None:
        self._switches = dict(switches)
        self._told: dict[str, _Told] = {}
        self._lock = threading.Lock()

    def __contains__(self, channel: str) -> bool:
        return channel in self._switches

    def order(self, leases: Mapping[str, str], mono_s: float) -> list[tuple[str, str, float]]:
        """The (topic, payload, lease_s) to publish for these orders.

        leases: channel -> seconds as text, "0" is off.  Raises LineError for text that is none.
        """
        wanted = {channel: parse_number(text) for channel, text in leases.items()}
        out: list[tuple[str, str, float]] = []
        with self._lock:
            for channel, lease_s in wanted.items():
                on, told = lease_s > 0, self._told.get(channel)
                due = told is None or told.on != on or mono_s - told.at_s >= REPEAT_S
                at_s = mono_s if told is None or due else told.at_s
                self._told[channel] = _Told(on, at_s, mono_s + lease_s)
                if due:
                    switch = self._switches[channel]
                    out.append(
                        (switch.topic, switch.on_payload if on else switch.off_payload, lease_s)
                    )
        return out

    def expire(self, mono_s: float) -> list[tuple[str, str]]:
        """The (topic, payload) that switch off what no order has renewed in time."""
        with self._lock:
            if not self._told:
                return []
            ended = [c for c, told in self._told.items() if told.on and told.ends_s <= mono_s]
            return self._off(ended)

    def all_off(self) -> list[tuple[str, str]]:
        """The (topic, payload) that switch everything off: on every way in and out."""
        with self._lock:
            return self._off(list(self._switches))

    def off(self, channel: str) -> list[tuple[str, str]]:
        """The (topic, payload) that switch one off: it was away, and may have missed an order."""
        with self._lock:
            return self._off([channel])

    def left_s(self, channel: str, mono_s: float) -> float:
        """Rest of a switch's lease by its last order, s; 0 when it is off."""
        with self._lock:
            told = self._told.get(channel)
            return max(0.0, told.ends_s - mono_s) if told is not None and told.on else 0.0

    def _off(self, channels: list[str]) -> list[tuple[str, str]]:
        for channel in channels:
            self._told.pop(channel, None)
        switches = [self._switches[channel] for channel in channels]
        return [(switch.topic, switch.off_payload) for switch in switches]
