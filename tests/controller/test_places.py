"""Journals lie where the service manager or the user's directories say."""

import os

import pytest

from config.load import loads
from controller import places
from controller.journal.lock import lock_path
from controller.places import (
    PlaceError,
    find_journal,
    find_live,
    journal_path,
    live_path,
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


@pytest.fixture
def service(monkeypatch, tmp_path):
    """The service is installed on this machine and keeps Alder Lane; gives its state folder."""
    for name in ("UNIT", "BENCH_FILE", "STATE", "RUNTIME"):
        monkeypatch.setattr(places, name, tmp_path / "machine" / name)
    for name in ("STATE", "RUNTIME"):
        (tmp_path / "machine" / name).mkdir(parents=True)
    places.UNIT.touch()
    text = TEXT.format(name="Alder Lane", more="").replace(
        'kind = "memory"', 'kind = "serial", port = "/dev/none"'
    )
    places.BENCH_FILE.write_text(text)
    return places.STATE


def test_where_the_service_keeps_the_bench_its_journal_comes_first(home, service):
    home.mkdir(parents=True)
    (home / "alder-lane.db").touch()
    assert find_journal(None) == home / "alder-lane.db", "the service has none yet"
    (service / "alder-lane.db").touch()
    assert find_journal(None) == service / "alder-lane.db"
    assert find_journal(str(home / "alder-lane.db")) == home / "alder-lane.db"
    # So whoever keeps it by hand takes the same lock, and finds the same batches.
    assert journal_path(site("Alder Lane")) == service / "alder-lane.db"
    assert journal_path(site("Another")) == home / "another.db"
    assert journal_path(site("Alder Lane"), home) == home / "alder-lane.db"


@pytest.mark.parametrize("text", ["", "[site", TEXT.format(name="Alder Lane", more="x = 1")])
def test_service_that_has_no_sound_bench_file_hides_no_journal(home, service, text):
    (service / "alder-lane.db").touch()
    places.BENCH_FILE.write_text(text)
    home.mkdir(parents=True)
    (home / "mine.db").touch()
    assert find_journal(None) == home / "mine.db"


def test_who_may_not_look_into_the_services_folder_is_told_how_to(service, monkeypatch):
    (service / "alder-lane.db").touch()
    monkeypatch.setattr(os, "access", lambda path, how: (path, how) != (service, os.R_OK | os.X_OK))
    with pytest.raises(PlaceError, match="sudo usermod -aG warmfoot") as refused:
        find_journal(None)
    assert "--journal" in str(refused.value)


def test_the_latest_picture_of_whoever_keeps_it_is_found(service):
    journal = service / "alder-lane.db"
    name = "alder-lane.live.json"
    assert find_live(journal) == service / name
    (places.RUNTIME / name).touch()
    assert find_live(journal) == places.RUNTIME / name
    (service / name).touch()
    os.utime(service / name, (1, 1))
    assert find_live(journal) == places.RUNTIME / name, "left over from a run by hand"
    os.utime(places.RUNTIME / name, (0, 0))
    assert find_live(journal) == service / name


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
