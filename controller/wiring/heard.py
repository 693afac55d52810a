"""What is heard on the wires, beside what the bench file names."""

from math import inf
from typing import Final, NamedTuple

from config.model import Probe, Site, probes_of
from controller.journal.care import Verdict
from controller.wiring.hands import Hands
from sensors.intake import UnknownChannel
from sensors.kinds import KINDS
from sensors.links.addresses import address_words
from sensors.readings import Flag, Reading

_GUESSES: Final = (
    ("base", "base_temperature"), ("house", "house_temperature"), ("out", "house_temperature"),
    ("rh", "humidity"), ("hum", "humidity"), ("light", "light"), ("sun", "light"),
    ("flow", "water_meter"),
)  # fmt: skip


class Told(NamedTuple):
    """One thing that was heard, or not."""

    place: str
    seen: str
    verdict: Verdict


def link_told(hands: Hands) -> list[Told]:
    """Each link: open or not, and who is at its other end."""
    told = []
    for name, view in hands.snapshot().links.items():
        if not view.health.up:
            told.append(Told(f"link {name}", view.health.why, "fault"))
            continue
        boards = [hello for hello in hands.hellos.values() if hello.link == name]
        who = "; ".join(
            f"board {hello.name or '?'}{f' (node {hello.node})' if hello.node else ''} with "
            f"{', '.join(hello.channels) or 'no channels'}"
            for hello in boards
        )
        if not view.health.heard:
            text = f"open, but nothing is heard: cable, {_rate(hands.site, name)}board's power?"
            told.append(Told(f"link {name}", text, "fault"))
        else:
            garbled = f", {view.health.rejected} lines refused" if view.health.rejected else ""
            count = view.health.heard
            text = f"open, {count} message{'s' if count != 1 else ''}{garbled}"
            text += f"; {who}" if who else ""
            note = view.health.note
            whole = f"{text}; {note}" if note else text
            told.append(Told(f"link {name}", whole, "fault" if note else "good"))
    return told


def _rate(site: Site, link: str) -> str:
    plan = site.links[link]
    return "topics, " if plan.kind == "mqtt" else f"baud {getattr(plan, 'baud', '')}, "


def probe_told(hands: Hands) -> list[Told]:
    """Each configured probe: value, age and flag, or that it was not heard."""
    now_s = hands.clock.now().mono_s
    return [
        _probe(name, probe, hands.readings.get(name), now_s)
        for name, probe in probes_of(hands.site)
    ]


def _probe(name: str, probe: Probe, reading: Reading | None, now_s: float) -> Told:
    where = address_words(probe)
    if reading is None or reading.taken_s == -inf:
        slow = f"; it reports every {probe.every_s:g} s" if probe.every_s > 30.0 else ""
        return Told(name, f"not heard ({where}){slow}: see its plug, and its channel here", "fault")
    unit = KINDS[probe.kind].unit.replace("degC", "°C")
    raw = f"{reading.raw:.2f} {unit}" if reading.raw == reading.raw else "no number"
    shown = f"{reading.value:.2f} {unit}" if reading.value == reading.value else raw
    age = f"{max(0.0, now_s - reading.taken_s):.0f} s old"
    if reading.usable:
        return Told(name, f"{shown}, {age} ({where})", "good")
    verdict: Verdict = "unsure" if reading.flag == Flag.SUSPECT else "fault"
    flag = reading.flag.name.lower()
    return Told(name, f"{shown}, {age}, {flag}: {reading.why} ({where})", verdict)


def unknown_told(hands: Hands) -> list[Told]:
    """Channels heard that the bench file does not name, each with a line to add."""
    return [
        Told(
            f"{one.link} {one.node + '/' if one.node else ''}{one.channel}",
            f"says {one.last!r} ({one.times} times), and the bench file does not name it. If it "
            f"belongs to the bench, add to it: {line_for(one)}",
            "unsure",
        )
        for one in hands.unknown()
    ]


def line_for(one: UnknownChannel) -> str:
    """A line for the bench file, its kind guessed from the channel's name."""
    node = f', node = "{one.node}"' if one.node else ""
    address = f'link = "{one.link}"{node}, channel = "{one.channel}"'
    name = one.channel.lower()
    if "/" in one.last:  # a relay's report: "<0|1>/<seconds left>"
        if "mist" in name or "valve" in name:
            return f"mister = {{ {address} }} (in [benches.B])"
        return f"mat = {{ {address}, power_w = ... }} (in [benches.B.bays.Y])"
    kind = next((kind for part, kind in _GUESSES if part in name), "air_temperature")
    table = "[benches.B.bays.Y]" if kind == "base_temperature" else "[benches.B.air]"
    return f'{{ {address}, kind = "{kind}" }} (among the probes of {table}; the kind is a guess)'
