"""Rows of the matrix: probes, actuators."""

from collections.abc import Callable, Generator
from typing import Final

from cases import BASE1, BASE2, BAY, BENCH, COLD, DRY, LINK, Case
from check_relays import spans
from fastcrc import crc8
from watched import Watched, bench_text

from sensors.lines import decode

ONE_PROBE: Final = bench_text(second="")
TWO_BAYS: Final = bench_text(
    bench="heat = { shortest_s = 60 }\nsupply_w = 200",
    more="""
[benches.north.bays.right]
probes = [{ link = "board", channel = "base3", kind = "base_temperature" }]
[benches.north.bays.right.mat]
link = "board"
channel = "mat2"
power_w = 150
area_m2 = 1.2
cutout = "declared"
cutout_c = 35
""",
)
METERED: Final = bench_text(
    air='{ link = "board", channel = "flow", kind = "water_meter", every_s = 10 },'
)
RIGHT: Final = "north.right"
SINGLE: Final = bench_text(
    second="",
    bench="heat = { shortest_s = 60 }",
    more=TWO_BAYS[TWO_BAYS.index("[benches.north.bays.right]") :],
)
"""Two bays with one base probe each."""
WRONG_UNIT: Final = frozenset(
    {"probe_implausible", "mist_no_answer", "cold_base_hot_top", "top_hot"}
)
TEXTS: Final = ("inf", "1e400", "-inf", "21,5", "2_1.5", "", "0x15", "٢١", "21.0.0", "nan")


def sealed(word: str, seq: int, fields: dict[str, str]) -> str:
    """A line with a right checksum, whatever is in it."""
    body = "".join(
        f"{part} " for part in [word, str(seq), *(f"{k}={v}" for k, v in fields.items())]
    )
    return f"{body}*{crc8.smbus(body.encode()):02X}\n"


def not_numbers(play: Watched) -> Generator[float, None, None]:
    """Texts in place of a reading: those that Python's own float would take, and others."""
    yield 1.0
    lines = play.rig.boards["board"].lines
    example = lines()
    assert example
    assert [sealed(*decode(line)) for line in example] == example, "no line of the wire"
    for text in TEXTS:

        def spoilt(text: str = text) -> list[str]:
            out = []
            for line in lines():
                word, seq, fields = decode(line)
                if "base1" in fields:
                    fields = {**fields, "base1": text}
                out.append(sealed(word, seq, fields))
            return out

        play._wires[0] = (spoilt, play.board)
        yield 0.02
        bay = play.kept.snapshot.benches["north"].bays["left"]  # type: ignore[union-attr]
        first = bay.probes[0].reading
        assert not first.usable or abs(first.value - play.rig.base_c("north", "left")) < 2.0, text
    play._wires[0] = (lines, play.board)
    play.found.returns_s = play.elapsed_s + 1800.0
    yield 2.0


def replayed(play: Watched) -> Generator[float, None, None]:
    """An hour of old lines said again, and every line twice and out of order."""
    said: list[str] = []
    feed = play.board.feed

    def hold(data: str | bytes, mono_s: float) -> None:
        said.append(str(data))
        feed(data, mono_s)

    play.board.feed = hold  # type: ignore[method-assign]
    yield 1.0
    play.board.feed = feed  # type: ignore[method-assign]
    refused = play.board.health().rejected
    for line in said[-60:]:
        feed(line, play.clock.now().mono_s)
    assert play.board.health().rejected - refused >= 58, "old lines were taken"

    def twice(data: str | bytes, mono_s: float) -> None:
        feed(data, mono_s)
        feed(data, mono_s)

    play.board.feed = twice  # type: ignore[method-assign]
    yield 2.0
    play.board.feed = feed  # type: ignore[method-assign]
    play.found.returns_s = play.elapsed_s
    yield 1.0


def flood(play: Watched) -> Generator[float, None, None]:
    """A hundred readings where one is due: all new, all true."""
    yield 0.5
    board = play.rig.boards["board"]
    lines = board.lines

    def many() -> list[str]:
        out = lines()
        for _ in range(99):
            board._due_s = 0.0
            for one in board._rounds:
                one.due_s = 0.0
            out += lines()
        return out

    play._wires[0] = (many, play.board)
    yield 0.5
    play._wires[0] = (lines, play.board)
    play.found.returns_s = play.elapsed_s
    yield 0.5


