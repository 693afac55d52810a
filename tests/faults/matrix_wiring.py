"""Rows of the matrix: what is wrongly wired, wrongly placed, badly fed, or says other than is."""

from collections.abc import Generator
from math import exp
from typing import Final

from cases import BASE1, BAY, BENCH, COLD, DRY, LINK, Case
from check_relays import spans
from matrix_bench import METERED, WRONG_UNIT, rewritten
from watched import Script, Watched

from sensors.lines import decode, encode

OTHER: Final = {"mat1": "mist", "mist": "mat1"}
FALSE_REPORTS: Final = frozenset({"mister_stuck", "mat_stuck_on", "relay_disagrees"})


def said_wrongly(word: str, hours: float, **texts: str) -> Script:
    """From the second hour on, for so many hours, these channels say these texts."""

    def script(play: Watched) -> Generator[float, None, None]:
        yield 1.0
        end = rewritten(play, lambda w, seq, fields: (
            w, seq, {**fields, **{k: t for k, t in texts.items() if w == word and k in fields}}
        ))  # fmt: skip
        yield hours
        end()
        play.found.returns_s = play.elapsed_s + 3600.0
        yield 2.0

    return script


def reports_swapped(play: Watched) -> Generator[float, None, None]:
    """What the board says of the mat is true of the mister, and the other way round."""
    rewritten(play, lambda word, seq, fields: (
        word, seq, {OTHER.get(k, k) if word == "relay" else k: t for k, t in fields.items()}
    ))  # fmt: skip
    yield 4.0
    assert any(span.relay.endswith("mat") for span in spans(play.found)), "heat hung on reports"


def wires_swapped(play: Watched) -> Generator[float, None, None]:
    """Orders for the mat open the valve, and the other way round."""
    play.found.excused |= frozenset(play.found.misters.values())
    give = play.board.on_line
    assert give is not None

    def crossed(line: str) -> None:
        word, seq, fields = decode(line)
        give(encode(word, seq, {OTHER[k]: text for k, text in fields.items()}))

    play.board.on_line = crossed
    yield 3.0


def fahrenheit_from_noon(play: Watched) -> Generator[float, None, None]:
    """A board whose unit is changed while it runs, and back."""

    def wrong(word: str, seq: int, fields: dict[str, str]) -> tuple[str, int, dict[str, str]]:
        if word == "probe":
            for name in fields.keys() & {"base1", "base2", "air", "house"}:
                fields[name] = f"{float(fields[name]) * 1.8 + 32.0:.2f}"
        return word, seq, fields

    yield 1.0
    end = rewritten(play, wrong)
    yield 2.0
    assert play.found.looks[-1].codes[BAY] == "lost_carried"
    assert max(look.true_c[BAY] for look in play.found.looks) < 22.5
    end()
    yield 2.0
    assert play.kept.snapshot is not None
    bay = play.kept.snapshot.benches["north"].bays["left"]
    assert bay.usable == 2, "true readings were not believed again"


def on_the_mat(play: Watched) -> Generator[float, None, None]:
    """Both base probes lie on the mat: 8 K more than the base in minutes, when it is on."""
    held = [0.0, play.elapsed_s]

    def swings(word: str, seq: int, fields: dict[str, str]) -> tuple[str, int, dict[str, str]]:
        above_k, last_s = held
        on = play.rig.boards["board"].relay_on("mat1")
        above_k += (8.0 * on - above_k) * (1.0 - exp((last_s - play.elapsed_s) / 240.0))
        held[:] = above_k, play.elapsed_s
        for name in fields.keys() & {"base1", "base2"}:
            fields[name] = f"{float(fields[name]) + above_k:.2f}"
        return word, seq, fields

    yield 1.0
    rewritten(play, swings)
    yield 19.0
    assert max(look.true_c[BAY] for look in play.found.looks) < 25.0


def counts_back(play: Watched) -> Generator[float, None, None]:
    """The board's numbers fall by 300 ten times, without a hello."""
    yield 1.0
    for _ in range(10):
        play.rig.boards["board"]._seq = (play.rig.boards["board"]._seq - 300) % 65536
        yield 0.1
    play.found.returns_s = play.elapsed_s + 5400.0
    yield 2.5


