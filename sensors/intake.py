"""From messages to the picture of the site: the one place that keeps probes between samples.

The loop hands over what each link received (`take`) and asks for the picture once a tick
(`snapshot`). No clock is read here; times are monotonic seconds and come with the arguments.
"""

from collections.abc import Iterable, Mapping
from math import inf
from typing import Final, NamedTuple

from config.model import Probe, Relay, Site, mat_id, mister_id, probe_id
from sensors.lines import parse_number
from sensors.links.base import LinkHealth
from sensors.messages import HELLO, NAK, NO_SEQ, PROBE, RELAY, SEQ_MODULUS, Arrival
from sensors.moist_air import pressure_kpa
from sensors.quality import judge
from sensors.readings import BenchView, LinkView, Reading, RelayReport, Snapshot
from sensors.snapshot import BayProbes, BenchProbes, FittedProbe
from sensors.topics import foreign_key

UNKNOWN_KEPT: Final = 64
"""How many channels that are not in the bench file are remembered by name."""
REORDERED: Final = 16
"""A sequence this little behind the last is an old message; farther behind, a restarted board."""
UP_ROUNDED_S: Final = 1.0
"""A board tells its uptime in whole seconds."""

Sender = tuple[str, str]
"""(link, node)."""
Address = tuple[str, str, str]
"""(link, node, channel)."""
# Builds a named tuple in half the time; it is done at every tick.
_tuple: Final = tuple.__new__
_NO_PROBES: Final[dict[str, FittedProbe]] = {}


class UnknownChannel(NamedTuple):
    """A channel heard on a wire that the bench file does not name.

    times: how often.  last: its text when last heard.
    """

    link: str
    node: str
    channel: str
    times: int
    last: str


class LinkCounts(NamedTuple):
    """What was set aside on one link since start.

    naks: orders a board refused.  out_of_sequence: repeated or late messages.
    retained: messages a broker replayed from store.  unknown: values of channels that the bench
    file does not name.
    unreadable: relay reports that made no sense.
    """

    naks: int = 0
    out_of_sequence: int = 0
    retained: int = 0
    unknown: int = 0
    unreadable: int = 0


