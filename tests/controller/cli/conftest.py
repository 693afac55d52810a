"""A journal that a day of rehearsal left behind, and the command to ask it."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from config.load import loads
from controller.cli import main
from simulator.run import Rehearsal
from simulator.scenario import load_scenario

Ask = Callable[..., Result]


@pytest.fixture(scope="session")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The journal of a day and a half at the demo nursery; one batch was stuck."""
    text = (Path("config") / "examples" / "alder_lane.toml").read_text(encoding="utf-8")
    path = tmp_path_factory.mktemp("rehearsed") / "demo.db"
    site = loads(text, "alder_lane.toml")
    with Rehearsal(
        site, load_scenario("alder_lane"), journal_path=path, days=1.6, tick_s=30, site_text=text
    ) as rehearsal:
        rehearsal.run()
    return path


@pytest.fixture
def journal(rehearsed: Path, tmp_path: Path) -> Path:
    """A copy that a test may write to."""
    path = tmp_path / "demo.db"
    for file in rehearsed.parent.glob("demo.db*"):
        shutil.copy(file, tmp_path / file.name)
    return path


@pytest.fixture
def ask(journal: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Ask:
    """Runs `warmfoot ...` on that journal; gives click's result."""
    monkeypatch.setenv("WARMFOOT_JOURNAL", str(journal))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    runner = CliRunner()

    def run(*words: str) -> Result:
        return runner.invoke(main, list(words))

    return run
