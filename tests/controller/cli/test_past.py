"""import, and what export gives of batches, as a person types them."""

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

Ask = Callable[..., Result]
TEXT = """Plant;Kind;Stuck on;Cuttings;Closed on;Rooted;Half rooted on
Hebe;semi ripe;01.09.2019;100;05.10.2019;84;26.09.2019
Hebe;semi ripe;02.09.2020;60;05.10.2020;12;
"""


@pytest.fixture
def book(tmp_path: Path) -> Path:
    path = tmp_path / "notebook.csv"
    path.write_text(TEXT, encoding="utf-8-sig")
    return path


def test_a_notebook_is_shown_first_and_then_brought_in(ask: Ask, book: Path) -> None:
    said = ask("import", str(book), "--dry-run")
    assert said.exit_code == 0, said.output
    assert "2 batches would be taken; nothing was changed" in said.output
    assert "Hebe" not in ask("batch", "list", "--all").output
    assert "2 batches brought in" in ask("import", str(book)).output
    assert "Notebook.unknown" in ask("batch", "list", "--all").output
    said = json.loads(ask("import", str(book), "--json").output)
    assert (said["taken"], len(said["there_already"])) == ([], 2)
    # They are closed: nothing of them stands on a bench.
    assert "Hebe" not in ask("batch", "list").output


def test_review_and_report_say_that_nothing_of_its_climate_is_known(
    ask: Ask, book: Path, tmp_path: Path
) -> None:
    ask("import", str(book))
    said = ask("review")
    assert said.exit_code == 0, said.output
    assert "from your notebook: nothing of its climate is on record" in said.output
    number = max(
        one["number"] for one in json.loads(ask("batch", "list", "--all", "--json").output)
    )
    review = ask("review", str(number)).output
    assert "degree-hours" not in review
    assert "rooted 12 of 60" in review
    to = tmp_path / "b.html"
    assert ask("report", str(number), "--to", str(to)).exit_code == 0
    page = to.read_text(encoding="utf-8")
    assert "From the grower's notebook" in page
    assert "<figure" not in page
    assert "kWh" not in page


def test_what_is_wrong_is_told_by_line_and_nothing_taken(ask: Ask, book: Path) -> None:
    book.write_text(TEXT.replace("84", "840").replace("02.09.2020", "2.9.20"), encoding="utf-8")
    said = ask("import", str(book))
    assert said.exit_code == 5
    assert "2 things to put right; nothing was taken" in said.output
    assert "line 2: 840 rooted" in said.output
    assert "line 3: stuck_on: '2.9.20' is not a date" in said.output
    assert "Hebe" not in ask("batch", "list", "--all").output
    said = ask("import", "nowhere.csv")
    assert said.exit_code == 5
    assert "can't be read" in said.output


def test_export_of_one_batch_gives_what_is_of_it_alone(ask: Ask) -> None:
    made = ask("batch", "stick", "Hebe", "--kind", "semi_ripe", "--bay", "north", "--count", "9",
               "--stuck", "2026-03-03T20:00", "--json")  # fmt: skip
    number = str(json.loads(made.output)["number"])
    closed = ask("batch", "close", number, "--rooted", "4", "--at", "2026-03-03T21:00")
    assert closed.exit_code == 0, closed.output
    rows = list(csv.DictReader(io.StringIO(ask("export", "minutes", "--batch", number).output)))
    assert {row["utc"][:13] for row in rows} == {"2026-03-03T20"}
    assert {row["probe"].rpartition(".")[0] for row in rows} == {"north", "north.left"}
    assert len({row["utc"] for row in rows}) == 60
    rows = list(csv.DictReader(io.StringIO(ask("export", "entries", "--batch", number).output)))
    assert [(row["batch"], row["kind"]) for row in rows] == [(number, "closed")]
    rows = list(csv.DictReader(io.StringIO(ask("export", "batches", "--batch", "1").output)))
    assert [row["number"] for row in rows] == ["1"]
    rows = list(csv.DictReader(io.StringIO(ask("export", "results").output)))
    assert [(row["plant"], row["rooted"], row["stuck_on"]) for row in rows] == [
        ("Hebe", "4", "2026-03-03")
    ]
    said = ask("export", "alarms", "--batch", number)
    assert said.exit_code == 5
    assert "--batch goes with minutes" in said.output
    assert ask("export", "minutes", "--batch", "77").exit_code == 5