def rebooting(play: Watched) -> Generator[float, None, None]:
    """The board starts anew ten times while the mat is on."""
    yield 0.2
    board = play.rig.boards["board"]
    for _ in range(10):
        board.power_up()
        play._note_turns(play.elapsed_s)
        assert not board.relay_on("mat1")
        yield 0.05
    play.found.rebooted = frozenset(play.found.mats.values())
    play.found.returns_s = play.elapsed_s + 600.0
    yield 1.0


def restarting(play: Watched) -> Generator[float, None, None]:
    """The board starts anew every 20 s for half an hour."""
    yield 1.0
    board = play.rig.boards["board"]
    for _ in range(90):
        board.power_up()
        play._note_turns(play.elapsed_s)
        yield 20.0 / 3600.0
    play.found.rebooted = frozenset(play.found.mats.values())
    play.found.returns_s = play.elapsed_s + 5400.0
    yield 2.5


def never_both(play: Watched) -> Generator[float, None, None]:
    """Two mats of 150 W on a supply of 200 W."""
    yield 6.0
    for order in play.found.orders:
        on = [relay for relay in play.found.mats.values() if order.leases_s.get(relay, 0.0) > 0.0]
        assert len(on) < 2, f"both mats ordered on at {order.t_s:.0f} s"
    mats = {span.relay for span in spans(play.found)} & set(play.found.mats.values())
    assert len(mats) == 2, "only one of them was ever on"


def rewritten(
    play: Watched, change: Callable[[str, int, dict[str, str]], tuple[str, int, dict[str, str]]]
) -> Callable[[], None]:
    """Every line of the board is changed on its way; call what is given back to end it."""
    lines = play.rig.boards["board"].lines
    play._wires[0] = (lambda: [sealed(*change(*decode(line))) for line in lines()], play.board)

    def end() -> None:
        play._wires[0] = (lines, play.board)

    return end


def sequence_stands(play: Watched) -> Generator[float, None, None]:
    """The board counts no further: for what can be known all is said again and again."""
    yield 1.0
    end = rewritten(play, lambda word, _, fields: (word, 77, fields))
    yield 1.0
    end()
    play.found.returns_s = play.elapsed_s + 900.0
    yield 1.0


def in_fahrenheit(play: Watched) -> Generator[float, None, None]:
    """A board set to the wrong unit, from its first word on."""

    def wrong(word: str, seq: int, fields: dict[str, str]) -> tuple[str, int, dict[str, str]]:
        if word == "probe":
            for name in fields.keys() & {"base1", "base2", "air", "house"}:
                fields[name] = f"{float(fields[name]) * 1.8 + 32.0:.2f}"
        return word, seq, fields

    rewritten(play, wrong)
    yield 4.0
    assert not any(span.relay.endswith("mat") for span in spans(play.found)), "heat on nonsense"


def probes_swapped(play: Watched) -> Generator[float, None, None]:
    """Each of two bays is held by the probe of the other."""
    swap = {"base1": "base3", "base3": "base1"}
    rewritten(play, lambda word, seq, fields: (
        word, seq, {swap.get(name, name): text for name, text in fields.items()}
    ))  # fmt: skip
    yield 10.0
    assert max(max(look.true_c.values()) for look in play.found.looks) < 30.0


def one_in_air(play: Watched) -> Generator[float, None, None]:
    """Half of the bay's probes read the air; the base itself must not be cooked for it."""
    yield 20.0
    assert max(look.true_c[BAY] for look in play.found.looks) < 25.0