class Intake:
    """All probes and relay reports of one site."""

    def __init__(self, site: Site) -> None:
        self._fitted: dict[Sender, dict[str, FittedProbe]] = {}
        self._relays: dict[Address, str] = {}
        self._reports: dict[str, RelayReport] = {}
        self._report_texts: dict[str, str] = {}
        self._links = {name: _LinkMemory() for name in site.links}
        self._unknown: dict[Address, UnknownChannel] = {}
        pressure = pressure_kpa(site.site.elevation_m)
        self._benches: dict[str, BenchProbes] = {}
        for name, bench in site.benches.items():
            air = [self._fit(probe_id(name, None, probe), probe) for probe in bench.air.probes]
            bays = {}
            for bay_name, bay in bench.bays.items():
                ids = [(probe_id(name, bay_name, probe), probe) for probe in bay.probes]
                bays[bay_name] = BayProbes([self._fit(one_id, probe) for one_id, probe in ids])
                self._add_relay(mat_id(name, bay_name), bay.mat)
            if bench.mister is not None:
                self._add_relay(mister_id(name), bench.mister)
            self._benches[name] = BenchProbes(air, bays, pressure)
        self._memories = [
            probe.memory for probes in self._fitted.values() for probe in probes.values()
        ]
        self._views: dict[str, BenchView] = {}
        self._viewed_s = inf
        self._good_until_s = -inf

    def _fit(self, one_id: str, probe: Probe) -> FittedProbe:
        if probe.modbus is not None:
            address = (probe.link, probe.modbus.node, probe.modbus.key)
        elif probe.topic is not None:
            address = (probe.link, "", foreign_key(probe.topic, probe.pointer))
        else:
            address = (probe.link, probe.node or "", probe.channel or "")
        link, node, channel = address
        fitted = self._fitted.setdefault((link, node), {})[channel] = FittedProbe(one_id, probe)
        return fitted

    def _add_relay(self, relay_id: str, relay: Relay) -> None:
        if relay.modbus is not None:
            self._relays[relay.link, relay.modbus.node, relay.modbus.key] = relay_id
        elif relay.topic is not None:
            self._relays[relay.link, "", foreign_key(relay.topic)] = relay_id
        elif relay.channel is not None:
            self._relays[relay.link, relay.node or "", relay.channel] = relay_id

    # -- what comes in ------------------------------------------------------------------------

    def take(self, link_name: str, arrivals: Iterable[Arrival]) -> list[Reading]:
        """Judge every sample, note every relay report. Returns the new readings, oldest first.

        link_name: key in the bench file's [links]; another name is treated as a link of its own.
        A retained value has no known age: it is shown until a fresh one comes, never acted on.
        """
        link = self._links.get(link_name)
        if link is None:
            link = self._links[link_name] = _LinkMemory()
        readings: list[Reading] = []
        self._good_until_s = -inf
        for arrival in arrivals:
            (word, seq, _), _, node, retained = arrival
            if retained:
                self._take_retained(link_name, link, arrival)
                continue
            # Most messages are the next from their sender, and need no closer look.
            if 0 < seq == link.sequences.get(node, NO_SEQ) + 1 and word != HELLO:
                link.sequences[node] = seq
            elif not link.in_sequence(arrival):
                link.out_of_sequence += 1
                continue
            if word == PROBE:
                self._take_probes(link_name, link, arrival, readings)
            elif word == RELAY:
                self._take_relays(link_name, link, arrival)
            elif word == NAK:
                link.naks += 1
        return readings

    def _take_probes(
        self, link_name: str, link: "_LinkMemory", arrival: Arrival, readings: list[Reading]
    ) -> None:
        (_, _, fields), mono_s, node, _ = arrival
        fitted = self._fitted.get((link_name, node), _NO_PROBES)
        for channel, text in fields.items():
            probe = fitted.get(channel)
            if probe is None:
                self._count_unknown(link_name, link, node, channel, text)
                continue
            link.sample_s = mono_s
            if probe.meter is not None:
                flow = probe.meter.flow_text(text, mono_s)
                if flow is None:
                    continue
                text = flow
            readings.append(judge(probe.kind, probe.memory, text, mono_s))

    def _take_relays(self, link_name: str, link: "_LinkMemory", arrival: Arrival) -> None:
        message, mono_s, node, _ = arrival
        for channel, text in message.fields.items():
            relay = self._relays.get((link_name, node, channel))
            if relay is None:
                self._count_unknown(link_name, link, node, channel, text)
                continue
            if self._report_texts.get(relay) == text:
                on, left_s, _ = self._reports[relay]
                self._reports[relay] = _tuple(RelayReport, (on, left_s, mono_s))
                link.sample_s = mono_s
                continue
            report = _relay_report(text, mono_s)
            if report is None:
                link.unreadable += 1
                continue
            link.sample_s = mono_s
            self._reports[relay] = report
            self._report_texts[relay] = text

    def _take_retained(self, link_name: str, link: "_LinkMemory", arrival: Arrival) -> None:
        link.retained += 1
        if arrival.message.word != PROBE:
            return
        fitted = self._fitted.get((link_name, arrival.node), _NO_PROBES)
        for channel, text in arrival.message.fields.items():
            probe = fitted.get(channel)
            if probe is None:
                self._count_unknown(link_name, link, arrival.node, channel, text)
            else:
                probe.show_retained(text)

    def _count_unknown(
        self, link_name: str, link: "_LinkMemory", node: str, channel: str, text: str
    ) -> None:
        link.unknown += 1
        address = (link_name, node, channel)
        known = self._unknown.get(address)
        if known is None and len(self._unknown) >= UNKNOWN_KEPT:
            return
        times = known.times + 1 if known else 1
        self._unknown[address] = UnknownChannel(link_name, node, channel, times, text)

    # -- what is known ------------------------------------------------------------------------

    def snapshot(self, mono_s: float, health: Mapping[str, LinkHealth]) -> Snapshot:
        """The picture at monotonic second `mono_s`.

        health: by link name; links without one are left out.
        While nothing arrives and no probe is late the same views are given again, with ages as of
        the last arrival.
        A probe's last believed sample counts until it is older than three of its periods, at least
        30 s; so a single refused sample changes nothing.
        """
        links = {}
        for name, one_health in health.items():
            memory = self._links.get(name)
            if memory is None:
                memory = self._links[name] = _LinkMemory()
            quiet_s = mono_s - memory.sample_s
            links[name] = _tuple(
                LinkView, (one_health, quiet_s if quiet_s > 0.0 else 0.0, memory.most_restarts())
            )
        if not self._viewed_s <= mono_s <= self._good_until_s:
            self._views = {name: bench.view(mono_s) for name, bench in self._benches.items()}
            self._viewed_s = mono_s
            self._good_until_s = self._calm_until_s(mono_s)
        return _tuple(Snapshot, (self._views, links, self._reports.copy()))

    def _calm_until_s(self, mono_s: float) -> float:
        """Until when the views hold if nothing arrives: before the first probe is late.

        -inf when one is late already: its age is then wanted anew each time.
        """
        until_s = inf
        for memory in self._memories:
            last_s, good_s = memory.last_s, memory.good_s
            late_s = memory.late_s + (last_s if last_s < good_s else good_s)
            if not late_s >= until_s:  # earlier, or NaN for a probe that was never heard
                until_s = late_s
        return until_s if until_s >= mono_s else -inf

    def freshness(self, mono_s: float) -> float:
        """Share, 0..1, of the fitted probes whose last believed sample can still be acted on."""
        fitted = [probe for probes in self._fitted.values() for probe in probes.values()]
        return sum([probe.memory.is_fresh(mono_s) for probe in fitted]) / len(fitted)

    def unknown_channels(self) -> list[UnknownChannel]:
        """Channels heard that the bench file does not name, in the order first heard."""
        return list(self._unknown.values())

    def counts(self, link_name: str) -> LinkCounts:
        """What was set aside on this link; all zero for one never heard of."""
        link = self._links.get(link_name)
        if link is None:
            return LinkCounts()
        return LinkCounts(
            link.naks, link.out_of_sequence, link.retained, link.unknown, link.unreadable
        )


