"""Results out to CSV and in again: round trips, all or nothing, and what learning makes of them."""

import io
from datetime import date
from pathlib import Path

import pytest

from config.load import loads
from config.recipes import recipe_for
from controller.batch_faces import basis
from controller.gather import CaseBook, review_batch
from controller.histories import HistoryBook
from controller.journal.batches import BatchBook
from controller.journal.reader import open_reader
from controller.journal.writer import Journal
from controller.notebook import NotebookError
from controller.past_results import BroughtIn, import_results, write_results
from controller.review.compare import compare
from controller.review.outlook import calibration
from sensors.clock import Now

T0, DAY = 1_772_409_600, 86400
NOW_S = T0 + 60.0 * DAY
TODAY = date(2026, 5, 1)
BENCH = """
site = { name = "Alder Lane", timezone = "Europe/Dublin", latitude_deg = 53.3, longitude_deg = -6.5 }
links.board = { kind = "memory" }
[benches.north.bays.left]
probes = [{ link = "board", channel = "base1", kind = "base_temperature" }]
mat = { link = "board", channel = "mat1", power_w = 90 }
"""  # noqa: E501
SITE = loads(BENCH, "bench.toml")
HEAD = "plant,kind,stuck_on,cuttings,closed_on,rooted,half_rooted_on,not_yet_on,hormone,trays"


def new_journal(path: Path) -> Path:
    with Journal.open(path, site=SITE, durable=False) as made:
        made.begin_run(Now(float(T0), 0.0), version="1", site_text=BENCH, boot_id="a")
    return path


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return new_journal(tmp_path / "bench.db")


def bring(path: Path, text: str, **more: object) -> BroughtIn:
    return import_results(path, SITE, text.encode(), "ann", TODAY, **more)  # type: ignore[arg-type]


def results(path: Path) -> str:
    out = io.StringIO()
    write_results(path, out, SITE.site.zone, 0.0, 1e12)
    return out.getvalue()


def real_batches(path: Path) -> None:
    """Two closed batches as Warmfoot keeps them, one open, and one merged away."""
    with Journal.open(path, site=SITE, durable=False) as journal:
        book = BatchBook(journal, SITE, lambda: NOW_S)
        for plant, rooted in (("=HYPERLINK(1)", 30), ("Weigela", 4)):
            made = book.stick(
                plant, "softwood", "north", "left", 40, T0 + 100.0, trays="-A1",
                recipe=recipe_for("softwood", plant),
                details={"hormone": "+talc", "length_mm": "70", "who": 'Ann "x", B'},
            )  # fmt: skip
            for day, found in ((9, 0), (16, rooted // 5)):
                values = {"tested": "6", "rooted": str(found)}
                book.enter(made.number, "tested", values, T0 + day * DAY + 9.0, "ann")
            book.enter(made.number, "lost", {"lost": "2", "cause": "pest"}, T0 + 17.0 * DAY, "ann")
            book.close(
                made.number, T0 + 25.0 * DAY, rooted=rooted, callused=1, lost={"rotted": 3},
                lesson="less mist,\nmore air", by="ann",
            )  # fmt: skip
        for _ in range(2):
            recipe = recipe_for("softwood", "Fuchsia")
            last = book.stick("Fuchsia", "softwood", "north", "left", 10, T0 + 1.0, recipe=recipe)
        book.merge(last.number - 1, last.number, T0 + 2.0 * DAY, "ann")


def test_results_go_out_and_in_again_unchanged(path: Path, tmp_path: Path) -> None:
    real_batches(path)
    text = results(path)
    assert text.count("\r\n") == 3  # headings and two; what has no result of its own stays out
    assert "'=HYPERLINK(1)" in text
    assert "\n=" not in text
    other = new_journal(tmp_path / "other.db")
    done = bring(other, text)
    assert len(done.numbers) == 2
    assert results(other) == text
    with open_reader(path) as old, open_reader(other) as new:
        ours = HistoryBook(old, NOW_S).every()[:2]
        theirs = HistoryBook(new, NOW_S).every()
        assert [b.batch.plant for b in theirs] == ["=HYPERLINK(1)", "Weigela"]
        for one, two in zip(ours, theirs, strict=True):
            assert (two.rooted, two.batch.cuttings) == (one.rooted, one.batch.cuttings)
            assert two.batch.details == one.batch.details
            ranges = [h.rooting() for h in (one, two)]
            if ranges[0] is None:
                assert ranges[1] is None
                continue
            for a, b in zip(*ranges, strict=True):
                assert abs(a - b) < DAY  # days, not minutes, are kept


def test_what_is_there_already_is_left_as_it_is(path: Path) -> None:
    real_batches(path)
    text = results(path)
    done = bring(path, text)
    assert done.numbers == ()
    assert [number for _, number in done.there] == [1, 2]
    row = "Hebe,semi_ripe,2019-09-01,100,2019-10-05,84,,,,A1"
    assert len(bring(path, f"{HEAD}\n{row}\n{row.replace('A1', 'A2')}").numbers) == 2
    again = bring(path, f"{HEAD}\n{row}\n{row.replace('A1', 'A3')}")
    assert (len(again.numbers), len(again.there)) == (1, 1)


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        (["Hebe,semi_ripe,2019-09-01,100,2019-10-05,85,,,,A1"],
         "line 2: batch 1 of the journal is the same batch with another rooted"),
        (["hebe,semi_ripe,2019-09-01,100,2019-10-05,84,2019-10-01,,,a1"],
         "with another half_rooted_on"),
        (["Salvia,softwood,2019-09-01,9,2019-10-05,1,,,,"] * 2,
         "line 3: the same batch as line 2; if there were two, tell them apart by their trays"),
        (["Salvia,softwood,2019-09-01,9,2019-10-05,1,,,,", "Salvia,softwood,x,9,2019-10-05,1,,,,"],
         "line 3: stuck_on: 'x'"),
    ],
)  # fmt: skip
def test_doubles_and_bad_rows_are_refused_and_nothing_is_taken(
    path: Path, rows: list[str], said: str
) -> None:
    bring(path, f"{HEAD}\nHebe,semi_ripe,2019-09-01,100,2019-10-05,84,,,,A1")
    before = results(path)
    good = "Iris,softwood,2018-09-01,9,2018-10-05,1,,,,"
    with pytest.raises(NotebookError) as caught:
        bring(path, "\n".join([HEAD, *rows, good]))
    assert any(said in problem for problem in caught.value.problems), caught.value.problems
    assert results(path) == before


