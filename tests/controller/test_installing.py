"""The service: which steps are planned, what the hands do of them, and the commands around it."""

import json
import os
import re
import shlex
import shutil
import stat
import subprocess
from dataclasses import replace
from pathlib import Path
from pathlib import PurePosixPath as Place

import pytest
from click.testing import CliRunner, Result
from filelock import FileLock

from config.load import loads
from controller.cli import main
from controller.cli import service as commands
from controller.cli.common import EXIT_BENCH_FILE, EXIT_NOT_RUNNING, EXIT_REFUSED
from controller.installed import Machine
from controller.installing import Step, as_command, steps_to_install, steps_to_remove
from controller.journal import schema
from controller.journal.reader import open_reader
from controller.service_unit import (
    BENCH_FILE,
    HIDDEN,
    PROGRAM,
    STATE,
    UNIT,
    Found,
    Wanted,
    missing_secrets,
    unit_text,
    unreachable,
)

EXAMPLES = Path("config") / "examples"
VERSION_1 = Path(__file__).parents[1] / "data" / "journal_version_1.sql"
HOME = f"{HIDDEN[0]}/ann"
TRAY = (EXAMPLES / "one_tray_serial.toml").read_text(encoding="utf-8")
TWO = (EXAMPLES / "two_benches_mqtt.toml").read_text(encoding="utf-8")


def wanted(text: str = TRAY, **more: object) -> Wanted:
    site = loads(text, "bench.toml")
    made = Wanted(
        site=site,
        bench_text=text,
        bench_source="my bench.toml",
        program=PROGRAM,
        stamp="NOW",
        journal_at=STATE / "shed.db",
    )
    return replace(made, **more)  # type: ignore[arg-type]


def typed(steps: list[Step]) -> list[str]:
    return [as_command(step) for step in steps]


# -- the plan ---------------------------------------------------------------------------------


def test_on_a_bare_machine_everything_is_made_in_order() -> None:
    assert typed(steps_to_install(Found(serial_group="dialout"), wanted())) == [
        "useradd --system --user-group --no-create-home --home-dir /var/lib/warmfoot --shell "
        "/usr/sbin/nologin warmfoot",
        "install -d -m 2770 -o warmfoot -g warmfoot /var/lib/warmfoot",
        "install -d -m 0755 -o root -g root /etc/warmfoot",
        "install -m 0644 'my bench.toml' /etc/warmfoot/bench.toml",
        "write /etc/systemd/system/warmfoot.service",
        "systemctl daemon-reload",
        "systemctl enable warmfoot",
        "systemctl start warmfoot",
    ]


def installed(want: Wanted) -> Found:
    found = Found(
        user=True, state_folder=True, serial_group="dialout", bench=want.bench_text,
        enabled=True, active=True, journal=True,
    )  # fmt: skip
    return replace(found, unit=unit_text(want, found))


def test_what_is_as_it_should_be_is_left_alone() -> None:
    want = wanted()
    assert steps_to_install(installed(want), want) == []
    assert typed(steps_to_install(replace(installed(want), active=False), want)) == [
        "systemctl start warmfoot"
    ]


def test_a_new_bench_file_is_read_without_a_restart_and_the_old_one_kept() -> None:
    found = replace(installed(wanted()), bench="# the old one")
    assert typed(steps_to_install(found, wanted())) == [
        "cp -p /etc/warmfoot/bench.toml /etc/warmfoot/bench.toml.before-NOW; "
        "install -m 0644 'my bench.toml' /etc/warmfoot/bench.toml",
        "systemctl reload warmfoot",
    ]


def test_another_journal_wants_a_restart() -> None:
    found = replace(installed(wanted()), bench="# the old one")
    assert typed(steps_to_install(found, wanted(moved=True)))[-1] == "systemctl restart warmfoot"


def test_a_unit_changed_by_hand_is_kept_beside_the_new_one() -> None:
    found = installed(wanted())
    found = replace(found, unit=f"{found.unit}# mine\n")
    assert typed(steps_to_install(found, wanted())) == [
        f"cp -p {UNIT} {UNIT}.before-NOW; write {UNIT}",
        "systemctl daemon-reload",
        "systemctl restart warmfoot",
    ]


