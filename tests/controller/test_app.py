"""Building a controller: taken up where it was left, refused only where it must be."""

import pytest

from config.load import ConfigError
from controller.app import boot_id, program_version
from controller.journal.errors import JournalError
from controller.journal.reader import open_reader
from controller.journal.writer import Journal


def test_run_is_recorded_with_the_bench_file_as_written(bench):
    made = bench()
    with made.controller:
        made.tick(2)
    with open_reader(made.journal) as reader:
        (run,) = reader.runs()
        assert reader.site_text() == made.text
        assert reader.site_text(run.site_hash) == made.text
    assert run.version == program_version()
    assert run.reason == "stopped"
    assert run.started_s == made.clock.now().utc_s - 20.0


def test_next_controller_takes_up_the_state_and_knows_how_long_it_was_away(bench):
    made = bench()
    with made.controller:
        made.tick(120)
        duty = made.controller.state.bays["north", "left"].duty
    assert duty > 0
    made.clock.advance(1800.0)
    with made.build():
        made.tick()
        assert made.controller.service["away_s"] == pytest.approx(1800.0, abs=1.0)
        assert ("north", "left") in made.controller.state.bays
    with open_reader(made.journal) as reader:
        assert len(reader.runs()) == 2


def test_new_journal_means_never_away(bench):
    assert bench().controller.service["away_s"] == 0.0


def test_journal_that_cannot_be_opened_is_an_error_unless_it_has_a_thread(bench, tmp_path):
    (tmp_path / "bench0.db").mkdir()
    with pytest.raises(JournalError, match="this is a folder"):
        bench()
    made = bench(threaded=True)
    with made.controller:
        made.tick(3)
        assert float(made.orders[-1]["mat1"]) > 0


def test_journal_that_fails_just_as_the_run_begins_does_not_stop_control(bench, monkeypatch):
    whole = Journal.write
    failed = []

    def full_once(self, rows):
        if not failed:
            failed.append(rows)
            raise JournalError("the disk is full", "full")
        whole(self, rows)

    monkeypatch.setattr(Journal, "write", full_once)
    made = bench(threaded=True)
    with made.controller:
        made.tick(10)
        assert float(made.orders[-1]["mat1"]) > 0
    assert failed
    with open_reader(made.journal) as reader:
        assert [run.reason for run in reader.runs()] == ["stopped"]
        assert len(reader.minutes(["north.left.base1"], 0, 4e9)["north.left.base1"].t_s) >= 1


@pytest.mark.parametrize("question", ["last_state", "open_batches"])
def test_journal_that_cannot_be_read_does_not_keep_the_bench_cold(bench, monkeypatch, question):
    def damaged(_self):
        raise JournalError("a page is damaged", "broken")

    monkeypatch.setattr(Journal, question, damaged)
    with pytest.raises(JournalError):
        bench()
    made = bench(threaded=True)
    with made.controller:
        made.tick(3)
        assert float(made.orders[-1]["mat1"]) > 0


def test_bench_file_that_changes_an_alarm_there_is_not_is_refused_before_the_journal(bench):
    with pytest.raises(ConfigError, match="base_cold"):
        bench(text=bench().text + "\n[benches.north.alarms.base_cool]\non_delay_s = 60\n")


def test_boot_has_a_name():
    assert len(boot_id()) >= 32
