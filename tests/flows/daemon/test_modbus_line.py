"""A daemon on a Modbus line that is pulled, or killed over it: what is promised, and what is not.

Its relays know no leases. Promised is: off before anything is ordered on, told again in time for
any watch of 20 s or more, silence once the program is dead, and an alarm that stands where nothing
lets the relay go. What the journal keeps is judged by the checker of tests/faults.
"""

import json
import sys
import time
from itertools import pairwise
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "faults"))
sys.path.insert(0, str(Path(__file__).parents[2] / "contracts"))

from check_records import i7, i8, rows_of
from evidence import Evidence
from modbus_units import Units

pytestmark = pytest.mark.wire
BACK_S = 15.0
WATCHED, BARE = 3, 4
"""Units of two mats: one is set to drop its relays when nobody speaks to it, one is not."""
WATCH_S = 20.0
BENCH = """
site = {{ name = "Alder Lane", timezone = "Europe/Dublin", latitude_deg = 53.3, longitude_deg = -6.5, tick_s = 0.5 }}
[links.line]
kind = "modbus"
port = "{port}"
parity = "none"
answer_s = 0.1
[benches.east]
recipe = "semi_ripe"
heat = {{ shortest_s = 5 }}
[benches.east.bays.watched]
probes = [{{ link = "line", kind = "base_temperature", every_s = 1, modbus = {{ unit = 2, table = "holding_register", address = 0, scale = 0.01 }} }}]
mat = {{ link = "line", power_w = 120, lease = "auto_off", modbus = {{ unit = 3, address = 0 }} }}
[benches.east.bays.bare]
probes = [{{ link = "line", kind = "base_temperature", every_s = 1, modbus = {{ unit = 2, table = "holding_register", address = 1, scale = 0.01 }} }}]
mat = {{ link = "line", power_w = 120, lease = "none", modbus = {{ unit = 4, address = 0 }} }}
[journal]
path = "{journal}"
"""  # noqa: E501


class Stamped(list):
    """Writes with the time of each."""

    def __init__(self):
        super().__init__()
        self.at_s = []

    def append(self, write):
        self.at_s.append(time.monotonic())
        super().append(write)


class Line:
    def __init__(self, warmfoot, eventually, folder):
        self.warmfoot, self.eventually = warmfoot, eventually
        self.journal, self.bench_file = folder / "bench.db", folder / "bench.toml"
        self.bench_file.write_text(BENCH.format(port=folder / "line", journal=self.journal))
        self.units = Units(folder / "line", 2, WATCHED, BARE)
        self.units.writes = Stamped()
        self.units.words.update({(2, 3, 0): 1500, (2, 3, 1): 1500})

    def run(self):
        """A daemon that heats, and has said so."""
        process = self.warmfoot.start("run", self.bench_file)
        self.eventually(lambda: self.heating() and self.link.get("up"), BACK_S)
        return process

    @property
    def link(self):
        """What is told of the line; written every few seconds."""
        return self.live()["links"]["line"]

    def heating(self):
        return all(self.units.coil(unit) for unit in (WATCHED, BARE))

    def told(self, unit, since=0):
        """(monotonic s, on) of every write to a unit's relay."""
        writes = zip(self.units.writes.at_s, self.units.writes, strict=False)
        return [(at_s, on) for at_s, (u, _, _, on) in list(writes)[since:] if u == unit]

    def live(self):
        try:
            return json.loads(self.journal.with_suffix(".live.json").read_text())
        except (OSError, ValueError):
            return {"links": {"line": {}}, "alarms": []}

    def alarms(self):
        return {(a["alarm"], a["place"]) for a in self.live()["alarms"] if a["state"] != "RTNUN"}


@pytest.fixture
def line(warmfoot, eventually, tmp_path):
    made = Line(warmfoot, eventually, tmp_path)
    yield made
    made.units.close()


def test_killed_over_modbus(line, eventually):
    process = line.run()
    for unit in (WATCHED, BARE):
        assert line.told(unit)[0][1] == 0, "not off at first"
    eventually(lambda: ("lease_missing", "east.bare") in line.alarms(), 10.0)
    assert ("lease_missing", "east.watched") not in line.alarms()
    eventually(lambda: len([1 for _, on in line.told(WATCHED) if on]) >= 2, 30.0)
    on_s = [at_s for at_s, on in line.told(WATCHED) if on]
    gaps_s = [later - at for at, later in pairwise(on_s)]
    assert max(gaps_s) < WATCH_S, "a unit's own watch would have let go of a mat that is wanted"
    before = rows_of(line.journal)
    process.kill()
    process.wait(30.0)
    count = len(line.units.writes)
    time.sleep(1.0)
    assert len(line.units.writes) == count, "somebody still speaks to the units"
    # Nothing told it otherwise, so the one without a watch heats on: that is what its alarm says.
    assert line.units.coil(BARE)
    assert list(i8(Evidence(line.journal, 0.5, committed=before))) == []
    assert list(i7(Evidence(line.journal, 0.5))) == []

    line.journal.with_suffix(".live.json").unlink()
    process = line.run()
    for unit in (WATCHED, BARE):
        assert line.told(unit, count)[0][1] == 0, "on before it was off"
    process.terminate()
    assert process.wait(10.0) == 0
    assert not line.units.coil(WATCHED)
    assert not line.units.coil(BARE)
    assert list(i7(Evidence(line.journal, 0.5))) == []


def test_line_unplugged_and_put_back(line, eventually):
    process = line.run()
    line.units.unplug()
    eventually(lambda: line.link.get("up") is False, 10.0)
    count = len(line.units.writes)
    line.units.plug_in()
    eventually(lambda: len(line.told(BARE, count)) > 1 and line.heating(), BACK_S)
    for unit in (WATCHED, BARE):
        assert line.told(unit, count)[0][1] == 0, "on before it was off"
    assert process.poll() is None


@pytest.mark.benchmark
def test_a_unit_that_dies_leaves_the_others_and_is_off_before_it_is_on(line, eventually):
    process = line.run()
    line.units.dead.add(WATCHED)
    note = lambda: line.link.get("note") or ""  # noqa: E731
    eventually(lambda: f"unit {WATCHED} does not answer" in note(), 15.0)
    count = len(line.units.writes)
    eventually(lambda: any(on for _, on in line.told(BARE, count)), 15.0)
    assert line.told(WATCHED, count) == []
    line.units.dead.clear()
    eventually(lambda: [on for _, on in line.told(WATCHED, count)][:1] == [0], 15.0)
    eventually(line.heating, BACK_S)
    assert process.poll() is None


@pytest.mark.benchmark
def test_garbled_answers_bring_no_number_and_no_order(line, eventually):
    process = line.run()
    count = len(line.units.writes)
    line.units.spoil = lambda answer: bytes(b ^ 0x04 for b in answer)
    eventually(lambda: line.link.get("up") is False, 15.0)
    line.units.spoil = lambda answer: answer
    # A unit hears what it is told though its answers are lost, so it was switched off meanwhile.
    eventually(lambda: 0 in [on for _, on in line.told(BARE, count)] and line.heating(), BACK_S)
    process.terminate()
    assert process.wait(10.0) == 0
    evidence = Evidence(line.journal, 0.5)
    bounds = evidence.asked("SELECT min(low), max(high) FROM minute")
    assert bounds in ([(15000, 15000)], [(None, None)]), "a number of no answer was kept"
    assert list(i7(evidence)) == []