ROWS: Final = (
    Case("1", "sensor", "one of two base probes silent", "simulator",
         "D1, told in 3 min, heat goes on with the other",
         (f"probe_silent:{BASE1}@1+1/3",), dues=(("probe_silent", BASE1, 1, 4),), back_min=15),
    Case("2", "sensor", "the only base probe silent", "simulator",
         "heat as the air allows, told in 3 min, back by itself", (f"probe_silent:{BASE1}@1+1/2",),
         10.0, (("probe_silent", BASE1, 1, 4),), COLD, back_min=240, text=ONE_PROBE),
    Case("3", "sensor", "one base probe frozen", "simulator", "named, the other believed",
         (f"probe_frozen:{BASE1}@1+1/14",), 20.0, (("probe_frozen", BASE1, 60, 720),),
         frozenset({"probes_disagree"}), back_min=120),
    Case("4", "sensor", "base steady at its target for a day", "simulator", "no alarm at all",
         hours=24.0, weather="winter_dull", back_min=0),
    Case("5", "sensor", "a probe says nan", "simulator", "refused, named, never computed with",
         (f"probe_text:{BASE1}@1+1/1",), dues=(("probe_implausible", BASE1, 0, 3),), back_min=30),
    Case("5b", "sensor", "inf, 1e400, commas, empty, other digits", "wire",
         "refused; no value is made of them", script=not_numbers,
         allowed=frozenset({"probe_implausible", "probe_silent", "link_lost"})),
    Case("6", "sensor", "85.0 of a probe at power-up", "simulator", "refused as known false",
         (f"probe_85:{BASE1}@1+1/0.5",), dues=(("probe_implausible", BASE1, 0, 3),), back_min=30),
    Case("6b", "sensor", "-127 of a probe without power", "simulator", "refused",
         (f"probe_85:{BASE1}@1+1/0.5=-127",), dues=(("probe_implausible", BASE1, 0, 3),),
         back_min=30),
    Case("7", "sensor", "a single spike of +10 K", "simulator", "refused, no alarm",
         (f"probe_spike:{BASE1}@1+1/0.1",), back_min=0),
    Case("8", "sensor", "one probe drifts 0.1 K/h", "simulator", "disagreement told within 2 days",
         (f"probe_drift:{BASE1}@1+1/60",), 58.0, (("probes_disagree", BAY, 360, 2880),),
         tick_s=20.0),
    Case("9", "sensor", "one probe out of the compost", "simulator",
         "disagreement told; the base stays below 25 °C",
         (f"probe_in_air:{BASE1}@1+1/20",), 20.0, (("probes_disagree", BAY, 20, 600),),
         COLD, script=one_in_air),
    Case("11", "sensor", "humidity stuck at 100 %", "simulator", "named within hours",
         ("humidity_stuck@1+1/20",), 24.0, (("probe_frozen", "north.rh", 55, 600),),
         frozenset({"air_saturated"}), weather="spring_bright"),
    Case("12", "sensor", "humidity reads 20 % wrongly", "simulator", "told in minutes; no flood",
         ("humidity_low@1+1/5",), 26.0, (("humidity_doubted", BENCH, 8, 25),),
         DRY | {"mist_no_answer", "mist_budget_spent", "probe_implausible", "probe_frozen"},
         back_min=1100),
    Case("12b", "sensor", "lid open for hours in winter", "simulator", "no fault of a probe",
         ("lid_open@1+1/3",), 6.0, (), COLD | DRY | {"mist_budget_spent"}, weather="winter_clear"),
    Case("14", "sensor", "lines doubled and replayed", "wire", "each taken once", script=replayed),
    Case("15", "sensor", "a hundred times the readings", "wire", "ticks in time", script=flood),
    Case("16", "sensor", "Fahrenheit for Celsius", "simulator", "70 is refused",
         (f"probe_85:{BASE1}@1+1/1=69.8",), dues=(("probe_implausible", BASE1, 0, 3),),
         back_min=30),
    Case("16b", "sensor", "a whole board in Fahrenheit", "wire", "refused and told; no heat by it",
         script=in_fahrenheit, dues=(("probe_implausible", BASE1, 0, 3),),
         allowed=WRONG_UNIT | COLD | DRY),
    Case("14b", "sensor", "sequence number stands still", "wire", "told as a lost link",
         script=sequence_stands, dues=(("link_lost", LINK, 60, 63),),
         allowed=frozenset({"probe_silent"}) | COLD),
    Case("10", "sensor", "base probes of two bays swapped", "wire",
         "hot bay told in 3 h, its mat doubted in 6; below 30 °C", script=probes_swapped,
         text=SINGLE, dues=(("base_hot", RIGHT, 30, 180), ("mat_dead", BAY, 60, 360)),
         allowed=COLD | {"base_hot", "mat_weak"}),
    Case("17", "actuator", "mat without heat", "simulator", "told; base cold told",
         ("mat_dead@1+1/5",), 24.0, (("mat_dead", BAY, 20, 200),), COLD, back_min=780,
         start="2026-03-02T18:00", weather="winter_clear"),
    Case("18", "actuator", "relay welded", "simulator", "told; trip before 31 °C",
         ("relay_welded@2+3/9",), 36.0, (("mat_stuck_on", BAY, 20, 360),),
         frozenset({"base_hot", "base_overheat", "base_sun_hot"}),
         frozenset({"mat_stuck_on", "base_overheat"}), start="2026-03-02T18:00"),
    Case("20", "actuator", "board starts anew, relay on", "simulator",
         "off until a fresh lease; told", script=rebooting,
         dues=(("board_restarting", LINK, 20, 35),)),
    Case("20b", "actuator", "board starts anew every 20 s", "simulator",
         "told in minutes; then over", script=restarting,
         dues=(("board_restarting", LINK, 61, 65),), allowed=frozenset({"relay_disagrees"})),
    Case("21", "actuator", "nozzles blocked", "simulator", "told after three bursts",
         ("mister_blocked@1+1/4",), 8.0, (("mist_no_answer", BENCH, 10, 120),), DRY, back_min=120,
         start="2026-05-10T09:00", weather="summer_mild"),
    Case("22", "actuator", "valve stuck open", "simulator", "nothing else is accused",
         ("valve_open@1+1/9",), 14.0, (), COLD | {"air_saturated", "mister_stuck", "mat_weak",
         "mat_dead"}, frozenset({"mister_stuck"})),
    Case("22b", "actuator", "valve stuck open, with a meter", "simulator", "told in minutes; over",
         ("valve_open@1+1/9",), 14.0, (("water_runs", BENCH, 2, 6),), COLD | {"air_saturated",
         "mat_weak", "mat_dead"}, text=METERED, back_min=60),
    Case("21b", "actuator", "nozzles blocked, with a meter", "simulator", "told after two bursts",
         ("mister_blocked@1+1/4",), 8.0, (("mist_no_answer", BENCH, 5, 40),), DRY, back_min=60,
         start="2026-05-10T09:00", weather="summer_mild", text=METERED),
    Case("23b", "actuator", "tank empty, with a meter", "simulator", "told after two bursts",
         ("tank_empty@1+1/3",), 8.0, (("mist_no_answer", BENCH, 5, 40),), DRY, back_min=60,
         start="2026-05-10T09:00", weather="summer_mild", text=METERED),
    Case("23", "actuator", "tank empty, then filled", "simulator", "told; then over",
         ("tank_empty@1+1/3",), 8.0, (("mist_no_answer", BENCH, 10, 120),), DRY, back_min=180,
         start="2026-05-10T09:00", weather="summer_mild"),
    Case("24", "actuator", "half the mat dead", "simulator", "its limit told, not 'dead'",
         ("mat_half@2+0/30",), 54.0, (("mat_at_limit", BAY, 30, 1500),), COLD | {"mat_weak"},
         start="2026-03-02T18:00"),
    Case("25", "actuator", "two mats over the supply", "config", "in turns, never both",
         text=TWO_BAYS, script=never_both, allowed=COLD),
    Case("c1", "combined", "one base probe silent, mat dead", "simulator", "both told",
         (f"probe_silent:{BASE2}@1+1/5", "mat_dead@1+1/5"), 24.0,
         (("probe_silent", BASE2, 1, 4), ("mat_dead", BAY, 20, 200)), COLD, back_min=780,
         start="2026-03-02T18:00", weather="winter_clear"),
    Case("c2", "combined", "relay welded, one probe frozen", "simulator",
         "the other probe sees it: trip",
         (f"probe_frozen:{BASE1}@2+3/9", "relay_welded@2+3/9"), 36.0,
         (("mat_stuck_on", BAY, 20, 500),),
         frozenset({"base_hot", "base_overheat", "base_sun_hot", "probe_frozen",
                    "probes_disagree"}),
         frozenset({"mat_stuck_on", "base_overheat"}), start="2026-03-02T18:00"),
    Case("c3", "combined", "nozzles blocked, humidity stuck", "simulator",
         "one or the other told within hours",
         ("mister_blocked@1+1/6", "humidity_stuck@1+1/6=60"), 8.0, (),
         DRY | {"probe_frozen", "mist_no_answer", "mist_budget_spent", "probe_implausible"},
         start="2026-05-10T09:00", weather="summer_mild"),
)  # fmt: skip
