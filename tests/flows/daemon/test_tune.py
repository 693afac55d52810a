"""tune beside a real daemon: it sees the bench, is answered, and has a new file taken up."""

import pytest

from config.change import change_heat
from controller.cli import tune
from controller.cli.tune import DaemonBedside
from controller.journal.reader import open_reader
from controller.journal.writer import Journal
from controller.records import Act, ActKind

pytestmark = pytest.mark.wire


@pytest.fixture
def kept(warmfoot, board, bench_file, tmp_path, eventually):
    """The journal of a running daemon that heats."""
    warmfoot.start("run", bench_file)
    eventually(lambda: board.heating, 15.0)
    journal = tmp_path / "bench.db"

    def base_c():
        seen = DaemonBedside(journal).look()
        return seen and seen["benches"]["north"]["bays"]["left"]["base_c"]

    eventually(base_c, 15.0)
    return journal


def test_daemon_is_seen_and_answers(kept, board, eventually):
    bedside = DaemonBedside(kept)
    seen = bedside.look()
    assert seen is not None
    assert 14.9 < seen["benches"]["north"]["bays"]["left"]["base_c"] < 15.2
    off = Act(ActKind.HOLD_HEAT, "north.left", "Aoife", span_s=1200.0, value="off")
    answer = bedside.ask(off)
    assert answer is not None
    assert answer.done
    eventually(lambda: not board.heating, 10.0)
    answer = bedside.ask(Act(ActKind.RELEASE, "north.left", "Aoife"))
    assert answer is not None
    assert answer.done
    eventually(lambda: board.heating, 30.0)


def test_no_test_without_an_hour_of_records_and_nothing_is_asked(kept, warmfoot):
    said = warmfoot.run("tune", "north.left", "--yes", "--journal", kept)
    assert said.returncode == 5
    assert "the last hour of the base is not on record" in said.stderr
    assert "Traceback" not in said.stderr
    with open_reader(kept) as reader:
        assert reader.acts() == []


def test_written_settings_are_taken_up_on_reload(kept, bench_file, eventually, capsys):
    change_heat(bench_file, "north", "left", {"gain_duty_per_k": 0.91})
    tune.reload_daemon(str(kept))
    assert "to re-read its bench file" in capsys.readouterr().err

    def runs():
        with open_reader(kept) as reader:
            return reader.runs()

    eventually(lambda: len(runs()) == 2, 15.0)
    assert runs()[0].reason == "new bench file"
    with open_reader(kept) as reader:
        assert reader.site_text() == bench_file.read_text()
    assert "gain_duty_per_k = 0.91" in bench_file.read_text()


def test_reload_without_a_daemon_says_that_none_runs(tmp_path, capsys):
    journal = tmp_path / "bench.db"
    Journal.open(journal, durable=False).close()
    tune.reload_daemon(str(journal))
    assert "no warmfoot runs" in capsys.readouterr().err
