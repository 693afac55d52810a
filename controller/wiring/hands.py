"""The wires of a site in a person's hands: listen, and hold one relay on at a time.

Everything is ordered off on the way in and on every way out. An order is a lease of a few seconds
that is renewed, so relays also let go when this program dies.
"""

from collections import defaultdict
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from math import inf
from typing import Final, Literal, NamedTuple, Self

import numpy as np

from config import bounds
from config.model import Bay, Site, mat_id, mister_id, probe_id
from controller.records import RelayOrder
from controller.relays.driver import Driver
from controller.review.heat_pulse import FLUX_W_M2, HEIGHT_MM, Trace
from sensors.clock import Clock
from sensors.intake import Intake, UnknownChannel
from sensors.links.base import Link
from sensors.messages import HELLO
from sensors.readings import Reading, RelayReport, Snapshot

TICK_S: Final = 1.0
LEASE_S: Final = 20.0
"""Of a relay that is held: it lets go so soon when this program does."""
BELOW_TRIP_K: Final = 1.0
"""No mat is held on with any base probe closer than this to the lowest trip of the site."""
ROOM_K: Final = 3.0
"""... and none is switched on for a heat pulse closer than this."""
LOST_S: Final = 180.0
"""A bay whose base has not been heard for so long is not heated."""
UNTAKEN_S: Final = 30.0
"""A mat whose orders do not go out for so long is not heated."""
SETTLED_S: Final = 0.5
"""What a board says sooner after an order may be from before it."""
KEPT: Final = 20_000


class Unsafe(RuntimeError):
    """Heat was ended, or is not begun, because it could not be watched or was too much.

    verdict: "skipped" where it could not be watched, "fault" where something is too warm, or the
    relay can't be ordered.
    """

    def __init__(self, text: str, verdict: Literal["skipped", "fault"]) -> None:
        super().__init__(text)
        self.verdict: Literal["skipped", "fault"] = verdict


class Hello(NamedTuple):
    """A board that said who it is. name, channels: as it says; node: on a shared wire."""

    link: str
    node: str
    name: str
    channels: tuple[str, ...]


class Echo(NamedTuple):
    """What a board reported around a pulse; None where it reported nothing.

    before: closed while ordered off.  during: closed while held.  after: closed once let go.
    taken: the link took the order.
    """

    before: bool | None
    during: bool | None
    after: bool | None
    taken: bool


