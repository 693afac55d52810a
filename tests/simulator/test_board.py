"""What the simulated board does beyond `tests/contracts/test_boards.py`."""

from sensors.lines import decode
from simulator.board import SimBoard


def said(board, word):
    return [fields for w, _, fields in map(decode, board.lines()) if w == word]


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
