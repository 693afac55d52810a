"""What the journal keeps, what it refuses, and what it does with a file it can't use."""

import sqlite3
import time
from math import inf, nan
from pathlib import Path

import pytest

from config.model import Site
from controller.journal import schema
from controller.journal.errors import JournalError, RowRefused
from controller.journal.reader import open_reader
from controller.journal.rows import TimeFix
from controller.journal.writer import Journal
from controller.records import (
    Act,
    ActDone,
    ActRow,
    AlarmChanged,
    AlarmRow,
    EventRow,
    MinuteRow,
    ReasonRow,
    RelayRow,
    StateRow,
)
from sensors.clock import Now

BASE = "north.left.base1"


def minute(t_s: int, mean: float = 20.0, n: int = 6, probe: str = BASE) -> MinuteRow:
    return MinuteRow(t_s, probe, mean, mean - 0.1, mean + 0.1, n, 1)


def test_settings_that_keep_records_are_in_force_not_only_asked_for(journal: Journal) -> None:
    read = {n: journal.query(f"PRAGMA {n}")[0][0] for n in (
        "journal_mode", "synchronous", "foreign_keys", "busy_timeout", "auto_vacuum"
    )}  # fmt: skip
    assert read == {
        "journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 5000,
        "auto_vacuum": 2,
    }  # fmt: skip


