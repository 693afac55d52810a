"""Every act on a batch by the one door that commands and pages share."""

from pathlib import Path

import pytest

from config.errors import UnknownRecipe
from config.load import loads
from controller.batch_acts import BatchActs
from controller.entries import effective, evidence
from controller.journal.errors import BatchError
from controller.journal.reader import open_reader
from controller.journal.writer import Journal
from controller.records import Batch, Entry

T0, DAY = 1_772_445_600.0, 86400.0
SITE = """
site = { name = "Alder Lane", timezone = "Europe/Dublin", latitude_deg = 53.3, longitude_deg = -6.5 }
links.board = { kind = "memory" }
[benches.north.bays.left]
probes = [{ link = "board", channel = "base1", kind = "base_temperature" }]
mat = { link = "board", channel = "mat1", power_w = 120 }
[benches.north.bays.right]
probes = [{ link = "board", channel = "base2", kind = "base_temperature" }]
mat = { link = "board", channel = "mat2", power_w = 120 }
"""  # noqa: E501


@pytest.fixture
def path(tmp_path: Path) -> Path:
    made = tmp_path / "bench.db"
    Journal.open(made).close()
    return made


@pytest.fixture
def acts(path: Path) -> BatchActs:
    site = loads(SITE, "bench.toml")
    return BatchActs(path, site, "Ann", clock=lambda: T0 + 40 * DAY, durable=False)


def kept(path: Path, number: int) -> tuple[Batch, list[Entry]]:
    with open_reader(path) as reader:
        batch = next(one for one in reader.batches() if one.number == number)
        return batch, effective(reader.entries(number))


def test_a_life_from_sticking_to_sale(acts: BatchActs, path: Path) -> None:
    made, recipe = acts.stick(
        "Buxus", "semi_ripe", "north", "left", 100, at_s=T0, trays="A1", details={"mix": "bark"}
    )
    assert recipe.kind == "semi_ripe"
    one = made.number
    acts.look(one, wilted=False, at_s=T0 + DAY, note="turgid at dawn")
    acts.spray(one, at_s=T0 + DAY)
    acts.lose(one, 4, "dried", at_s=T0 + 2 * DAY)
    acts.test(one, 10, 2, 5, wilted=False, at_s=T0 + 20 * DAY)
    acts.wean(one, "callus", at_s=T0 + 20 * DAY)
    acts.move(one, "north", "right", trays="B1", at_s=T0 + 21 * DAY)
    part = acts.split(one, 30, "north", "left", at_s=T0 + 22 * DAY)
    merged = acts.merge(one, part.number, at_s=T0 + 23 * DAY)
    assert (part.cuttings, merged.cuttings, merged.trays) == (30, 100, "B1")
    acts.pot(one, 50, at_s=T0 + 30 * DAY)
    acts.pot(one, 30, at_s=T0 + 31 * DAY)
    closed = acts.close(one, rooted=80, callused=6, lost={"rotted": 5}, lesson="shade sooner")
    assert closed.unaccounted == 5
    acts.sell(one, 78)
    batch, entries = kept(path, one)
    assert batch.closed_s == T0 + 40 * DAY
    assert [(e.kind, e.values) for e in entries] == [
        ("looked", {"wilted": "no"}),
        ("sprayed", {}),
        ("lost", {"lost": "4", "cause": "dried"}),
        ("tested", {"tested": "10", "rooted": "2", "callused": "5", "wilted": "no"}),
        ("weaned", {"phase": "callus"}),
        ("moved", {"from": "north.left", "to": "north.right", "trays": "B1"}),
        ("moved", {"count": "30", "split_to": "2"}),
        ("merged", {"from": "2", "count": "30"}),
        ("potted", {"potted": "50"}),
        ("potted", {"potted": "30"}),
        ("closed", {"rooted": "80", "callused": "6", "lost_rotted": "5"}),
        ("saleable", {"saleable": "78"}),
    ]
    assert {entry.by for entry in entries} == {"Ann"}


def test_what_is_not_said_to_be_otherwise_happens_now(acts: BatchActs, path: Path) -> None:
    one = acts.stick("Buxus", "semi_ripe", "north", "left", 10)[0].number
    acts.lose(one, 1)
    batch, (entry,) = kept(path, one)
    assert (batch.stuck_s, entry.at_s, entry.values["cause"]) == (
        T0 + 40 * DAY, T0 + 40 * DAY, "unknown",
    )  # fmt: skip


def test_a_correction_keeps_the_time_unless_another_is_given(acts: BatchActs, path: Path) -> None:
    one = acts.stick("Buxus", "semi_ripe", "north", "left", 10, at_s=T0)[0].number
    wrong = acts.lose(one, 9, "pest", at_s=T0 + DAY)
    acts.correct(one, wrong.number, {"lost": "1", "cause": "dried"}, note="misread")
    (entry,) = kept(path, one)[1]
    assert (entry.at_s, entry.values["lost"]) == (T0 + DAY, "1")
    acts.correct(one, wrong.number, {"lost": "1", "cause": "dried"}, at_s=T0 + 2 * DAY)
    assert kept(path, one)[1][0].at_s == T0 + 2 * DAY
    acts.correct(one, wrong.number, {})
    assert kept(path, one)[1] == []


def test_refusals_are_for_growers_and_change_nothing(acts: BatchActs, path: Path) -> None:
    one = acts.stick("Buxus", "semi_ripe", "north", "left", 10)[0].number
    before = kept(path, one)
    with pytest.raises(UnknownRecipe, match="did you mean softwood"):
        acts.stick("Buxus", "softwod", "north", "left", 10)
    for act, words in (
        (lambda: acts.test(one, 11, 0), "11 tested is more than the 10 left"),
        (lambda: acts.test(one, 5, -1), "rooted -1"),
        (lambda: acts.lose(one, 2, "rot"), "no cause of loss 'rot'"),
        (lambda: acts.pot(one, 11), "11 potted is more"),
        (lambda: acts.wean(one, "weaning"), "did you mean wean"),
        (lambda: acts.correct(one, 77, {}), "no entry 77"),
        (lambda: acts.merge(one, one), "into itself"),
        (lambda: acts.look(9), "no batch 9"),
    ):
        with pytest.raises(BatchError, match=words):
            act()
    assert kept(path, one) == before


def test_answers_are_added_by_the_same_door(path: Path, acts: BatchActs) -> None:
    batch, _ = acts.stick(
        "Buxus", "semi_ripe", "north", "left", 40, at_s=T0, details={"nodes": "3"}
    )
    acts.check(batch.number, {"nodes": "unknown", "flowering": "Y"}, at_s=T0 + DAY)
    with open_reader(path) as reader:
        assert evidence(batch, effective(reader.entries(batch.number))) == {"flowering": "yes"}
    with pytest.raises(BatchError, match="checked what"):
        acts.check(batch.number, {})
