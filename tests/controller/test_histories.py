"""The book of histories: sampled from a journal, beside the whole record."""

from pathlib import Path

import pytest

from config.load import loads
from config.recipes import recipe_for
from controller.gather import review_batch
from controller.histories import HistoryBook
from controller.journal.batches import BatchBook
from controller.journal.reader import open_reader
from controller.journal.upkeep import thin
from controller.journal.writer import Journal
from controller.records import MinuteRow
from sensors.clock import Now

T0, DAY = 1_772_409_600, 86400
BENCH = """
site = { name = "Alder Lane", timezone = "Europe/Dublin", latitude_deg = 53.3, longitude_deg = -6.5 }
links.board = { kind = "memory" }
[benches.north.bays.left]
probes = [{ link = "board", channel = "base1", kind = "base_temperature" }]
mat = { link = "board", channel = "mat1", power_w = 90 }
[benches.north.bays.right]
probes = [{ link = "board", channel = "base2", kind = "base_temperature" }]
mat = { link = "board", channel = "mat2", power_w = 90 }
"""  # noqa: E501


def base_c(t_s: int, bay: str) -> float:
    """A base that swings through the day; the right bay is colder."""
    return 20.0 + 3.0 * ((t_s - T0) % DAY / DAY) - (4.0 if bay == "right" else 0.0)


@pytest.fixture
def site():
    return loads(BENCH, "bench.toml")


@pytest.fixture
def journal(tmp_path: Path, site):
    """Ten days of minutes in both bays."""
    path = tmp_path / "bench.db"
    with Journal.open(path, site=site, durable=False) as made:
        made.begin_run(Now(float(T0), 0.0), version="1", site_text=BENCH, boot_id="a")
        for day in range(10):
            made.write([
                MinuteRow(t, f"north.{bay}.base{n}", base_c(t, bay), 0.0, 50.0, 6, 1)
                for t in range(T0 + day * DAY, T0 + (day + 1) * DAY, 60)
                for n, bay in ((1, "left"), (2, "right"))
            ])  # fmt: skip
        yield made


def stick(journal: Journal, site, plant: str = "Weigela", **more: object) -> int:
    book = BatchBook(journal, site, lambda: T0 + 30.0 * DAY)
    made = book.stick(
        plant, "softwood", "north", "left", 40, T0 + 30.0, recipe=recipe_for("softwood", plant)
    )  # fmt: skip
    if more:
        book.enter(made.number, "tested", {"tested": "5", "rooted": "4"}, T0 + 5.0 * DAY, "me")
    return made.number


def test_samples_give_the_warmth_of_the_whole_record(journal: Journal, site) -> None:
    number = stick(journal, site)
    now_s = T0 + 10.0 * DAY
    with open_reader(journal.path) as reader:
        whole = review_batch(reader, site, reader.batches()[0], now_s)
        got = HistoryBook(reader, now_s).get(number).got
    assert got.known_share == pytest.approx(1.0, abs=0.002)
    assert got.mean_base_c == pytest.approx(whole.mean_base_c, abs=0.02)
    assert got.warmth_kh_day == pytest.approx(whole.warmth.degree_hours / 10, rel=0.003)


def test_a_moved_batch_has_what_either_bay_gave(journal: Journal, site) -> None:
    number = stick(journal, site)
    BatchBook(journal, site, lambda: T0 + 30.0 * DAY).move(
        number, "north", "right", T0 + 3.0 * DAY, "me"
    )
    with open_reader(journal.path) as reader:
        one = HistoryBook(reader, T0 + 10.0 * DAY).get(number)
    assert one.place == "north.right"
    assert one.got.mean_base_c == pytest.approx(21.5 - 4.0 * 0.7, abs=0.05)


def test_thinned_hours_stand_in_for_their_minutes(journal: Journal, site) -> None:
    number = stick(journal, site)
    now_s = T0 + 10.0 * DAY
    with open_reader(journal.path) as reader:
        before = HistoryBook(reader, now_s).get(number).got
    thin(journal, T0 + 6.0 * DAY)
    with open_reader(journal.path) as reader:
        after = HistoryBook(reader, now_s).get(number).got
    assert after.known_share == pytest.approx(before.known_share, abs=0.01)
    assert after.pace == pytest.approx(before.pace, rel=0.01)


def test_minutes_at_the_asked_times_only(journal: Journal) -> None:
    with open_reader(journal.path) as reader:
        found = reader.samples(["north.left.base1", "nobody"], T0 + 1, T0 + 3600, 900)
    t_s, mean_milli, n = found["north.left.base1"]
    assert t_s.tolist() == [T0 + 900, T0 + 1800, T0 + 2700]
    assert mean_milli.tolist() == [round(base_c(t, "left") * 1000) for t in t_s.tolist()]
    assert n.tolist() == [6, 6, 6]
    assert len(found["nobody"][0]) == 0


def test_only_like_batches_are_read(journal: Journal, site) -> None:
    mine = stick(journal, site)
    like = stick(journal, site, "WEIGELA", tested=True)
    stick(journal, site, "Fuchsia hybrids")
    with open_reader(journal.path) as reader:
        book = HistoryBook(reader, T0 + 10.0 * DAY)
        assert [one.number for one in book.like(mine)] == [like]
        due = book.outlook(mine)
        assert due is not None
        assert due.likes.rooted == 1


def test_a_closed_batch_has_no_outlook(journal: Journal, site) -> None:
    number = stick(journal, site)
    BatchBook(journal, site, lambda: T0 + 30.0 * DAY).close(
        number, T0 + 9.0 * DAY, rooted=30, by="me"
    )
    with open_reader(journal.path) as reader:
        book = HistoryBook(reader, T0 + 10.0 * DAY)
        assert book.outlook(number) is None
        assert book.get(number).rooted == 30
