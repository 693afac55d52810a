"""The board's README says what the program takes, what is copied and what is drawn."""

import re
from pathlib import Path
from typing import Any

from sensors.board.settings import _KINDS, parse
from sensors.lines import decode

ROOT = Path(__file__).parents[2]
BOARD = ROOT / "sensors" / "board"
README = (BOARD / "README.md").read_text(encoding="utf-8")


def settings() -> str:
    (shown,) = re.findall(r"^```\n(.*?)^```", README, re.M | re.S)
    return str(shown)


def test_settings_shown_are_sound_and_the_pins_are_those_of_the_drawing() -> None:
    drawing = (BOARD / "wiring.svg").read_text(encoding="utf-8")
    items = parse(settings().replace("# ", ""))
    assert len(items) == 7
    pins = {
        item.values[key] for item in items for key in ("pin", "sda", "scl") if key in item.values
    }
    assert {int(number) for number in re.findall(r"GPIO (\d+)", drawing)} == pins
    assert {int(number) for number in re.findall(r"GPIO (\d+)", README)} == pins


def test_every_kind_and_key_of_the_settings_is_told() -> None:
    rows = dict(re.findall(r"^\| `(\w+)( [^`]*)` \|", README, re.M))
    assert set(rows) == set(_KINDS)
    for kind, (_, _, needed, allowed) in _KINDS.items():
        assert set(re.findall(r"(\w+)=", rows[kind])) == {*needed, *allowed}, kind


def test_every_file_that_the_program_needs_is_copied() -> None:
    copied = set(
        re.findall(r"sensors/[\w/.]+\.py", "\n".join(re.findall(r"mpremote cp .*", README)))
    )
    board = {f"sensors/board/{path.name}" for path in BOARD.glob("*.py")}
    assert copied == {"sensors/__init__.py", "sensors/lines.py", *board}


def test_the_board_starts_on_the_settings_shown(micropython: Any) -> None:
    text = settings() + "wire uart=0 tx=0 rx=1\n"
    micropython.run("OneWire.pins[2] = [BASE1]\nSoftI2C.devices[0x44] = AIR")
    micropython.run(f"power_up({text!r})\nadvance(3000)")
    said = [decode(line) for line in micropython.run("spoken()").splitlines()]
    assert [word for word, _, _ in said] == ["hello", "relay", "probe"]
    assert said[0][2]["ch"] == "base1,air,rh,mat1,mist"
