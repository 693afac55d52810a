"""The report in a real browser: nothing beyond the edge of a telephone, no text too small, A4."""

import os
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pypdf
import pytest
from click.testing import Result

Ask = Callable[..., Result]
LONG = "Wörtermitvielenbuchstaben" * 7
MEASURE = """<script>
const sizes = [...document.querySelectorAll("text, li, td, th, p, .key")].map(
  one => parseFloat(getComputedStyle(one).fontSize));
const wide = [...document.querySelectorAll("text")].filter(
  one => one.getBoundingClientRect().right > innerWidth || one.getBoundingClientRect().left < 0);
parent.postMessage([document.documentElement.scrollWidth, innerWidth, Math.min(...sizes),
  document.querySelectorAll(".plot > svg").length, wide.length].join(" "), "*")
</script>"""
FRAME = """<script>onmessage = e => document.title = e.data</script>
<iframe width=360 height=700 style="border:0" src="inner.html"></iframe>"""


@pytest.fixture
def browse(tmp_path: Path) -> Callable[..., str]:
    """Runs the browser once, without a window; gives what it prints."""
    program = shutil.which("chromium")
    if program is None:
        why = "no chromium here; install it: apt-get install chromium"
        if os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)

    def run(*words: str) -> str:
        done = subprocess.run(
            [program, "--headless", "--no-sandbox", "--disable-gpu",
             f"--user-data-dir={tmp_path / 'profile'}", *words],
            capture_output=True, text=True, timeout=120, check=True,
        )  # fmt: skip
        return done.stdout

    return run


@pytest.fixture
def page(ask: Ask, tmp_path: Path) -> Path:
    """The report of a batch with the longest words there may be."""
    ask("batch", "stick", LONG, "--kind", "softwood", "--bay", "north.left", "--count", "50",
        "--stuck", "2026-03-03T08:00", "--detail", f"{LONG}={LONG}")  # fmt: skip
    said = ask("batch", "enter", "2", "looked", "--at", "2026-03-03T20:00", "--note", LONG)
    assert said.exit_code == 0, said.output
    to = tmp_path / "batch.html"
    assert ask("report", "2", "--to", str(to)).exit_code == 0
    return to


def test_a_report_fits_a_telephone_and_can_be_read_on_it(
    page: Path, browse: Callable[..., str], tmp_path: Path
) -> None:
    text = page.read_text(encoding="utf-8")
    (tmp_path / "inner.html").write_text(text.replace("</body>", MEASURE + "</body>"), "utf-8")
    (tmp_path / "outer.html").write_text(FRAME, "utf-8")
    seen = browse("--virtual-time-budget=5000", "--dump-dom", (tmp_path / "outer.html").as_uri())
    found = re.search(r"<title>([\d .]+)</title>", seen)
    assert found, seen[:500]
    width, inner, smallest, plots, beyond = map(float, found[1].split())
    assert width <= inner == 360
    assert smallest >= 12.0
    assert plots == 5
    assert beyond == 0


def test_a_report_prints_on_a4(page: Path, browse: Callable[..., str], tmp_path: Path) -> None:
    to = tmp_path / "batch.pdf"
    browse(f"--print-to-pdf={to}", page.as_uri())
    read = pypdf.PdfReader(to)
    assert 1 < len(read.pages) <= 5
    for sheet in read.pages:
        assert float(sheet.mediabox.width) / 72 * 25.4 == pytest.approx(210, abs=0.5)
        assert float(sheet.mediabox.height) / 72 * 25.4 == pytest.approx(297, abs=0.5)
    assert "Base and top" in "".join(sheet.extract_text() for sheet in read.pages)
