"""What every board promises: the simulated one, and the firmware under a real MicroPython."""

import json
from collections.abc import Iterator
from typing import Any, Protocol

import pytest

from sensors.lines import decode, encode
from simulator.board import MAT_LONGEST_S, MIST_LONGEST_S, SimBoard

Said = list[tuple[float, str, dict[str, str]]]


class BoardEnd(Protocol):
    """A board with probes base1, air and rh, and relays mat1 and mist; base1 can be unplugged."""

    def receive(self, line: str) -> None: ...

    def advance(self, dt_s: float) -> dict[str, float]:
        """Let time pass; seconds that each relay was closed in it."""
        ...

    def lines(self) -> list[str]: ...

    def closed(self, channel: str) -> bool: ...

    def power_up(self) -> None: ...

    def unplug_base1(self) -> None: ...


class SimEnd:
    def __init__(self) -> None:
        self._base: str | None = "20.1250"
        probes = {"base1": lambda: self._base, "air": lambda: "25.00", "rh": lambda: "40.00"}
        relays = {"mat1": MAT_LONGEST_S, "mist": MIST_LONGEST_S}
        self._board = SimBoard(probes, relays, name="north")
        self.receive = self._board.receive
        self.lines = self._board.lines
        self.closed = self._board.relay_on
        self.power_up = self._board.power_up

    def advance(self, dt_s: float) -> dict[str, float]:
        return dict(self._board.advance(dt_s))

    def unplug_base1(self) -> None:
        self._base = None


class MicroEnd:
    def __init__(self, micropython: Any) -> None:
        self._run = micropython.run
        self._run("OneWire.pins[2] = [BASE1]; SoftI2C.devices[0x44] = AIR")
        self.power_up()

    def receive(self, line: str) -> None:
        self._run(f"hear({line.encode()!r})")

    def advance(self, dt_s: float) -> dict[str, float]:
        on_ms = json.loads(self._run(f"advance({round(dt_s * 1000)})"))
        return {name: ms / 1000 for name, ms in on_ms.items()}

    def lines(self) -> list[str]:
        return str(self._run("spoken()")).splitlines(keepends=True)

    def closed(self, channel: str) -> bool:
        return str(self._run(f"print(closed({channel!r}))")).strip() == "True"

    def power_up(self) -> None:
        self._run("power_up(SETTINGS)")

    def unplug_base1(self) -> None:
        self._run("BASE1.here = False")


@pytest.fixture(params=["simulated", "micropython"])
def board(request: pytest.FixtureRequest) -> Iterator[BoardEnd]:
    if request.param == "simulated":
        yield SimEnd()
    else:
        yield MicroEnd(request.getfixturevalue("micropython"))


def hear(board: BoardEnd, span_s: int) -> Said:
    """What it says in the next seconds, each with the second at which it came."""
    said: Said = []
    for second in range(1, span_s + 1):
        board.advance(1.0)
        for line in board.lines():
            word, _, fields = decode(line)
            said.append((second, word, fields))
    return said


def order(board: BoardEnd, seq: int = 1, **leases: float) -> None:
    board.receive(encode("order", seq, {key: str(value) for key, value in leases.items()}))


def test_it_says_hello_and_that_all_is_off_then_what_it_measures(board: BoardEnd) -> None:
    said = hear(board, 2)
    assert [word for _, word, _ in said] == ["hello", "relay", "probe"]
    hello, relays, probes = (fields for _, _, fields in said)
    assert hello["id"] == "north"
    assert hello["ch"] == "base1,air,rh,mat1,mist"
    assert relays == {"mat1": "0/0", "mist": "0/0"}
    assert probes == {"base1": "20.1250", "air": "25.00", "rh": "40.00"}


def test_sequence_counts_every_line(board: BoardEnd) -> None:
    seqs = []
    for _ in range(35):
        board.advance(1.0)
        seqs += [decode(line)[1] for line in board.lines()]
    assert seqs == list(range(len(seqs)))
    assert len(seqs) >= 6