def test_an_image_gets_files_only() -> None:
    steps = typed(steps_to_install(Found(), wanted(image=True)))
    assert not any("systemctl" in step or "useradd" in step for step in steps)
    assert f"write {UNIT}" in steps
    assert typed(steps_to_remove(Found(unit="x"), image=True)) == [f"rm {UNIT}"]


def test_removing_leaves_records_and_bench_file() -> None:
    steps = typed(steps_to_remove(installed(wanted()), image=False))
    assert steps == [
        "systemctl disable --now warmfoot",
        f"rm {UNIT}",
        "systemctl daemon-reload",
    ]
    assert steps_to_remove(Found(user=True, bench="x"), image=False) == []


# -- the unit ---------------------------------------------------------------------------------


def lines(text: str) -> list[str]:
    return [line for line in text.splitlines() if line and not line.startswith("#")]


def test_unit_is_the_one_that_comes_with_the_program_where_nothing_asks_for_more() -> None:
    own = (Path("config") / "warmfoot.service").read_text(encoding="utf-8")
    assert lines(unit_text(wanted(), Found(serial_group="dialout"))) == lines(own)


def test_unit_fits_the_machine_and_the_bench_file() -> None:
    text = TRAY.replace("/dev/ttyACM0", "/dev/ttyS1") + (
        '\n[journal]\npath = "/srv/records/shed.db"\nbackup_dir = "/srv/stick/copies"\n'
        '[alerts.routes.grower]\nurl_env = "GROWER_URL"\n'
        '[alerts.routes.second]\nurl_env = "SECOND_URL"\n'
    )
    found = Found(serial_group="uucp", secrets=frozenset({"GROWER_URL", "OTHER"}))
    said = lines(unit_text(wanted(text), found))
    assert "SupplementaryGroups=uucp" in said
    assert "DeviceAllow=char-ttyS rw" in said
    assert {"ReadWritePaths=-/srv/records", "ReadWritePaths=-/srv/stick/copies"} <= set(said)
    credentials = [line for line in said if "Credential" in line]
    assert credentials == ["LoadCredential=GROWER_URL:/etc/warmfoot/secrets/GROWER_URL"]
    assert missing_secrets(found, wanted(text)) == ["SECOND_URL"]
    without = lines(unit_text(wanted(text), Found()))
    assert not any(line.startswith("SupplementaryGroups") for line in without)


def test_ports_of_a_modbus_line_are_opened_too() -> None:
    text = (EXAMPLES / "alder_lane_modbus.toml").read_text(encoding="utf-8")
    (port,) = {one.port for one in loads(text, "b").links.values() if one.kind == "modbus"}
    said = lines(unit_text(wanted(text.replace(port, "/dev/ttySC0")), Found()))
    assert "DeviceAllow=char-ttySC rw" in said


@pytest.mark.parametrize("text", [TRAY, TWO, TRAY.replace("/dev/ttyACM0", "/dev/ttyS1")])
def test_every_unit_passes_systemds_own_check(text: str, tmp_path: Path) -> None:
    if shutil.which("systemd-analyze") is None:
        why = "no systemd-analyze here; install it: apt-get install systemd"
        if os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)
    secrets = frozenset({"BROKER_PASSWORD", "GROWER_URL"})
    more = '\n[journal]\nbackup_dir = "/srv/stick"\n' if "[journal]" not in text else ""
    want = wanted(text + more, program="/bin/true")
    path = tmp_path / "warmfoot.service"
    path.write_text(unit_text(want, Found(serial_group="dialout", secrets=secrets)))
    done = subprocess.run(
        ["systemd-analyze", "verify", path], capture_output=True, text=True, timeout=60, check=False
    )
    ours = [line for line in done.stderr.splitlines() if "warmfoot.service" in line]
    assert (done.returncode, ours) == (0, [])


