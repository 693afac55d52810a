"""Bad input through the commands: one or two lines, the right exit code, nothing changed."""

import sqlite3

import pytest
from click.testing import CliRunner

from controller.cli import main


@pytest.fixture
def journal(played):
    """A journal with one open batch of 40, of which 10 were tested; nothing runs."""
    # Commands go by the real clock, so the batch stands well before any machine's today.
    play = played(start="2024-03-04T12:00", tick_s=30.0)
    number = play.stick()
    play.play(0.2)
    play.stop()
    return play.journal_path, number


@pytest.fixture
def warmfoot(journal, monkeypatch, tmp_path):
    """warmfoot(*words) -> (exit code, what was said on both streams)."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("WARMFOOT_JOURNAL", str(journal[0]))

    def run(*words, **env):
        done = CliRunner().invoke(main, [str(word) for word in words], env=env)
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exc_info
        return done.exit_code, done.output

    return run


def content(path):
    with sqlite3.connect(path) as conn:
        return list(conn.iterdump())


LONG = "x" * 10_000
BAD_BATCHES = [
    (("enter", "99", "looked"), 5, "no batch 99"),
    (("enter", "1", "tested", "tested=5", "rooted=7"), 5, "7"),
    (("enter", "1", "tested", "tested=500", "rooted=3"), 5, "500"),
    (("enter", "1", "tested", "tested=5", "rooted=-1"), 5, "-1"),
    (("enter", "1", "lost", "lost=41", "cause=rotted"), 5, "41"),
    (("enter", "1", "lost", "lost=2", "cause=gremlins"), 5, "gremlins"),
    (("enter", "1", "tested", "five"), 5, "five"),
    (("enter", "1", "looked", "--note", "bell \x07 and \x1b[31m"), 5, ""),
    (("enter", "1", "looked", "--note", LONG), 5, ""),
    (("enter", "1", "looked", "--at", "1999-01-01"), 5, ""),
    (("close", "1", "--rooted", "41"), 5, "41"),
    (("close", "7", "--rooted", "1"), 5, "no batch 7"),
    (("move", "1", "north.middle"), 5, "middle"),
    (("move", "1", "attic"), 5, "attic"),
    (("split", "1", "40", "north.left"), 5, ""),
    (("stick", "Fuchsia", "--kind", "softwod", "--bay", "north.left", "--count", "4"), 3, "kinds"),
    (("stick", LONG, "--kind", "softwood", "--bay", "north.left", "--count", "4"), 5, ""),
    (("stick", "a\x00b", "--kind", "softwood", "--bay", "north.left", "--count", "4"), 5, ""),
    (("stick", "Fuchsia", "--kind", "softwood", "--bay", "north.left", "--count", "0"), 5, ""),
    (("stick", "Fuchsia", "--kind", "softwood", "--bay", "north.left", "--count", "4", "--detail",
      "mix"), 5, "mix"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "code", "named"), BAD_BATCHES, ids=[" ".join(w)[:40] for w, _, _ in BAD_BATCHES]
)
def test_bad_batch_command_changes_nothing_and_says_why(warmfoot, journal, words, code, named):
    before = content(journal[0])
    found, said = warmfoot("batch", *words)
    assert found == code, said
    assert named in said
    assert 1 <= len(said.strip().splitlines()) <= 2
    assert max(len(line) for line in said.splitlines()) < 600
    assert all(char.isprintable() or char == "\n" for char in said)
    assert content(journal[0]) == before


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("burst", "attic"), 5),
        (("hold", "heat", "north.left", "--for", "13h"), 5),
        (("hold", "heat", "north.left", "--for", "soon"), 2),
        (("alarms", "ack", "base_cold", "attic.left"), 5),
        (("why", "attic"), 2),
        (("status",), 7),
        (("alarms", "list"), 7),
        (("review", "99"), 5),
        (("export", "nonsense"), 2),
        (("no-such-command",), 2),
    ],
)
def test_bad_question_has_its_exit_code_and_no_traceback(warmfoot, journal, words, code):
    before = content(journal[0])
    found, said = warmfoot(*words)
    assert found == code, said
    assert said.strip()
    assert "Traceback" not in said
    assert content(journal[0]) == before


def test_journal_that_is_not_there_or_not_one_is_exit_4(warmfoot, tmp_path):
    found, said = warmfoot("why", "--journal", tmp_path / "nowhere.db")
    assert found == 4
    assert "nowhere.db" in said
    other = tmp_path / "letter.db"
    other.write_text("Dear grower,\n" * 100)
    found, said = warmfoot("why", "--journal", other)
    assert found == 4
    assert "letter.db" in said
    assert other.read_text() == "Dear grower,\n" * 100


@pytest.mark.parametrize("command", ["check", "run", "rehearse"])
def test_bench_file_that_is_not_sound_is_exit_3_with_every_problem_and_its_line(
    warmfoot, tmp_path, bench_text, command
):
    path = tmp_path / "bench.toml"
    text = bench_text().replace('kind = "memory"', 'kind = "serial"\nport = "/dev/ttyACM0"')
    path.write_text(text.replace("power_w = 120", "power_w = -3").replace("53.3", "530.0"))
    found, said = warmfoot(command, path)
    assert found == 3
    assert "power_w" in said
    assert "latitude_deg" in said
    assert "530" in said
    assert not (tmp_path / "state").exists() or not list((tmp_path / "state").rglob("*.db"))


def test_bench_file_with_an_alarm_there_is_none_of_is_exit_3(warmfoot, tmp_path, bench_text):
    path = tmp_path / "bench.toml"
    text = bench_text().replace('kind = "memory"', 'kind = "serial"\nport = "/dev/ttyACM0"')
    path.write_text(text + "\n[benches.north.alarms.base_cool]\non_delay_s = 60\n")
    found, said = warmfoot("check", path)
    assert found == 3
    assert "base_cold" in said