class Hands:
    """One site's links, opened and listened to. Use it in a `with`.

    samples: every believed sample by probe id, (monotonic s, corrected value).  raws: every number
    it sent, uncorrected.  readings: the last of each probe, believed or not.  hellos: by link and
    node.
    """

    def __init__(self, site: Site, links: Mapping[str, Link], clock: Clock) -> None:
        self.site = site
        self.clock = clock
        self.samples: dict[str, list[tuple[float, float]]] = defaultdict(list)
        self.raws: dict[str, list[tuple[float, float]]] = defaultdict(list)
        self.readings: dict[str, Reading] = {}
        self.hellos: dict[tuple[str, str], Hello] = {}
        self._links = dict(links)
        self._intake = Intake(site)
        self._driver = Driver(site, self._links)
        self._due_s = -inf

    def __enter__(self) -> Self:
        try:
            for link in self._links.values():
                link.start()
            self._driver.all_off()
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        with ExitStack() as stops:  # each is stopped, whatever another one does
            for link in self._links.values():
                stops.callback(link.stop)
            self._driver.all_off()

    # -- listening --------------------------------------------------------------------------------

    def tick(self, orders: tuple[RelayOrder, ...] = ()) -> None:
        """Take what has come, give one round of orders, wait."""
        now_s = self.clock.now().mono_s
        for name, link in self._links.items():
            arrivals = link.poll()
            for arrival in arrivals:
                if arrival.message.word == HELLO:
                    fields = arrival.message.fields
                    channels = tuple(one for one in fields.get("ch", "").split(",") if one)
                    key = (name, arrival.node)
                    self.hellos[key] = Hello(name, arrival.node, fields.get("id", ""), channels)
            for reading in self._intake.take(name, arrivals):
                self._note(reading)
        self._driver.send(orders, now_s)
        self._due_s = max(self._due_s + TICK_S, now_s + 0.2 * TICK_S)
        self.clock.wait_until(self._due_s)

    def _note(self, reading: Reading) -> None:
        self.readings[reading.probe] = reading
        if reading.raw == reading.raw:
            raws = self.raws[reading.probe]
            raws.append((reading.taken_s, reading.raw))
            del raws[:-KEPT]
        if reading.usable:
            held = self.samples[reading.probe]
            held.append((reading.taken_s, reading.value))
            del held[:-KEPT]

    def watch(self, span_s: float, until: Callable[[], bool] = lambda: False) -> None:
        """Listen for `span_s` seconds with everything off, or until something is so."""
        end_s = self.clock.now().mono_s + span_s
        while self.clock.now().mono_s < end_s and not until():
            self.tick()

    def snapshot(self) -> Snapshot:
        health = {name: link.health() for name, link in self._links.items()}
        return self._intake.snapshot(self.clock.now().mono_s, health)

    def unknown(self) -> list[UnknownChannel]:
        return self._intake.unknown_channels()

    # -- switching --------------------------------------------------------------------------------

    def pulse(self, relay: str, on_s: float) -> Echo:
        """Hold one relay on for `on_s` seconds and see what its board reports.

        on_s: at most the lease of a mat or a burst of the mister.
        """
        on_s = min(on_s, LEASE_S, bounds.BURST_LONGEST_S)
        self.tick()  # what came while a person thought about it
        began_s = self.clock.now().mono_s
        before = self._reported(relay, -inf)
        taken, during = True, None
        while (left_s := began_s + on_s - self.clock.now().mono_s) > 0.0:
            self.tick((RelayOrder(relay, left_s),))
            taken = taken and relay not in self._driver.untaken
            if self._reported(relay, began_s):
                during = True
            elif during is None and self._reported(relay, began_s + SETTLED_S) is False:
                during = False
        ended_s = self.clock.now().mono_s
        self.watch(8.0, lambda: self._reported(relay, ended_s) is False)
        return Echo(before, during, self._reported(relay, ended_s), taken)

    def _reported(self, relay: str, since_s: float) -> bool | None:
        report: RelayReport | None = self.snapshot().relays.get(relay)
        return None if report is None or report.heard_s < since_s else report.on

    def heat(self, bench: str, bay: str, longest_s: float, done: Callable[[], bool]) -> None:
        """Hold a mat on until `done` (asked once a minute) or for `longest_s` seconds.

        Raises Unsafe, with everything off, when the base is too warm or is not heard any more, and
        when the orders do not go out.
        """
        relay = mat_id(bench, bay)
        began_s = asked_s = taken_s = self.clock.now().mono_s
        try:
            self.refuse_heat(bench, bay, ROOM_K)
            while (now_s := self.clock.now().mono_s) - began_s < longest_s:
                self.refuse_heat(bench, bay, BELOW_TRIP_K)
                self.tick((RelayOrder(relay, LEASE_S),))
                if relay not in self._driver.untaken:
                    taken_s = now_s
                elif now_s - taken_s > UNTAKEN_S:
                    raise Unsafe(
                        f"orders to {relay} do not go out: see its link, and that its switch is "
                        "there",
                        "fault",
                    )
                if now_s - asked_s >= 60.0:
                    asked_s = now_s
                    if done():
                        break
        finally:
            self._driver.all_off()

    def refuse_heat(self, bench: str, bay: str, room_k: float) -> None:
        """Raise Unsafe when a mat may not be on now.

        room_k: asked for below the trip. All base probes of the site count: nobody knows yet which
        of them lies over this mat.
        """
        now_s = self.clock.now().mono_s
        own = self.base_probes(bench, bay)
        heard = [probe for probe in own if self._age_s(probe, now_s) <= LOST_S]
        if not heard:
            raise Unsafe(
                f"no base probe of {bench}.{bay} is heard, so nothing would tell how warm it gets",
                "skipped",
            )
        most_c = self.trip_c() - room_k
        for probe, samples in self.samples.items():
            if probe in self._bases() and samples and samples[-1][1] >= most_c:
                raise Unsafe(
                    f"{probe} says {samples[-1][1]:.1f} °C, and no mat is switched on here above "
                    f"{most_c:g} °C. Is a relay stuck on, or does the sun shine on it? Feel the "
                    "mat with care; if it is warm with its relay off, pull its plug",
                    "fault",
                )

    def _age_s(self, probe: str, now_s: float) -> float:
        samples = self.samples.get(probe)
        return now_s - samples[-1][0] if samples else inf

    def trip_c(self) -> float:
        """The lowest trip of all bays of the site, degC."""
        bays = [bay for bench in self.site.benches.values() for bay in bench.bays.values()]
        every = all(bay.mat.cutout == "declared" for bay in bays)
        return bounds.BASE_TRIP_C if every else bounds.BASE_TRIP_NO_CUTOUT_C

    # -- what the site has ------------------------------------------------------------------------

    def base_probes(self, bench: str, bay: str) -> list[str]:
        probes = self.site.benches[bench].bays[bay].probes
        return [probe_id(bench, bay, one) for one in probes if one.kind == "base_temperature"]

    def _bases(self) -> set[str]:
        return {probe for bench, bay in self.bays() for probe in self.base_probes(bench, bay)}

    def bays(self) -> list[tuple[str, str]]:
        return [(name, bay) for name, bench in self.site.benches.items() for bay in bench.bays]

    def relays(self) -> list[tuple[str, str]]:
        """(relay id, what it switches in words), mats before misters."""
        found = [(mat_id(*one), f"the mat of {'.'.join(one)}") for one in self.bays()]
        misted = [name for name, bench in self.site.benches.items() if bench.mister is not None]
        return found + [(mister_id(name), f"the mister of {name}") for name in misted]

    def traces(self) -> list[Trace]:
        """Every base probe that was heard, for `review.heat_pulse`."""
        found = []
        for bench, bay in self.bays():
            for probe in self.site.benches[bench].bays[bay].probes:
                name = probe_id(bench, bay, probe)
                if probe.kind != "base_temperature" or not self.samples.get(name):
                    continue
                table = np.array(self.samples[name])
                height_mm = probe.height_mm or HEIGHT_MM
                found.append(Trace(name, f"{bench}.{bay}", height_mm, table[:, 0], table[:, 1]))
        return found


def flux_w_m2(bay: Bay) -> float:
    """What a bay's mat gives to each square metre while it is on."""
    return bay.mat.power_w / bay.mat.area_m2 if bay.mat.area_m2 else FLUX_W_M2
