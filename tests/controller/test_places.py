"""Journals lie where the service manager or the user's directories say."""

import pytest

from config.load import loads
from controller.places import (
    PlaceError,
    find_journal,
    journal_path,
    live_path,
    lock_path,
    state_dir,
)

TEXT = """
site = {{ name = "{name}", timezone = "UTC", latitude_deg = 0.0, longitude_deg = 0.0 }}
links.board = {{ kind = "memory" }}
[benches.b.bays.y]
probes = [{{ link = "board", channel = "base1", kind = "base_temperature" }}]
mat = {{ link = "board", channel = "mat1", power_w = 25 }}
{more}
"""


@pytest.fixture(autouse=True)
def home(monkeypatch, tmp_path):
    for name in ("STATE_DIRECTORY", "RUNTIME_DIRECTORY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    return tmp_path / "warmfoot"


def site(name="Alder Lane Nursery", more=""):
    return loads(TEXT.format(name=name, more=more), "bench.toml")


@pytest.mark.parametrize(
    ("name", "file"),
    [
        ("Alder Lane Nursery", "alder-lane-nursery.db"),
        ("  ../../etc/passwd ", "etc-passwd.db"),
        ("Ærø", "r.db"),
        ("???", "bench.db"),
    ],
)
def test_journal_is_named_after_the_site_and_stays_in_its_directory(home, name, file):
    assert journal_path(site(name)) == home / file


def test_bench_file_may_say_where(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    found = journal_path(site(more='[journal]\npath = "~/j/a.db"'))
    assert found == tmp_path / "j" / "a.db"


def test_service_manager_has_the_first_word(monkeypatch, tmp_path):
    monkeypatch.setenv("STATE_DIRECTORY", f"{tmp_path / 's'}:{tmp_path / 't'}")
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "r"))
    assert state_dir() == tmp_path / "s"
    journal = journal_path(site())
    assert live_path(journal) == tmp_path / "r" / "alder-lane-nursery.live.json"
    assert lock_path(journal) == tmp_path / "s" / "alder-lane-nursery.db.lock"


def test_links_to_one_journal_have_one_lock(tmp_path):
    real = tmp_path / "disk" / "bench.db"
    real.parent.mkdir()
    (tmp_path / "other.db").symlink_to(real)
    (tmp_path / "way").symlink_to(real.parent)
    for name in (real, tmp_path / "other.db", tmp_path / "way" / "bench.db"):
        assert lock_path(name) == real.with_name("bench.db.lock")


def test_the_only_journal_is_found_without_being_named(home):
    home.mkdir(parents=True)
    (home / "rehearsal.db").touch()
    assert find_journal(None) == home / "rehearsal.db"
    (home / "bench.db").touch()
    assert find_journal(None) == home / "bench.db", "a rehearsal does not count beside a real one"


@pytest.mark.parametrize(
    ("files", "given", "said"),
    [
        ([], None, "no journal in"),
        (["a.db", "b.db"], None, "a.db, b.db"),
        (["a.db"], "nowhere.db", "nowhere.db: no journal there"),
    ],
)
def test_no_journal_or_a_choice_is_said_with_what_to_do(home, files, given, said):
    home.mkdir(parents=True)
    for name in files:
        (home / name).touch()
    with pytest.raises(PlaceError, match=said) as refused:
        find_journal(given)
    assert "--journal" in str(refused.value)
