"""A share in words, and that no other way of writing one is left.

Source: ISO 80000-1:2022, 7.4 (a space between number and symbol, also before %).
"""

import re
from pathlib import Path

import pytest

import config
from config.shares import percent

ROOT = Path(config.__file__).parents[1]


@pytest.mark.parametrize(
    ("share", "digits", "words"),
    [(0.48, 0, "48 %"), (1.0, 0, "100 %"), (0.0, 0, "0 %"), (0.9984, 1, "99.8 %")],
)
def test_a_space_stands_before_the_sign(share, digits, words):
    assert percent(share, digits) == words


def test_no_text_writes_a_share_its_own_way():
    files = [
        file
        for folder in ("config", "sensors", "controller", "simulator")
        for file in (ROOT / folder).rglob("*.py")
    ]
    own = [
        f"{file.name}: {found}"
        for file in files
        for found in re.findall(r"\{[^{}]*:\.\d%\}", file.read_text(encoding="utf-8"))
    ]
    assert files
    assert own == []