def dripping(play: Watched) -> Generator[float, None, None]:
    """A valve that lets 3 % of its flow through when it is shut."""
    yield 1.0
    advance = play.rig._advance_bench

    def leaking(bench, dt_s):  # type: ignore[no-untyped-def]
        bench.mist_ml += 0.03 * bench.flow_ml_s * dt_s
        bench.truth.mist_l += 3e-5 * bench.flow_ml_s * dt_s
        advance(bench, dt_s)

    play.rig._advance_bench = leaking  # type: ignore[method-assign]
    yield 4.0


def base_reads_air(play: Watched) -> Generator[float, None, None]:
    """One base probe and the air probe are plugged in at each other's place."""
    swap = {"base1": "air", "air": "base1"}
    rewritten(play, lambda word, seq, fields: (
        word, seq, {swap.get(name, name): text for name, text in fields.items()}
    ))  # fmt: skip
    yield 8.0
    assert max(look.true_c[BAY] for look in play.found.looks) < 25.0


ROWS: Final = (
    Case("9b", "sensor", "both base probes lie on the mat", "wire", "below 25 °C; cold told",
         script=on_the_mat, start="2026-02-10T12:00", weather="winter_clear",
         dues=(("base_cold", BAY, 60, 900),), allowed=COLD),
    Case("10b", "sensor", "base and air probe swapped", "wire", "told in 4 h; below 25 °C",
         script=base_reads_air, dues=(("probes_disagree", BAY, 20, 240),),
         allowed=COLD | DRY | WRONG_UNIT),
    Case("11b", "sensor", "humidity above what it can be", "wire", "refused, told; mist by D3",
         script=said_wrongly("probe", 3.0, rh="104.0"),
         dues=(("probe_implausible", "north.rh", 60, 63),)),
    Case("14c", "sensor", "numbers fall back, no hello", "wire", "told as restarts",
         script=counts_back, dues=(("board_restarting", LINK, 60, 90),)),
    Case("16c", "sensor", "a whole board to Fahrenheit while it runs", "wire",
         "refused, told; what was known is carried", script=fahrenheit_from_noon,
         dues=(("probe_implausible", BASE1, 60, 63),), allowed=WRONG_UNIT | COLD | DRY),
    Case("19", "actuator", "reports of mat and mister swapped", "wire", "told; heat goes on",
         script=reports_swapped, dues=(("mister_stuck", BENCH, 1, 120),),
         allowed=FALSE_REPORTS | DRY, latched=frozenset({"mat_stuck_on"})),
    Case("19b", "actuator", "wires of mat and mister swapped", "wire",
         "told as soon as one is reported on", script=wires_swapped,
         dues=(("mister_stuck", BENCH, 1, 120),), allowed=FALSE_REPORTS | COLD | {"air_saturated"},
         latched=frozenset({"mat_stuck_on"})),
    Case("19c", "actuator", "mat's relay reported off for ever", "wire", "told; heat goes on",
         script=said_wrongly("relay", 3.0, mat1="0/0"), dues=(("relay_disagrees", BAY, 60, 120),)),
    Case("22c", "actuator", "valve drips, with a meter", "wire", "told in a quarter of an hour",
         script=dripping, text=METERED, dues=(("water_runs", BENCH, 60, 78),)),
    Case("24b", "actuator", "mains at 60 % for twelve hours", "simulator",
         "its limit told, not 'dead'", ("mat_half@2+6/12=0.6",), 62.0,
         (("mat_at_limit", BAY, 120, 720),), COLD, start="2026-02-10T12:00",
         weather="winter_clear", back_min=1080, tick_s=20.0),
    Case("12c", "sensor", "cover left off for two days of frost", "simulator",
         "no fault of probe or mat", ("lid_open@1+2/48",), 70.0, (), COLD | DRY, tick_s=20.0,
         start="2026-02-10T12:00", weather="frost"),
    Case("39b", "power", "power back every ten minutes, for an hour", "simulator",
         "heat goes on in between", tuple(f"power_cut@1+{1 + i / 6:.4f}/0.0833" for i in range(6)),
         back_min=120),
    Case("41c", "clock", "over 19 January 2038, 03:14:08", "clock", "nothing happens",
         hours=10.0, start="2038-01-18T22:00", back_min=0),
)  # fmt: skip
