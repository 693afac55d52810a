"""The simulated board speaks the line format and lets no relay outlive its lease."""

import pytest

from sensors.lines import decode, encode
from simulator.board import MIST_LONGEST_S, SimBoard


@pytest.fixture
def board():
    probes = {"base1": lambda: "20.1250", "air": lambda: "14.31", "gone": lambda: None}
    return SimBoard(probes, {"mat1": 120.0, "mist": MIST_LONGEST_S})


def said(board, word):
    return [fields for w, _, fields in map(decode, board.lines()) if w == word]


def order(board, seq=1, **leases):
    board.receive(encode("order", seq, {key: str(value) for key, value in leases.items()}))


def test_all_relays_are_off_at_power_up_and_it_says_hello(board):
    words = [decode(line) for line in board.lines()]
    assert [word for word, _, _ in words] == ["hello", "relay", "probe"]
    assert words[0][2]["ch"] == "base1,air,gone,mat1,mist"
    assert words[1][2] == {"mat1": "0/0", "mist": "0/0"}


def test_silent_probe_is_left_out_of_the_line(board):
    assert said(board, "probe") == [{"base1": "20.1250", "air": "14.31"}]


def test_probe_lines_come_once_per_report_interval(board):
    board.lines()
    count = 0
    for _ in range(60):
        board.advance(2.0)
        count += len(said(board, "probe"))
    assert count == 12


def test_order_closes_the_relay_for_its_lease_and_no_longer(board):
    order(board, mat1=25)
    on_s = [board.advance(10.0)["mat1"] for _ in range(4)]
    assert on_s == [10.0, 10.0, 5.0, 0.0]
    assert not board.relay_on("mat1")


def test_renewed_order_keeps_it_on_and_zero_drops_it_at_once(board):
    for seq in range(5):
        order(board, seq, mat1=30)
        assert board.advance(10.0)["mat1"] == 10.0
    order(board, 6, mat1=0)
    assert board.advance(10.0)["mat1"] == 0.0


def test_lease_beyond_the_boards_longest_is_cut(board):
    order(board, mist=3600)
    assert sum(board.advance(10.0)["mist"] for _ in range(30)) == MIST_LONGEST_S


def test_each_channel_is_read_at_its_own_interval_and_those_due_together_share_a_line():
    probes = {name: lambda: "20.0" for name in ("base1", "air", "rh", "house")}
    board = SimBoard(probes, {}, every_s={"base1": 20.0, "air": 20.0, "house": 60.0})
    lines = []
    for at_s in range(0, 70, 10):
        lines.append([(at_s, set(fields)) for fields in said(board, "probe")])
        board.advance(10.0)
    assert lines == [
        [(0, {"base1", "air", "rh", "house"})],
        [(10, {"rh"})],
        [(20, {"base1", "air", "rh"})],
        [(30, {"rh"})],
        [(40, {"base1", "air", "rh"})],
        [(50, {"rh"})],
        [(60, {"base1", "air", "rh", "house"})],
    ]


def test_relay_line_comes_on_change_and_every_minute(board):
    board.lines()
    order(board, mat1=12)
    assert said(board, "relay") == [{"mat1": "1/12", "mist": "0/0"}]
    board.advance(10.0)
    assert said(board, "relay") == []
    board.advance(10.0)
    assert said(board, "relay") == [{"mat1": "0/0", "mist": "0/0"}]
    for _ in range(5):
        board.advance(10.0)
        assert said(board, "relay") == []
    board.advance(10.0)
    assert len(said(board, "relay")) == 1


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("order 1 mat1=30 *00\n", "line"),
        ("garbage\n", "line"),
        (encode("order", 3, {"pump": "5"}), "channel"),
        (encode("order", 3, {"mat1": "nan"}), "lease"),
        (encode("order", 3, {"mat1": "-5"}), "lease"),
        (encode("probe", 3, {"base1": "5"}), "word"),
    ],
)
def test_bad_line_switches_nothing_and_is_answered(board, line, why):
    board.receive(line)
    assert [nak["why"] for nak in said(board, "nak")] == [why]
    assert board.advance(10.0) == {"mat1": 0.0, "mist": 0.0}


def test_order_with_one_bad_part_switches_nothing(board):
    order(board, mat1=30, pump=5)
    assert not board.relay_on("mat1")


def test_power_up_drops_relays_and_begins_anew(board):
    order(board, mat1=60)
    board.advance(30.0)
    board.lines()
    board.power_up()
    assert not board.relay_on("mat1")
    assert decode(board.lines()[0])[:2] == ("hello", 0)


def test_many_channels_are_shared_out_over_lines_that_fit():
    probes = {f"bay{n:02d}_base_probe": lambda: "-20.1250" for n in range(30)}
    board = SimBoard(probes, {f"mat{n}": 60.0 for n in range(6)})
    lines = board.lines()
    assert all(len(line) <= 200 for line in lines)
    heard = {}
    for line in lines:
        word, _, fields = decode(line)
        if word == "probe":
            heard.update(fields)
    assert set(heard) == set(probes)
