"""The unit file as systemd itself reads it."""

import os
import shutil
import subprocess
from importlib.resources import files
from pathlib import Path

import pytest

EXPOSURE_MOST = 3.0
"""On systemd's own scale of 0 (closed) to 10; below 3 it says OK."""


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit, with a program that is there in place of ours."""
    if shutil.which("systemd-analyze") is None:
        why = "no systemd-analyze here; install it: apt-get install systemd"
        if os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)
    text = files("config").joinpath("warmfoot.service").read_text(encoding="utf-8")
    assert "/opt/warmfoot/bin/warmfoot" in text
    path = tmp_path / "warmfoot.service"
    path.write_text(text.replace("/opt/warmfoot/bin/warmfoot", "/bin/true"))
    return path


def analyzed(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["systemd-analyze", *map(str, words)], capture_output=True, text=True, timeout=60
    )


def test_unit_file_is_sound(unit: Path) -> None:
    done = analyzed("verify", unit)
    ours = [line for line in done.stderr.splitlines() if "warmfoot.service" in line]
    assert (done.returncode, ours) == (0, [])
    unit.write_text(unit.read_text().replace("Type=notify", "Type=sometimes"))
    assert "warmfoot.service" in analyzed("verify", unit).stderr, "verify notices nothing"


def test_unit_is_closed_as_far_as_it_can_be(unit: Path, capsys: pytest.CaptureFixture[str]) -> None:
    done = analyzed("security", "--offline=true", f"--threshold={EXPOSURE_MOST * 10:.0f}", unit)
    last = done.stdout.strip().splitlines()[-1] if done.stdout else done.stderr
    with capsys.disabled():
        print(f"\n{last}")
    assert done.returncode == 0, last
