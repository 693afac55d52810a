"""Minute rows: every probe's and relay's samples gathered into one row a minute."""

from math import inf, nan

from controller.records import MinuteRow, RelayOrder, RelayRow
from sensors.readings import Flag, ProbeView, Reading


class _Tally:
    __slots__ = ("counted_s", "flag", "high", "low", "n", "seen", "total")

    def __init__(self) -> None:
        self.counted_s = -inf
        self.seen: Reading | None = None
        self.clear()

    def clear(self) -> None:
        self.total = 0.0
        self.low = inf
        self.high = -inf
        self.n = 0
        self.flag = 0 if self.seen is None else self.seen.flag


class MinuteBook:
    """Gathers samples and relay time, and gives the rows of a minute when it is over."""

    def __init__(self) -> None:
        self._tallies: dict[str, _Tally] = {}
        self._on_s: dict[str, float] = {}
        self._starts: dict[str, int] = {}
        self._running: dict[str, float] = {}

    def sample(self, views: tuple[ProbeView, ...]) -> None:
        """Count each view's reading once, however often it is shown."""
        for view in views:
            reading = view.reading
            tally = self._tallies.get(reading.probe)
            if tally is None:
                tally = self._tallies[reading.probe] = _Tally()
            elif reading is tally.seen:
                continue
            tally.seen = reading
            if reading.flag > tally.flag:
                tally.flag = reading.flag
            if reading.taken_s <= tally.counted_s:
                continue
            tally.counted_s = reading.taken_s
            if reading.flag <= Flag.NOT_EVALUATED:
                value = reading.value
                tally.total += value
                tally.n += 1
                if value < tally.low:
                    tally.low = value
                if value > tally.high:
                    tally.high = value

    def ordered(
        self, orders: tuple[RelayOrder, ...], dt_s: float, lost: frozenset[str] = frozenset()
    ) -> None:
        """Count the `dt_s` seconds since the last orders, then take the new ones.

        lost: relays whose order no wire took; they run on until their last lease is over.
        """
        running = self._running
        for order in orders:
            relay = order.relay
            left_s = running.get(relay, 0.0)
            if left_s > 0.0:
                self._on_s[relay] = self._on_s.get(relay, 0.0) + min(left_s, dt_s)
            if relay in lost:
                running[relay] = max(0.0, left_s - dt_s)
                continue
            if order.lease_s > 0.0 and (left_s <= 0.0 or left_s < dt_s):
                self._starts[relay] = self._starts.get(relay, 0) + 1
            running[relay] = order.lease_s

    def dropped(self) -> None:
        """Forget running orders, after a gap in which the leases ran out unseen."""
        self._running.clear()

    def close(self, t_s: int) -> tuple[list[MinuteRow], list[RelayRow]]:
        """The rows of the minute that began at UTC second `t_s`; counting starts anew.

        A slow probe's minute without a sample gets no row: its last sample still holds. One whose
        samples were refused, or that fell silent, gets a row that says so.
        """
        minutes = []
        for probe, tally in self._tallies.items():
            if tally.n:
                mean = tally.total / tally.n
                minutes.append(
                    MinuteRow(t_s, probe, mean, tally.low, tally.high, tally.n, tally.flag)
                )
            elif tally.flag > Flag.NOT_EVALUATED:
                minutes.append(MinuteRow(t_s, probe, nan, nan, nan, 0, tally.flag))
            tally.clear()
        # A relay switched on at the minute's last tick has a start, and its seconds in the next.
        relays = [
            RelayRow(t_s, relay, self._on_s.get(relay, 0.0), self._starts.get(relay, 0))
            for relay in dict.fromkeys([*self._on_s, *self._starts])
        ]
        self._on_s.clear()
        self._starts.clear()
        return minutes, relays