def test_probes_are_read_every_ten_seconds(board: BoardEnd) -> None:
    hear(board, 5)
    assert sum(word == "probe" for _, word, _ in hear(board, 120)) == 12


def test_a_silent_probe_is_left_out(board: BoardEnd) -> None:
    board.unplug_base1()
    (fields,) = [fields for _, word, fields in hear(board, 5) if word == "probe"]
    assert fields == {"air": "25.00", "rh": "40.00"}


def test_order_closes_a_relay_for_its_lease_and_no_longer(board: BoardEnd) -> None:
    order(board, mat1=25)
    assert board.closed("mat1")
    assert not board.closed("mist")
    spans = [board.advance(10.0) for _ in range(4)]
    assert [span["mat1"] for span in spans] == pytest.approx([10, 10, 5, 0], abs=0.11)
    assert sum(span["mist"] for span in spans) == 0
    assert not board.closed("mat1")


def test_part_of_a_second_is_a_lease_too(board: BoardEnd) -> None:
    order(board, mist=2.5)
    assert board.advance(10.0)["mist"] == pytest.approx(2.5, abs=0.11)


def test_renewed_order_keeps_it_closed_and_zero_opens_at_once(board: BoardEnd) -> None:
    for seq in range(30):
        order(board, seq, mat1=30)
        assert board.advance(10.0)["mat1"] == pytest.approx(10.0)
    order(board, 31, mat1=0)
    assert not board.closed("mat1")
    assert board.advance(10.0)["mat1"] == 0


@pytest.mark.parametrize(("channel", "most_s"), [("mat1", 120), ("mist", 60)])
def test_no_order_lasts_longer_than_the_boards_own_bound(
    board: BoardEnd, channel: str, most_s: float
) -> None:
    order(board, **{channel: 999_999_999})
    on_s = sum(board.advance(10.0)[channel] for _ in range(20))
    assert on_s == pytest.approx(most_s, abs=0.11)


def test_relays_are_told_on_change_and_every_minute(board: BoardEnd) -> None:
    hear(board, 1)
    order(board, mat1=12)
    told = [(at, fields) for at, word, fields in hear(board, 75) if word == "relay"]
    ((first_s, closed), (then_s, opened), (last_s, again)) = told
    assert first_s == 1
    assert closed in ({"mat1": "1/12", "mist": "0/0"}, {"mat1": "1/11", "mist": "0/0"})
    assert 12 <= then_s <= 13
    assert opened == again == {"mat1": "0/0", "mist": "0/0"}
    assert last_s == pytest.approx(then_s + 60, abs=1)


@pytest.mark.parametrize(
    ("line", "of", "why"),
    [
        ("order 1 mat1=30 *00\n", "0", "line"),
        ("garbage\n", "0", "line"),
        (encode("order", 3, {"pump": "5"}), "3", "channel"),
        (encode("order", 3, {"mat1": "nan"}), "3", "lease"),
        (encode("order", 3, {"mat1": "-5"}), "3", "lease"),
        (encode("order", 3, {"mat1": "1e3"}), "3", "lease"),
        (encode("probe", 3, {"base1": "5"}), "3", "word"),
        (encode("order", 3, {"mat1": "30", "pump": "5"}), "3", "channel"),
    ],
)
def test_a_line_with_anything_wrong_switches_nothing_and_is_answered(
    board: BoardEnd, line: str, of: str, why: str
) -> None:
    board.receive(line)
    assert not board.closed("mat1")
    naks = [fields for _, word, fields in hear(board, 2) if word == "nak"]
    assert naks == [{"of": of, "why": why}]


def test_power_up_drops_relays_and_begins_anew(board: BoardEnd) -> None:
    order(board, mat1=60)
    hear(board, 30)
    assert board.closed("mat1")
    board.power_up()
    assert not board.closed("mat1")
    board.advance(0.5)
    word, seq, fields = decode(board.lines()[0])
    assert (word, seq, fields["up"]) == ("hello", 0, "0")