def test_a_failure_half_way_leaves_the_journal_as_it_was(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from controller.journal import past

    calls = []

    def failing(*args: object) -> int:
        calls.append(args)
        if len(calls) == 2:
            raise RuntimeError("power cut")
        return insert(*args)  # type: ignore[arg-type]

    insert = past.insert_entry
    monkeypatch.setattr(past, "insert_entry", failing)
    rows = [f"Hebe,semi_ripe,{year}-09-01,100,{year}-10-05,84,,,," for year in (2018, 2019, 2020)]
    with pytest.raises(RuntimeError):
        bring(path, "\n".join([HEAD, *rows]))
    with open_reader(path) as reader:
        assert reader.batches() == []


def test_a_dry_run_shows_what_would_be_taken_and_takes_nothing(path: Path) -> None:
    row = "Hebe,semi_ripe,2019-09-01,100,2019-10-05,84,,,,"
    done = bring(path, f"{HEAD}\n{row}", dry_run=True)
    assert [one.cells["plant"] for one in done.rows] == ["Hebe"]
    assert done.numbers == ()
    with open_reader(path) as reader:
        assert reader.batches() == []


def notebook(path: Path, *, dated: bool = True) -> None:
    """Five good batches of Hebe with half rooted on day 21 to 25, and one failure."""
    rows = []
    for year in range(2019, 2024):
        seen = f"{year}-09-{20 + year % 5 + 2},{year}-09-18" if dated else ","
        hormone = "talc" if year % 2 else "none"
        rows.append(f"Hebe,semi_ripe,{year}-09-01,100,{year}-10-05,84,{seen},{hormone},")
    rows.append("Hebe,semi_ripe,2024-09-01,100,2024-10-05,9,,,none,")
    bring(path, "\n".join([HEAD, *rows]))


def stick_hebe(path: Path) -> int:
    with Journal.open(path, site=SITE, durable=False) as journal:
        recipe = recipe_for("semi_ripe", "Hebe")
        book = BatchBook(journal, SITE, lambda: NOW_S)
        return book.stick("Hebe", "semi_ripe", "north", "left", 40, T0 + 58.0 * DAY,
                          recipe=recipe).number  # fmt: skip


def test_an_outlook_from_a_notebook_counts_days_and_says_so(path: Path) -> None:
    notebook(path)
    number = stick_hebe(path)
    with open_reader(path) as reader:
        due = HistoryBook(reader, NOW_S).outlook(number)
        assert due is not None
        assert due.own
        assert (due.likes.rooted, due.likes.noted, due.likes.failed) == (5, 5, 1)
        assert due.likes.pace is None
        assert "5 from your notebook, by days alone" in basis(due)
        days = [(at_s - (T0 + 58.0 * DAY)) / DAY for at_s in (due.from_s, due.to_s)]
        assert 16.5 <= days[0] < days[1] <= 25.5
        assert sum(one.judged for one in calibration(HistoryBook(reader, NOW_S).every())) == 0


def test_a_closing_alone_does_not_say_when_they_rooted(path: Path) -> None:
    notebook(path, dated=False)
    number = stick_hebe(path)
    with open_reader(path) as reader:
        due = HistoryBook(reader, NOW_S).outlook(number)
        assert due is not None
        assert not due.own
        assert (due.likes.rooted, due.likes.failed) == (0, 1)


def test_compare_counts_their_cuttings_and_knows_no_climate(path: Path) -> None:
    notebook(path)
    with open_reader(path) as reader:
        found = HistoryBook(reader, NOW_S).every()
    (one,) = compare(found, "hormone", SITE.site.zone)
    groups = {group.value: group for group in one.groups}
    assert (groups["talc"].rooted, groups["talc"].cuttings) == (252, 300)
    assert (groups["none"].rooted, groups["none"].cuttings) == (177, 300)
    for group in groups.values():
        assert (group.base_c, group.warmth_kh_day, group.cold_h) == (None, None, None)
        assert group.curve == ()
    assert compare(found, "bay", SITE.site.zone) == []  # no bay was noted


def test_no_climate_is_blamed_for_what_nobody_measured(path: Path) -> None:
    notebook(path)
    with open_reader(path) as reader:
        verdict = CaseBook(reader, SITE, NOW_S).explain(6)
        assert verdict.answer == "not enough data"
        assert verdict.causes == ()
        batch = reader.batches()[5]
        assert batch.from_notebook
        summary = review_batch(reader, SITE, batch, NOW_S)
    assert summary.warmth.covered_s == 0
    assert summary.heat.cost is None