def test_setting_that_sqlite_does_not_take_is_an_error(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = sqlite3.connect

    class Stubborn(sqlite3.Connection):
        def execute(self, statement: str, *values: object) -> sqlite3.Cursor:  # type: ignore[override]
            if statement.startswith("PRAGMA synchronous ="):
                statement = "PRAGMA synchronous = OFF"
            return super().execute(statement, *values)

    monkeypatch.setattr(
        sqlite3, "connect", lambda *args, **kw: real(*args, **kw, factory=Stubborn)
    )  # fmt: skip
    with pytest.raises(JournalError, match="set synchronous to 0 where FULL"):
        Journal.open(path)


def test_every_table_is_strict(journal: Journal) -> None:
    tables = journal.query("SELECT name, strict FROM pragma_table_list WHERE schema = 'main'")
    loose = {name for name, strict in tables if not strict}
    assert loose <= {"sqlite_schema", "sqlite_sequence", "_sqlite_migrations"}


def test_every_kind_of_record_comes_back_as_it_was(journal: Journal, path: Path, t0: int) -> None:
    reason = ReasonRow(t0 + 1.5, "north.left", "heat", "base 19.2 is below 21", "normal", 0.425)
    nothing = ReasonRow(t0 + 2.0, "north.mister", "rest", "nothing stuck", "normal", nan)
    alarm = AlarmRow(
        t0 + 3.25, AlarmChanged("cold_base", "north.left", "NORM", "UNACK", 2, "cold", "", "")
    )
    event = EventRow(t0 + 4.0, "reload", "site", "a new bench file")
    state = StateRow(t0 + 5.0, '{"bays": NaN}')
    done = ActRow(t0 + 6.0, ActDone(Act("burst", "north", "Ann", span_s=5.0), True, "given"))
    journal.write(
        [minute(t0, 20.1236), RelayRow(t0, "north.left.mat", 12.345, 2), reason, nothing, alarm,
         event, StateRow(t0, "old"), state, done]
    )  # fmt: skip
    with open_reader(path) as reader:
        rows = reader.minutes([BASE], t0, t0 + 60)[BASE]
        assert [list(column) for column in rows] == [[t0], [20124], [6], [20024], [20224], [1]]
        assert reader.relay_sums(["north.left.mat"], t0, t0 + 60) == {"north.left.mat": (12.345, 2)}
        assert reader.reasons("north.left") == [reason]
        assert repr(reader.reasons("north.mister")) == repr([nothing])
        assert set(reader.latest_reasons()) == {"north.left", "north.mister"}
        assert reader.alarms(last=5) == [alarm]
        assert reader.events() == [event]
        assert reader.last_state() == state
        (act,) = reader.acts()
        assert (act.status, act.answer, act.act.span_s) == ("done", "given", 5.0)
    assert journal.last_state() == state


def test_minute_without_samples_is_kept_as_such(journal: Journal, path: Path, t0: int) -> None:
    journal.write([MinuteRow(t0, BASE, nan, nan, nan, 0, 9)])
    with open_reader(path) as reader:
        rows = reader.minutes([BASE], t0, t0 + 60)[BASE]
    assert (rows.n[0], rows.flag[0]) == (0, 9)


@pytest.mark.parametrize("value", [nan, inf, -inf])
def test_value_that_is_no_number_is_refused_and_takes_nothing_with_it(
    journal: Journal, t0: int, value: float
) -> None:
    with pytest.raises(RowRefused, match=r"north\.left\.base1: a minute of 6 samples"):
        journal.write([minute(t0), minute(t0 + 60, value)])
    assert journal.query("SELECT count(*) FROM minute") == [(0,)]


def test_impossible_rows_are_refused_by_the_tables_themselves(journal: Journal, t0: int) -> None:
    for row in (
        MinuteRow(t0, BASE, 20.0, 21.0, 19.0, 3, 1),
        MinuteRow(t0, BASE, 20.0, 19.0, 21.0, 3, 77),
        RelayRow(t0, "north.left.mat", -1.0, 0),
    ):
        with pytest.raises(RowRefused):
            journal.write([row])
    for values in ("'warm', 1, 1", "NULL, 1, 1", "20.5, 20, 21"):
        with pytest.raises(JournalError):
            journal.query(
                "INSERT INTO minute (t, probe, n, flag, run, mean, low, high) "
                f"VALUES (1, 1, 6, 1, 1, {values})"
            )


def test_minute_that_comes_twice_is_merged_by_its_samples(
    journal: Journal, path: Path, t0: int
) -> None:
    journal.write([minute(t0, 20.0, n=2), RelayRow(t0, "north.left.mat", 10.0, 1)])
    journal.write([minute(t0, 23.0, n=4), RelayRow(t0, "north.left.mat", 5.0, 1)])
    journal.write([MinuteRow(t0, BASE, nan, nan, nan, 0, 4)])
    with open_reader(path) as reader:
        rows = reader.minutes([BASE], t0, t0 + 60)[BASE]
        assert [int(c[0]) for c in rows[1:]] == [22000, 6, 19900, 23100, 4]
        assert reader.relay_sums(["north.left.mat"], t0, t0 + 60)["north.left.mat"] == (15.0, 2)


def test_mean_that_rounds_past_its_bound_is_still_kept(journal: Journal, t0: int) -> None:
    journal.write([MinuteRow(t0, BASE, 20.000500000000002, 20.0005, 20.0005, 3, 1)])
    assert journal.query("SELECT mean = high, mean = low FROM minute") == [(1, 1)]


def test_minutes_need_a_run(path: Path, t0: int) -> None:
    with Journal.open(path) as opened, pytest.raises(JournalError, match="begin one first"):
        opened.write([minute(t0)])


def test_probes_get_kind_and_unit_from_the_site(journal: Journal, path: Path, t0: int) -> None:
    journal.write([minute(t0, probe="north.left.stray")])
    with open_reader(path) as reader:
        units = {probe.name: (probe.kind, probe.unit) for probe in reader.probes()}
    assert units["north.left.base1"] == ("base_temperature", "degC")
    assert units["north.rh"] == ("humidity", "%")
    assert units["north.left.stray"] == ("", "")


def test_rows_point_to_a_run_and_it_to_the_bench_file(
    journal: Journal, path: Path, bench_text: str, t0: int
) -> None:
    journal.write([minute(t0)])
    journal.end_run(Now(t0 + 90.0, 0.0), "signal SIGTERM")
    with open_reader(path) as reader:
        (run,) = reader.runs()
        assert reader.site_text(run.site_hash) == bench_text == reader.site_text()
    assert (run.boot_id, run.started_s, run.stopped_s) == ("boot-a", t0, t0 + 90.0)
    assert (run.reason, run.durable, run.trusted) == ("signal SIGTERM", True, True)
    assert journal.query("SELECT run FROM minute") == [(run.number,)]


def test_run_without_a_stop_is_closed_by_the_next_as_such(
    journal: Journal, path: Path, t0: int
) -> None:
    journal.write([StateRow(t0 + 600.0, "{}")])
    journal.begin_run(Now(t0 + 9000.0, 0.0), version="1", site_text="", boot_id="boot-b")
    with open_reader(path) as reader:
        first, second = reader.runs()
    assert (first.reason, first.stopped_s) == (
        "ended without a stop (power cut or crash)",
        t0 + 600.0,
    )
    assert second.stopped_s is None


def test_rehearsal_says_that_it_was_not_durable(path: Path, now: Now) -> None:
    with Journal.open(path, durable=False) as opened:
        opened.begin_run(now, version="1", site_text="", boot_id="b")
        assert opened.query("PRAGMA synchronous") == [(1,)]
        assert opened.query("SELECT durable FROM run") == [(0,)]


def test_act_is_answered_once_and_yesterdays_act_never_runs(
    journal: Journal, path: Path, t0: int
) -> None:
    number = journal.ask(Act("burst", "north", "Ann", span_s=5.0), t0 + 1.0)
    (act,) = journal.new_acts(0)
    assert act == Act("burst", "north", "Ann", span_s=5.0, number=number)
    assert journal.new_acts(number) == []
    journal.write([ActRow(t0 + 2.0, ActDone(act, False, "over the hour's budget"))])
    assert journal.new_acts(0) == []
    late = journal.ask(Act("burst", "north", "Ann"), t0 + 3.0)
    journal.begin_run(Now(t0 + 90_000.0, 0.0), version="1", site_text="", boot_id="c")
    assert journal.new_acts(0) == []
    with open_reader(path) as reader:
        first, second = reader.answer(number), reader.answer(late)
    assert first is not None
    assert (first.done, first.text) == (False, "over the hour's budget")
    assert second is not None
    assert "was not running" in second.text


def test_change_mark_moves_for_others_writes_and_not_for_own_minutes(
    journal: Journal, path: Path, t0: int
) -> None:
    mark = journal.change_mark()
    journal.write([minute(t0)])
    assert journal.change_mark() == mark
    with Journal.open(path) as other:
        other.ask(Act("burst", "north", "Ann"), t0)
    assert journal.change_mark() != mark


def test_entries_and_time_fixes_are_never_changed(journal: Journal) -> None:
    with journal.changing() as conn:
        conn.execute(
            "INSERT INTO batch VALUES (1, 'Buxus', 'semi_ripe', 'north', 'left', '', 5, 0, '{}', "
            f"'{'0' * 64}', 'stick', 0, NULL, '{{}}')"
        )
        conn.execute("INSERT INTO entry VALUES (1, 1, 0, 0, 'looked', 'Ann', '{}', '', NULL)")
    for statement, words in (
        ("UPDATE entry SET note = 'x'", "never changed"),
        ("DELETE FROM entry", "never changed"),
        ("DELETE FROM batch", "never deleted"),
        ("UPDATE batch SET recipe_json = '[]'", "frozen"),
        ("UPDATE batch SET stuck_ms = 5", "frozen"),
    ):
        with pytest.raises(JournalError, match=words), journal.changing() as conn:
            conn.execute(statement)
    assert journal.query("SELECT note FROM entry") == [("",)]


def test_rows_of_a_boot_with_a_wrong_clock_are_re_dated(
    journal: Journal, path: Path, t0: int
) -> None:
    boot_s = 86_400  # a board without a clock chip wakes in 1970
    journal.begin_run(Now(boot_s, 5.0, False), version="1", site_text="", boot_id="boot-c")
    wrong = [minute(boot_s + 60 * i, 20.0 + i) for i in range(5)]
    alarm = AlarmRow(boot_s + 70.0, AlarmChanged("cold", "north", "NORM", "UNACK", 2, ""))
    journal.write([minute(t0 - 60), *wrong, RelayRow(boot_s, "north.left.mat", 3.0, 1), alarm])
    offset_s = float(t0 + 120 - boot_s)
    journal.write([TimeFix(t0 + 500.0, boot_s, boot_s + 400.0, offset_s)])
    with open_reader(path) as reader:
        rows = reader.minutes([BASE], 0, 2e9)[BASE]
        assert rows.t_s.tolist() == [t0 - 60, *(t0 + 120 + 60 * i for i in range(5))]
        assert rows.mean_milli.tolist() == [20000, 20000, 21000, 22000, 23000, 24000]
        assert reader.alarms()[0].at_s == t0 + 190.0
        assert reader.runs()[-1].started_s == t0 + 120
    assert journal.query("SELECT boot, offset_ms FROM time_fix") == [
        ("boot-c", round(offset_s * 1000))
    ]


def test_re_dating_by_less_than_the_stretch_loses_no_minute(journal: Journal, t0: int) -> None:
    journal.write([minute(t0 + 60 * i, 20.0 + i) for i in range(10)])
    journal.write([TimeFix(t0 + 900.0, t0, t0 + 540.0, 180.0)])
    rows = journal.query("SELECT t, mean, n FROM minute ORDER BY t")
    assert rows == [(t0 + 180 + 60 * i, 20000 + 1000 * i, 6) for i in range(10)]


HOSTILE = (
    "'; DROP TABLE minute; --", '"><script>alert(1)</script>', "=cmd|' /C calc'!A0", "a\0b",
    "\x1b[2J", "\udcff\udc80", "\N{RIGHT-TO-LEFT OVERRIDE}evil", "x" * 10_000,
)  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_are_only_text(journal: Journal, path: Path, t0: int, name: str) -> None:
    journal.write(
        [
            minute(t0, probe=name), RelayRow(t0, name, 1.0, 1), EventRow(t0, name, name, name),
            ReasonRow(t0, name, name, name, name, 0.0),
            AlarmRow(t0, AlarmChanged(name, name, name, name, 2, name, name, name)),
            ActRow(t0, ActDone(Act(name, name, name, name, 1.0, name, name), True, name)),
        ]
    )  # fmt: skip
    with open_reader(path) as reader:
        (event,) = reader.events()
        assert event.text == name.encode("utf-8", "replace").decode()
    assert journal.query("SELECT count(*) FROM minute") == [(1,)]


# -- files that can't be used -----------------------------------------------------------------


def spoil(path: Path, kind: str) -> bytes:
    content = {"empty": b"", "text": b"temperature,21\r\n" * 500}.get(kind)
    if content is None:
        content = bytearray(path.read_bytes())
        for at in range(4096 * 2, len(content), 4096):
            content[at : at + 600] = b"\xa5" * 600
    for part in (path, path.with_name(path.name + "-wal")):
        part.unlink(missing_ok=True)
    path.write_bytes(content)
    return bytes(content)


@pytest.mark.parametrize("kind", ["empty", "text", "pages"])
def test_damaged_file_is_put_aside_and_control_gets_a_new_one(
    path: Path, site: Site, now: Now, t0: int, kind: str
) -> None:
    with Journal.open(path, site=site, now=now) as opened:
        opened.begin_run(now, version="1", site_text="", boot_id="b")
        opened.write([minute(t0 + 60 * i) for i in range(2000)])
    content = spoil(path, kind)
    if kind == "text":
        with pytest.raises(JournalError, match="damaged or not a database"):
            Journal.open(path)
    with Journal.open(path, site=site, now=now) as opened:
        assert opened.set_aside is not None
        assert opened.set_aside.name.startswith("bench.db.broken-")
        assert opened.set_aside.read_bytes() == content
        opened.begin_run(now, version="1", site_text="", boot_id="b")
        opened.write([minute(t0)])
    with open_reader(path) as reader:
        (event,) = reader.events()
        assert event.kind == "journal_rescued"
        assert opened.set_aside.name in event.text


def test_open_batches_survive_damage_elsewhere_in_the_file(
    path: Path, site: Site, now: Now, t0: int
) -> None:
    with Journal.open(path, site=site, now=now) as opened:
        opened.begin_run(now, version="1", site_text="", boot_id="b")
        with opened.changing() as conn:
            conn.execute(
                "INSERT INTO batch VALUES (7, 'Buxus', 'semi_ripe', 'north', 'left', '', 5, 0, "
                f"'{{}}', '{'0' * 64}', 'stick', 0, NULL, '{{}}')"
            )
        opened.write([StateRow(t0 + 1.0, "kept"), *(minute(t0 + 60 * i) for i in range(9000))])
        root = opened.query("SELECT rootpage FROM sqlite_schema WHERE name = 'minute'")[0][0]
        opened.query("PRAGMA wal_checkpoint(TRUNCATE)")
    content = bytearray(path.read_bytes())
    content[(root - 1) * 4096 : (root - 1) * 4096 + 4000] = b"\xff" * 4000
    path.write_bytes(content)
    with Journal.open(path, site=site, now=now) as opened:
        assert opened.set_aside is not None
        assert [batch.number for batch in opened.open_batches()] == [7]
        assert opened.last_state() == StateRow(t0 + 1.0, "kept")


def test_locked_file_is_said_to_be_locked(path: Path, journal: Journal, t0: int) -> None:
    journal.query("PRAGMA busy_timeout = 50")
    other = sqlite3.connect(path)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(JournalError, match="another program holds the journal") as caught:
        journal.write([minute(t0)])
    assert caught.value.trouble == "locked"
    other.rollback()
    other.close()
    journal.write([minute(t0)])
    assert journal.query("SELECT count(*) FROM minute") == [(1,)]


def test_full_disk_is_said_to_be_full_and_loses_nothing_committed(
    journal: Journal, t0: int
) -> None:
    journal.write([minute(t0)])
    pages = journal.query("PRAGMA page_count")[0][0]
    journal.query(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(JournalError, match="disk is full") as caught:
        journal.write([minute(t0 + 60 * i) for i in range(1, 3000)])
    assert caught.value.trouble == "full"
    assert journal.query("SELECT count(*) FROM minute") == [(1,)]
    journal.query("PRAGMA max_page_count = 1000000")
    journal.write([minute(t0 + 60)])
    assert journal.query("PRAGMA integrity_check") == [("ok",)]


def test_read_only_file_is_said_to_be_read_only(journal: Journal, t0: int) -> None:
    journal.query("PRAGMA query_only = ON")
    with pytest.raises(JournalError, match="mounted read-only") as caught:
        journal.write([minute(t0)])
    assert caught.value.trouble == "read_only"


def test_folder_that_is_not_one_is_a_plain_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(JournalError, match="file"):
        Journal.open(tmp_path / "file" / "bench.db")


def test_folder_in_the_place_of_the_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="this is a folder; give the name of a file"):
        Journal.open(tmp_path)


def test_another_programs_database_is_left_alone(path: Path, now: Now) -> None:
    conn = sqlite3.connect(path)
    conn.execute("CREATE TABLE photos (id)")
    conn.commit()
    conn.close()
    before = path.read_bytes()
    with pytest.raises(JournalError, match=r"not a Warmfoot journal \(it has tables photos"):
        Journal.open(path, now=now)
    assert path.read_bytes() == before


# -- versions ---------------------------------------------------------------------------------

VERSION_1 = Path(__file__).parents[2] / "data" / "journal_version_1.sql"


def test_journal_of_version_1_opens_with_everything_in_it(path: Path, t0: int) -> None:
    conn = sqlite3.connect(path)
    conn.executescript(VERSION_1.read_text(encoding="utf-8"))
    conn.close()
    with Journal.open(path) as opened:
        assert [batch.plant for batch in opened.open_batches()] == ["Buxus sempervirens"]
        opened.begin_run(Now(t0 + 9e5, 0.0), version="2", site_text="", boot_id="z")
        opened.write([minute(t0 + 900_000)])
    with open_reader(path) as reader:
        assert len(reader.minutes([BASE], 0, 2e9)[BASE].t_s) == 4
        assert len(reader.entries(1)) == 1


def test_step_to_a_new_version_is_all_or_nothing(path: Path, journal: Journal, t0: int) -> None:
    journal.write([minute(t0)])
    journal.close()
    steps = schema.Migrations("warmfoot")
    steps(name="1")(schema._first)
    steps(name="2")(schema._checks_and_calibrations)

    @steps(name="3")
    def _third(db: schema.Database) -> None:
        db.execute("ALTER TABLE event ADD COLUMN weight INTEGER")
        db.execute("THIS IS NOT SQL")

    db = schema.connect(path, durable=True)
    with pytest.raises(sqlite3.OperationalError):
        schema.migrate(db, steps)
    db.close()
    with Journal.open(path) as opened:
        columns = [row[1] for row in opened.query("PRAGMA table_info(event)")]
        assert "weight" not in columns
        assert opened.query("SELECT count(*) FROM minute") == [(1,)]


def test_journal_of_a_newer_program_is_refused_untouched(path: Path, journal: Journal) -> None:
    with journal.changing() as conn:
        conn.execute(
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at) "
            "VALUES ('warmfoot', '7', '2031-01-01')"
        )
    journal.close()
    with pytest.raises(JournalError, match="newer Warmfoot"):
        Journal.open(path)
    with pytest.raises(JournalError, match="newer Warmfoot"):
        open_reader(path)


@pytest.mark.benchmark
def test_an_hour_of_eight_probes_is_written_in_about_a_millisecond(path: Path) -> None:
    with Journal.open(path, durable=False) as opened:
        opened.begin_run(Now(0.0, 0.0), version="1", site_text="", boot_id="b")
        took: dict[int, list[float]] = {60: [], 1: []}
        for minutes, times in took.items():
            for turn in range(50):
                first = (minutes * 100_000 + turn * minutes) * 60
                rows = [
                    minute(first + 60 * i, 20.0 + i / 99, probe=f"north.left.base{p}")
                    for i in range(minutes)
                    for p in range(8)
                ]
                start = time.perf_counter()
                opened.write(rows)
                times.append(time.perf_counter() - start)
    hour_s, minute_s = (sorted(times)[25] for times in took.values())
    print(f"8 probes: {hour_s * 1e3:.2f} ms an hour's commit, {minute_s * 1e6:.0f} us a minute's")
    assert hour_s < 3e-3
    assert minute_s < 150e-6