@pytest.mark.parametrize(
    ("more", "parts", "said"),
    [
        ("", [f"{HOME}/venv/bin/warmfoot"], f"can't see {HOME}/venv/bin/warmfoot"),
        ("", [PROGRAM, f"{HIDDEN[1]}/python"], f"can't see {HIDDEN[1]}/python"),
        (f'[journal]\nbackup_dir = "{HOME}/a"', [], f"journal.backup_dir = '{HOME}/a': the"),
        ('[journal]\npath = "shed.db"', [], "journal.path = 'shed.db': for a service write the"),
        ('[journal]\npath = "~/shed.db"', [], "write the whole path"),
        ("[journal]\npath = '/srv/o\"k.db'", [], "without blanks, quotation marks"),
        ("[journal]\npath = '/srv/o\\k.db'", [], "without blanks, quotation marks"),
        (f'[page]\ncert_file = "{HOME}/a"\nkey_file = "/etc/b"', [], f"cert_file = '{HOME}/a'"),
    ],
)
def test_what_the_service_could_not_see_is_refused_before_it_fails_by_night(
    more: str, parts: list[str], said: str
) -> None:
    troubles = unreachable(wanted(f"{TRAY}\n{more}\n"), [Place(part) for part in parts])
    assert any(said in trouble for trouble in troubles), troubles


def test_nothing_is_said_of_a_program_and_paths_that_can_be_seen() -> None:
    text = f'{TRAY}\n[journal]\nbackup_dir = "/srv/stick"\n'
    assert unreachable(wanted(text), [Place(PROGRAM), Place("/usr")]) == []
    assert unreachable(wanted(program="/opt/my place/warmfoot"), [])


# -- the hands, and the commands --------------------------------------------------------------

SYSTEMCTL = """#!/bin/sh
state={state}
echo "systemctl $*" >> $state/said
case $1 in
  show)
    echo LoadState=loaded
    test -e $state/enabled && echo UnitFileState=enabled || echo UnitFileState=disabled
    test -e $state/active && echo ActiveState=active || echo ActiveState=inactive
    echo ActiveEnterTimestamp= ;;
  enable) touch $state/enabled ;;
  start|restart) test -e $state/broken && echo "Job for warmfoot failed" >&2 && exit 1
    touch $state/active ;;
  disable) rm -f $state/enabled $state/active ;;
esac
"""
USERADD = """#!/bin/sh
echo "useradd $*" >> {state}/said
echo "warmfoot:x:{uid}:{gid}::/var/lib/warmfoot:/usr/sbin/nologin" >> {root}/etc/passwd
"""


class Pretended:
    """A machine in a folder, whose systemd and useradd are scripts that take notes."""

    def __init__(self, folder: Path) -> None:
        self.root, self.state, self.tools = folder / "root", folder / "state", folder / "tools"
        for path in (self.root / "etc", self.root / "run/systemd/system", self.state, self.tools):
            path.mkdir(parents=True)
        (self.root / "etc/group").write_text("root:x:0:\ndialout:x:20:\n")
        (self.root / "etc/passwd").write_text("root:x:0:0::/root:/bin/sh\n")
        program = self.root / PROGRAM[1:]
        program.parent.mkdir(parents=True)
        program.touch()
        for name, text in (("systemctl", SYSTEMCTL), ("useradd", USERADD)):
            script = self.tools / name
            script.write_text(
                text.format(state=self.state, root=self.root, uid=os.getuid(), gid=os.getgid())
            )
            script.chmod(0o755)

    def said(self) -> list[str]:
        """What was asked of the system, but for looks at it."""
        path = self.state / "said"
        found = path.read_text().splitlines() if path.exists() else []
        return [line for line in found if not line.startswith("systemctl show")]

    def files(self) -> dict[str, str]:
        return {
            str(path.relative_to(self.root)): path.read_text(errors="replace")
            for path in self.root.rglob("*")
            if path.is_file()
        }


@pytest.fixture
def pretended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Pretended:
    made = Pretended(tmp_path)
    home = tmp_path / "home"
    home.mkdir()
    monkeypatch.setenv("PATH", f"{made.tools}:{os.environ['PATH']}")
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.delenv("SUDO_USER", raising=False)
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(
        commands, "_machine", lambda root: Machine(root or made.root, image=root is not None)
    )
    return made


def ask(*words: str) -> Result:
    return CliRunner().invoke(main, ["service", *words])


def install(*words: str) -> Result:
    return ask("install", str(EXAMPLES / "one_tray_serial.toml"), "--program", PROGRAM, *words)


