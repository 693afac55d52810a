"""A simulated site in real time, for the real daemon in another terminal."""

import re
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

from config.model import MqttLink, Site
from sensors.topics import slug
from simulator.bench_params import PRESETS
from simulator.rig import Rig
from simulator.scenario import Scenario
from simulator.wires import MqttWire, PtyWire, Wire, WireError

STEP_S: Final = 1.0
"""Real seconds between two steps."""
LONGEST_STEP_S: Final = 10.0
"""Longest step of the bench; a faster pace makes several."""


def served_rig(site: Site, scenario: Scenario, speed: float = 1.0) -> Rig:
    """Benches and boards of a site, in the scenario's weather. speed: of the bench's own life."""
    return Rig(
        site,
        scenario.sky(site),
        scenario.start_utc_s(site),
        params=PRESETS[scenario.preset],
        seed=scenario.seed,
        pace=speed,
        warm_hours=scenario.warm_hours,
    )


def open_ptys(rig: Rig, folder: Path) -> dict[str, Wire]:
    """A pseudo-terminal for each board, under a fixed name in `folder`. Raises WireError."""
    for key in rig.boards:
        link = key.partition("/")[0]
        if isinstance(rig.site.links[link], MqttLink):
            raise WireError(f"link {link} is an MQTT link; serve this bench file with --serve mqtt")
    return {key: PtyWire(folder / f"board-{key}") for key in rig.boards}


def open_mqtt(rig: Rig, host: str, port: int) -> dict[str, Wire]:
    """Each board as a node on a broker. Raises WireError."""
    site = slug(rig.site.site.name)
    return {key: MqttWire(host, port, site, key.partition("/")[2]) for key in rig.boards}


def rewired(text: str, links: Mapping[str, Mapping[str, str | int]]) -> str | None:
    """A bench file's text with these links put in place of its own.

    links: name -> keys and values of the section.  A link that becomes MQTT gets a node of its own
    name for whatever was on it.  None when the text has no [links.NAME] section for one of them:
    then the link has to be set by hand.
    """
    for name, values in links.items():
        section = re.compile(rf"^\[links\.{re.escape(name)}\]\s*$.*?(?=^\[|\Z)", re.M | re.S)
        found = section.search(text)
        if found is None:
            return None
        rows = [
            f"{key} = {value}" if isinstance(value, int) else f'{key} = "{value}"'
            for key, value in values.items()
        ]
        made = "\n".join([f"[links.{name}]", *rows]) + "\n\n"
        becomes_mqtt = values["kind"] == "mqtt" and 'kind = "mqtt"' not in found[0]
        text = text[: found.start()] + made + text[found.end() :]
        if becomes_mqtt:
            text = _with_nodes(text, name)
    return text


def _with_nodes(text: str, link: str) -> str:
    """`node` written after each `link` of that name, in inline tables and in sections."""
    wanted = re.compile(rf'(link\s*=\s*"{re.escape(link)}")[ \t]*(,|\}}|$|\#)', re.M)

    def add(found: re.Match[str]) -> str:
        inline = found[2] in (",", "}")
        return f'{found[1]}{", " if inline else chr(10)}node = "{link}"{found[2]}'

    return wanted.sub(add, text)


def play(
    rig: Rig,
    wires: Mapping[str, Wire],
    utc_s: float,
    *,
    speed: float = 1.0,
    stopped: Callable[[], bool] = lambda: False,
) -> None:
    """Run until `stopped` or Ctrl-C; every wire is closed on the way out.

    utc_s: time of the bench's weather at the start.
    """
    last_s = time.monotonic()
    try:
        while not stopped():
            time.sleep(STEP_S / 5.0)
            _listen(rig, wires)
            now_s = time.monotonic()
            if now_s - last_s < STEP_S:
                continue
            due_s = (now_s - last_s) * speed
            last_s = now_s
            while due_s > 0.0:
                dt_s = min(due_s, LONGEST_STEP_S)
                due_s -= dt_s
                utc_s += dt_s
                rig.advance(dt_s, utc_s)
            for key, wire in wires.items():
                lines = rig.boards[key].lines()
                if lines:
                    wire.write(lines)
    finally:
        for wire in wires.values():
            wire.close()


def _listen(rig: Rig, wires: Mapping[str, Wire]) -> None:
    for key, wire in wires.items():
        for line in wire.read():
            rig.boards[key].receive(line)
