"""The wire inside the process: text in whole lines, and in whatever other pieces."""

from collections.abc import Sequence

import pytest

from sensors.lines import encode
from sensors.links.memory_link import MemoryLink

ONE = encode("probe", 1, {"base1": "20.12"})
TWO = encode("probe", 2, {"base1": "20.13"})


@pytest.fixture
def link() -> MemoryLink:
    link = MemoryLink("bench")
    link.start()
    return link


def heard(link: MemoryLink, pieces: Sequence[str | bytes]) -> list[int]:
    for piece in pieces:
        link.feed(piece, 5.0)
    return [arrival.message.seq for arrival in link.poll()]


@pytest.mark.parametrize(
    "pieces",
    [
        [ONE, TWO],
        [ONE + TWO],
        [*(ONE + TWO)],
        [ONE[:9], ONE[9:] + TWO],
        [ONE[:9], ONE[9:], TWO],
        [ONE[:-1], "\n", TWO],
        [ONE.encode(), TWO],
        [ONE[:-1] + "\r\n", TWO[:-1] + "\r", "\n"],
        ["", "\n", ONE, "\n", TWO, "\n"],
    ],
)
def test_lines_are_the_same_in_pieces_of_any_size(
    link: MemoryLink, pieces: Sequence[str | bytes]
) -> None:
    assert heard(link, pieces) == [1, 2]
    assert link.health().rejected == 0


@pytest.mark.parametrize("rubbish", ["x" * 300 + "\n", "probé\n", "\ud800\n", "probe 1 *00\n"])
def test_a_line_that_makes_no_sense_is_counted_once(link: MemoryLink, rubbish: str) -> None:
    assert heard(link, [rubbish, ONE]) == [1]
    assert link.health().rejected == 1


def test_a_line_fed_after_the_head_of_a_long_one_belongs_to_it(link: MemoryLink) -> None:
    assert heard(link, ["x" * 300, ONE, TWO]) == [2]
    assert link.health().rejected == 1
