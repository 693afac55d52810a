"""What goes on paper: the report of a batch, and tray labels."""

import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pypdf
import pytest
from click.testing import Result

Ask = Callable[..., Result]


class Seen(HTMLParser):
    """Tags, what they refer to, and the text of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.refers: list[str] = []
        self.headings: list[str] = []
        self.text = ""
        self._open: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.refers += [
            f"{k}={v}" for k, v in attrs if k in ("src", "href", "srcset") or k[:2] == "on"
        ]
        if tag not in ("meta", "line", "path"):
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if self._open and self._open[-1] == tag:
            self._open.pop()

    def handle_data(self, data: str) -> None:
        if self._open and self._open[-1] == "h2":
            self.headings.append(data)
        if "style" not in self._open:
            self.text += data


@pytest.fixture
def report(ask: Ask, tmp_path: Path) -> Callable[[int], Seen]:
    def write(number: int) -> Seen:
        to = tmp_path / "batch.html"
        said = ask("report", str(number), "--to", str(to))
        assert said.exit_code == 0, said.output
        text = to.read_text(encoding="utf-8")
        assert len(text) < 400_000
        assert not re.search(r"url\(|@import", text)
        return Seen(text)

    return write


def test_a_report_stands_alone_and_tells_what_was_measured(report) -> None:
    seen = report(1)
    assert "script" not in seen.tags
    assert seen.refers == []
    assert seen.headings == [
        "Result", "When it is due", "Beside batches like it", "What was stuck", "Climate",
        "What was seen and done", "Heat and water",
    ]  # fmt: skip
    assert seen.tags.count("figure") == 5
    for words in (
        "not tested yet",
        "mixnot recorded",
        "young growthunknown",
        "worked out, sunshine guessed from the height of the sun",
        "worked out from how long the mat was ordered on",
        "nothing is counted for the rest",
    ):
        assert words in seen.text


def test_a_report_agrees_with_review(ask: Ask, report) -> None:
    warmth = re.search(r"warmth ([\d,]+) degree-hours", ask("review", "1").output)
    assert warmth
    assert f"warmth {warmth[1]} degree-hours" in report(1).text


def test_a_closed_batch_shows_its_result_lesson_and_entries_in_place(ask: Ask, report) -> None:
    made = ask("batch", "stick", "Salvia <b>&\"x\"</b>", "--kind", "softwood", "--bay",
               "north.left", "--count", "50", "--stuck", "2026-03-03T08:00", "--detail",
               "mix=<script>1</script>")  # fmt: skip
    number = int(re.search(r"batch (\d+)", made.output)[1])
    for words in (
        ("enter", str(number), "tested", "tested=5", "rooted=1", "--at", "2026-03-03T20:00",
         "--note", "<img src=x onerror=alert(1)>"),
        ("close", str(number), "--rooted", "12", "--lost", "rotted=30", "--at", "2026-03-04T08:00",
         "--lesson", "less\nmist"),
    ):  # fmt: skip
        said = ask("batch", *words)
        assert said.exit_code == 0, said.output
    seen = report(number)
    assert "img" not in seen.tags
    assert "script" not in seen.tags
    assert "b>&" not in seen.tags
    for words in (
        'Salvia <b>&"x"</b>',
        "<script>1</script>",
        "rooted 12 of 50: strike rate 24 %",
        "lost 30: 30 rotted",
        "tested: tested 5, rooted 1. <img src=x onerror=alert(1)>",
        "less\nmist",
    ):
        assert words in seen.text
    assert seen.headings[-3:] == ["Why it may have failed", "Heat and water", "Lesson"]
    assert "1 tested" in seen.text  # the mark above the plots
    assert "When it is due" not in seen.headings


def test_no_such_batch_and_no_such_place_are_refused(ask: Ask, tmp_path: Path) -> None:
    said = ask("report", "77")
    assert said.exit_code == 5
    assert "no batch 77" in said.output
    said = ask("report", "1", "--to", str(tmp_path / "nowhere" / "x.html"))
    assert said.exit_code == 5
    assert "can't be written" in said.output
    assert not list(tmp_path.glob("nowhere*"))


def test_labels_are_printed_and_say_when_they_have_no_code(ask: Ask, tmp_path: Path) -> None:
    to = tmp_path / "labels.pdf"
    said = ask("labels", "1", "--copies", "2", "--start", "24", "--to", str(to))
    assert said.exit_code == 0, said.output
    assert "2 labels" in said.output
    assert "no code on it" in said.output
    assert len(pypdf.PdfReader(to).pages) == 2
    # Written anew over the old one, now with a code.
    said = ask("labels", "1", "--to", str(to), "--address", "https://bench.example/")
    assert "no code" not in said.output
    assert len(pypdf.PdfReader(to).pages) == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("77",), "no batch 77"),
        (("1", "--to", "x.png"), "ends in .pdf or .svg"),
        (("1", "--copies", "2", "--to", "x.svg"), "holds one label"),
        (("1", "--address", "bench.local"), "can't be the address"),
        (("1", "--label", "10x5", "--address", "http://bench.local"), "too fine"),
        (("1", "--start", "25"), "places 1 to 24"),
        (("1", "--rows", "9"), "the paper has 210 x 297 mm"),
    ],
)
def test_labels_that_can_not_be_made_are_refused(
    ask: Ask, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    found = ask("labels", *words)
    assert found.exit_code == 5
    assert said in found.output
    assert not list(tmp_path.glob("*.pdf")) + list(tmp_path.glob("x.*"))