def test_installing_does_every_step_and_says_it_and_a_second_time_nothing(
    pretended: Pretended,
) -> None:
    said = install()
    assert said.exit_code == 0, said.output
    assert pretended.said() == [
        "useradd --system --user-group --no-create-home --home-dir /var/lib/warmfoot --shell "
        "/usr/sbin/nologin warmfoot",
        "systemctl daemon-reload",
        "systemctl enable warmfoot",
        "systemctl start warmfoot",
    ]
    assert all(f"     {line}\n" in said.output for line in pretended.said())
    assert "The page is at http://127.0.0.1:8046/" in said.output
    assert "electrician" in said.output
    files = pretended.files()
    assert files["etc/warmfoot/bench.toml"] == TRAY
    assert f"ExecStart={PROGRAM} run {BENCH_FILE}" in files["etc/systemd/system/warmfoot.service"]
    state = pretended.root / "var/lib/warmfoot"
    assert stat.S_IMODE(state.stat().st_mode) == 0o2770
    assert stat.S_IMODE((pretended.root / "etc/warmfoot/bench.toml").stat().st_mode) == 0o644
    again = install()
    assert "Nothing to do" in again.output
    assert "Nothing to do" in ask("install", "--program", PROGRAM).output
    assert pretended.files() == files
    assert len(pretended.said()) == 4


def test_dry_run_says_the_same_and_changes_nothing(pretended: Pretended) -> None:
    files = pretended.files()
    dry = install("--dry-run")
    assert dry.exit_code == 0, dry.output
    assert "Nothing is changed. This would be done:" in dry.output
    assert (pretended.files(), pretended.said()) == (files, [])
    planned = re.findall(r"^     (.*)$", dry.output, re.M)
    assert planned == re.findall(r"^     (.*)$", install().output, re.M)
    files, said = pretended.files(), pretended.said()
    dry = ask("remove", "--dry-run")
    assert f"rm {UNIT}" in dry.output
    assert (pretended.files(), pretended.said()) == (files, said)


def test_a_failed_step_is_told_and_the_next_try_goes_on_from_there(pretended: Pretended) -> None:
    (pretended.state / "broken").touch()
    said = install()
    assert said.exit_code == EXIT_REFUSED
    assert "step 8 failed: Job for warmfoot failed" in said.output
    assert "journalctl -u warmfoot" in said.output
    (pretended.state / "broken").unlink()
    assert re.findall(r"^\d+\. .*", install().output, re.M) == ["1. start it now"]


def test_removing_keeps_what_was_recorded(pretended: Pretended) -> None:
    install()
    (pretended.root / "var/lib/warmfoot/shed.db").touch()
    said = ask("remove")
    assert said.exit_code == 0
    assert "Relays have let go" in said.output
    assert pretended.said()[-2:] == ["systemctl disable --now warmfoot", "systemctl daemon-reload"]
    files = pretended.files()
    assert "etc/systemd/system/warmfoot.service" not in files
    assert {"etc/warmfoot/bench.toml", "var/lib/warmfoot/shed.db"} <= set(files)
    assert "Nothing to do" in ask("remove").output


def test_old_files_are_kept_when_others_take_their_place(pretended: Pretended) -> None:
    install()
    unit = pretended.root / "etc/systemd/system/warmfoot.service"
    unit.write_text("by hand")
    (pretended.root / "etc/warmfoot/bench.toml").write_text("# another")
    assert install().exit_code == 0
    kept = [text for name, text in pretended.files().items() if ".before-" in name]
    assert sorted(kept) == ["# another", "by hand"]
    assert pretended.said()[-1] == "systemctl restart warmfoot"


