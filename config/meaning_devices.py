"""What is said of other people's MQTT devices in a bench file: topics, pointers, words."""

from collections.abc import Iterator

from config.findings import Finding
from config.model import Probe, Relay
from config.positions import Path


def mqtt_device(path: Path, device: Probe | Relay) -> Iterator[Finding]:
    """Keys of a device that do not fit its topic, or go without one."""
    if device.topic is not None:
        if device.node is not None:
            yield Finding((*path, "node"), "node goes with channel, not with topic; take it out")
        yield from _topic(path, device.topic)
    if isinstance(device, Relay):
        yield from _switch(path, device)
    else:
        yield from _value(path, device)


def _topic(path: Path, topic: str) -> Iterator[Finding]:
    if not topic or any(letter in topic for letter in "+#\0"):
        yield Finding(
            (*path, "topic"), "write one device's whole topic, without the wildcards + and #"
        )


def _pointer(path: Path, pointer: str) -> Iterator[Finding]:
    """RFC 6901: a pointer is empty or begins with a slash; a tilde is followed by 0 or 1."""
    tilde_parts = pointer.split("~")[1:]
    if pointer and (
        pointer[0] != "/" or any(not part.startswith(("0", "1")) for part in tilde_parts)
    ):
        yield Finding(
            (*path, "pointer"),
            'this is not a JSON pointer; write such as "/temperature" or "/sensor/0/value"',
        )


def _value(path: Path, probe: Probe) -> Iterator[Finding]:
    if probe.pointer and probe.topic is None:
        yield Finding((*path, "pointer"), "pointer goes with topic; take it out")
    yield from _pointer(path, probe.pointer)
    if probe.sends is None:
        return
    if probe.topic is None:
        instead = "modbus has scale and offset" if probe.modbus else "a board sends plain units"
        yield Finding((*path, "sends"), f"sends goes with topic; take it out, {instead}")
    elif probe.sends == "degF" and not probe.kind.endswith("temperature"):
        yield Finding((*path, "sends"), f"{probe.kind} is not a temperature; take sends out")
    elif probe.sends == "fraction" and probe.kind != "humidity":
        yield Finding((*path, "sends"), "only humidity is sent as a fraction of 1; take it out")
    elif probe.sends == "litres" and probe.kind != "water_meter":
        yield Finding((*path, "sends"), "only a water_meter counts in litres; take it out")


def _switch(path: Path, relay: Relay) -> Iterator[Finding]:
    if relay.topic is not None and relay.on_payload == relay.off_payload:
        yield Finding(
            (*path, "off_payload"), "on_payload and off_payload are the same; make them differ"
        )
    for key in ("state", "available"):
        told = getattr(relay, key)
        if told is None:
            continue
        if relay.topic is None:
            yield Finding(
                (*path, key), f"{key} goes with topic; other relays tell by themselves, take it out"
            )
        yield from _topic((*path, key), told.topic)
        yield from _pointer((*path, key), told.pointer)
    state = relay.state
    if state is not None:
        if (state.on or relay.on_payload) == (state.off or relay.off_payload):
            yield Finding((*path, "state"), "on and off are the same word; make them differ")
        if state.topic == relay.topic:
            yield Finding(
                (*path, "state", "topic"),
                "this is the topic of the orders, which would come back as if they were the "
                "switch's own word; write where the switch itself tells what it is",
            )