class _LinkMemory:
    """One link between ticks. By node: the last sequence, restarts seen, and when it surely ran."""

    __slots__ = (
        "naks", "out_of_sequence", "restarts", "retained", "runs_s", "sample_s", "sequences",
        "unknown", "unreadable",
    )  # fmt: skip

    def __init__(self) -> None:
        self.sample_s = -inf
        self.naks = self.out_of_sequence = self.retained = self.unknown = self.unreadable = 0
        self.sequences: dict[str, int] = {}
        self.restarts: dict[str, int] = {}
        self.runs_s: dict[str, float] = {}

    def in_sequence(self, arrival: Arrival) -> bool:
        """True for a message newer than the last from its sender; notices a restarted sender."""
        node, seq = arrival.node, arrival.message.seq
        if arrival.message.word == HELLO:
            self._hello(arrival)
        elif seq != NO_SEQ:
            last = self.sequences.get(node, NO_SEQ)
            ahead = (seq - last) % SEQ_MODULUS
            if last != NO_SEQ and (ahead == 0 or ahead >= SEQ_MODULUS - REORDERED):
                return False
            if last == NO_SEQ:
                self.runs_s.setdefault(node, arrival.mono_s)
            elif ahead > SEQ_MODULUS // 2:
                self._restarted(node, arrival.mono_s)
        if seq != NO_SEQ:
            self.sequences[node] = seq
        return True

    def _hello(self, arrival: Arrival) -> None:
        try:
            up_s = parse_number(arrival.message.fields.get("up", ""))
        except ValueError:
            return
        # It began after it was known to run; a greeting late on its way tells of no restart.
        node, began_s = arrival.node, arrival.mono_s - up_s
        if began_s > self.runs_s.get(node, inf) + UP_ROUNDED_S:
            self._restarted(node, arrival.mono_s)
        self.runs_s[node] = arrival.mono_s

    def most_restarts(self) -> int:
        """Restarts of the node that had most: one power cut to all of them is one."""
        return max(self.restarts.values()) if self.restarts else 0

    def _restarted(self, node: str, mono_s: float) -> None:
        self.restarts[node] = self.restarts.get(node, 0) + 1
        self.runs_s[node] = mono_s


def _relay_report(text: str, mono_s: float) -> RelayReport | None:
    """A board's "<0|1>/<seconds left>" as a report, None when it is anything else."""
    state, _, left = text.partition("/")
    if state not in ("0", "1"):
        return None
    try:
        left_s = parse_number(left)
    except ValueError:
        return None
    return RelayReport(state == "1", left_s, mono_s) if left_s >= 0.0 else None