def test_only_root_may_and_what_to_type_is_told(
    pretended: Pretended, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    files = pretended.files()
    said = install()
    assert (said.exit_code, "type: sudo " in said.output) == (EXIT_REFUSED, True)
    assert "--dry-run says what would be done" in said.output
    assert ask("remove").exit_code == EXIT_REFUSED
    dry = install("--dry-run")
    assert (dry.exit_code, "note: only root may" in dry.output) == (0, True)
    assert (pretended.files(), pretended.said()) == (files, [])


def test_without_systemd_nothing_is_begun(pretended: Pretended) -> None:
    shutil.rmtree(pretended.root / "run")
    files = pretended.files()
    said = install()
    assert (said.exit_code, "systemd does not run this machine" in said.output) == (5, True)
    assert (pretended.files(), pretended.said()) == (files, [])


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("install",), EXIT_REFUSED, "which bench file?"),
        (("install", "nowhere.toml"), EXIT_BENCH_FILE, "there is no such file"),
        (("install", "README.md"), EXIT_BENCH_FILE, "README.md"),
        (
            ("install", str(EXAMPLES / "one_tray_serial.toml"), "--program", "/opt/nothing"),
            EXIT_REFUSED,
            "/opt/nothing: no such program",
        ),
        (
            ("install", str(EXAMPLES / "one_tray_serial.toml"), "--program", PROGRAM,
             "--take", "README.md"),
            4,
            "README.md",
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_installed_is_told_and_nothing_is_changed(
    pretended: Pretended, words: tuple[str, ...], code: int, said: str
) -> None:
    files = pretended.files()
    refused = ask(*words)
    assert (refused.exit_code, said in refused.output) == (code, True), refused.output
    assert (pretended.files(), pretended.said()) == (files, [])


def test_an_image_is_laid_out_without_a_command(pretended: Pretended, tmp_path: Path) -> None:
    image = tmp_path / "image"
    image.mkdir()
    said = install("--root", str(image))
    assert said.exit_code == 0, said.output
    assert pretended.said() == []
    assert (image / "etc/systemd/system/warmfoot.service").is_file()
    assert "Nothing to do" in install("--root", str(image)).output
    assert ask("status", "--root", str(image)).exit_code == EXIT_NOT_RUNNING


# -- the grower's own journal -----------------------------------------------------------------


@pytest.fixture
def mine(pretended: Pretended) -> Path:  # noqa: ARG001
    """The journal that the grower's own `warmfoot run` has kept, with one batch in it."""
    path = Path(os.environ["HOME"]) / ".local/state/warmfoot/potting-shed.db"
    path.parent.mkdir(parents=True)
    with schema.sqlite3.connect(path) as conn:
        conn.executescript(VERSION_1.read_text(encoding="utf-8"))
    conn.close()
    return path


def test_batches_are_not_left_behind_unasked(pretended: Pretended, mine: Path) -> None:
    files = pretended.files()
    said = install()
    assert (said.exit_code, f"Type --take {mine}" in said.output) == (EXIT_REFUSED, True)
    assert pretended.files() == files
    assert install("--new-journal").exit_code == 0
    assert not (pretended.root / "var/lib/warmfoot/potting-shed.db").exists()


def test_batches_come_along_when_asked(pretended: Pretended, mine: Path) -> None:
    said = install("--take", str(mine))
    assert said.exit_code == 0, said.output
    taken = pretended.root / "var/lib/warmfoot/potting-shed.db"
    assert stat.S_IMODE(taken.stat().st_mode) == 0o660
    with open_reader(taken, older=True) as reader:
        assert reader.query("SELECT plant FROM batch") == [("Buxus sempervirens",)]
    assert mine.exists()
    assert "Nothing to do" in install().output
    again = install("--take", str(mine))
    assert (again.exit_code, "has a journal already" in again.output) == (EXIT_REFUSED, True)


def test_names_of_journals_are_typed_as_a_shell_reads_them() -> None:
    taking = wanted(journal=Place(f"{HOME}/my journals/$(reboot).db"))
    (line,) = [one for one in typed(steps_to_install(Found(), taking)) if "backup" in one]
    copied, *_ = line.split("; chown")
    assert shlex.split(copied) == [
        "warmfoot", "backup", "--journal", f"{HOME}/my journals/$(reboot).db",
        "/var/lib/warmfoot/shed.db",
    ]  # fmt: skip


def test_another_name_of_the_site_does_not_leave_the_batches_behind(
    pretended: Pretended, tmp_path: Path
) -> None:
    install()
    files = pretended.files()
    bench = tmp_path / "bench.toml"
    bench.write_text(TRAY.replace("Potting shed", "Alder Lane"))
    again = ("install", str(bench), "--program", PROGRAM)
    said = ask(*again)
    assert (said.exit_code, "it would begin another" in said.output) == (EXIT_REFUSED, True)
    assert "/var/lib/warmfoot/potting-shed.db" in said.output
    assert pretended.files() == files
    assert ask(*again, "--new-journal").exit_code == 0
    assert pretended.said()[-1] == "systemctl restart warmfoot"
    bench.write_text(f'{TRAY}\n[journal]\npath = "/var/lib/warmfoot/alder-lane.db"\n')
    assert ask(*again).exit_code == 0
    assert pretended.said()[-1] == "systemctl reload warmfoot"


@pytest.mark.parametrize("words", [(), ("--new-journal",)])
def test_a_bench_that_is_still_kept_by_hand_is_not_given_a_second_keeper(
    pretended: Pretended, mine: Path, words: tuple[str, ...]
) -> None:
    with FileLock(mine.with_name(f"{mine.name}.lock")):
        said = install(*words)
    assert (said.exit_code, "still keeps" in said.output) == (EXIT_REFUSED, True)
    assert pretended.said() == []


# -- status -----------------------------------------------------------------------------------


def test_status_tells_all_that_is_asked_of_it(pretended: Pretended, mine: Path) -> None:
    before = json.loads(ask("status", "--json").output)
    assert (before["unit"], before["running"], before["page"]) == (None, False, None)
    install("--take", str(mine))
    said = ask("status", "--json")
    assert said.exit_code == 0, said.output
    told = json.loads(said.output)
    assert told == {
        "unit": str(UNIT),
        "starts_with_the_machine": True,
        "running": True,
        "state": "active",
        "since": None,
        "program": PROGRAM,
        "bench_file": str(BENCH_FILE),
        "journal": "/var/lib/warmfoot/potting-shed.db",
        "table_version": "1",
        "table_version_wanted": schema.newest(),
        "last_backup": None,
        "page": "http://127.0.0.1:8046/",
    }
    assert list(told) == list(before)
    copy = pretended.root / "var/lib/warmfoot/potting-shed.db.version-1-20260302T031500Z"
    copy.touch()
    plain = ask("status").output
    assert f"last backup              /var/lib/warmfoot/{copy.name}\n" in plain
    assert "running                  yes\n" in plain
    (pretended.state / "active").unlink()
    assert ask("status").exit_code == EXIT_NOT_RUNNING


def test_status_finds_the_nightly_copy(pretended: Pretended, tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(f'{TRAY}\n[journal]\nbackup_dir = "/srv/stick"\n')
    assert ask("install", str(bench), "--program", PROGRAM).exit_code == 0
    (pretended.root / "var/lib/warmfoot/potting-shed.db").touch()
    folder = pretended.root / "srv/stick"
    folder.mkdir(parents=True)
    for day in ("2026-03-01", "2026-03-02"):
        (folder / f"potting-shed-{day}.db").touch()
        os.utime(folder / f"potting-shed-{day}.db", (int(day[-2:]), int(day[-2:])))
    told = json.loads(ask("status", "--json").output)
    assert "an empty file, not a journal" in told["journal"]
    (pretended.root / "var/lib/warmfoot/potting-shed.db").unlink()
    shutil.copy(_journal(tmp_path), pretended.root / "var/lib/warmfoot/potting-shed.db")
    told = json.loads(ask("status", "--json").output)
    assert told["last_backup"] == "/srv/stick/potting-shed-2026-03-02.db"


def _journal(folder: Path) -> Path:
    path = folder / "made.db"
    with schema.sqlite3.connect(path) as conn:
        conn.executescript(VERSION_1.read_text(encoding="utf-8"))
    conn.close()
    return path


@pytest.mark.parametrize("text", ["not toml at all [", None])
def test_status_tells_of_a_bench_file_that_is_no_good(
    pretended: Pretended, text: str | None
) -> None:
    install()
    path = pretended.root / "etc/warmfoot/bench.toml"
    path.unlink()
    if text:
        path.write_text(text)
    told = json.loads(ask("status", "--json").output)
    assert (told["running"], told["journal"]) == (True, None)
    assert told["bench_file"] is None if text is None else "not sound" in told["bench_file"]
