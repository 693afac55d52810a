"""Whatever stands in a file: a Site, or one ConfigError. Never another exception."""

import tomllib
from importlib.resources import files
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.load import ConfigError, loads
from config.positions import line_of, positions

EXAMPLE = files("config").joinpath("examples/two_benches_mqtt.toml").read_text(encoding="utf-8")
LINES = EXAMPLE.split("\n")
TOKENS = st.sampled_from(
    [
        "[",
        "]",
        "[[",
        "]]",
        "{",
        "}",
        '"',
        "'",
        '"""',
        "'''",
        "=",
        ",",
        ".",
        "\\",
        "#",
        "\n",
        "\r\n",
        "a",
        "b.c",
        '"k k"',
        "site",
        "links",
        "benches",
        "kind",
        "1",
        "-2.5",
        "nan",
        "inf",
        "true",
        "0xffff",
        "2026-01-01",
        "07:30:00",
        "2026-01-01T07:30:00Z",
        "\x00",
        "\x7f",
        "é",
        "\u202e",
    ]
)
VALUES = st.sampled_from(
    [
        "",
        "1",
        "-1",
        "1e400",
        "nan",
        "inf",
        "true",
        '""',
        '"x"',
        "[]",
        "[[]]",
        "{}",
        "[1, 'a']",
        "{ kind = 1 }",
        "[{ link = 'x' }]",
        "07:30:00",
        "2026-01-01",
        "9" * 400,
        "'''\n'''",
        "0x" + "f" * 5000,
        '"' + "a" * 500 + '"',
        '"\\u0000"',
        "{ a = { b = [1, { c = 2 }] } }",
    ]
)


def site_or_config_error(text: str) -> None:
    said: list[str] = []
    try:
        loads(text, "bench.toml")
    except ConfigError as error:
        said = [problem.text for problem in error.problems] or [""]
    assert all(said)


@settings(deadline=None)
@given(st.text())
def test_arbitrary_text_is_refused_in_words(text: str) -> None:
    site_or_config_error(text)


@settings(deadline=None)
@given(st.lists(TOKENS, max_size=30).map("".join))
def test_shreds_of_toml_are_refused_in_words(text: str) -> None:
    site_or_config_error(text)


@settings(deadline=None)
@given(st.integers(0, len(LINES) - 1), VALUES)
def test_a_wrong_value_anywhere_is_refused_in_words(number: int, value: str) -> None:
    lines = list(LINES)
    key, equals, _ = lines[number].partition("=")
    lines[number] = f"{key}{equals} {value}"
    site_or_config_error("\n".join(lines))


@settings(deadline=None)
@given(st.lists(st.integers(0, len(LINES) - 1), max_size=6), st.randoms(use_true_random=False))
def test_lost_doubled_and_moved_lines_are_refused_in_words(numbers: list[int], random: Any) -> None:
    lines = list(LINES)
    for number in numbers:
        line = lines.pop(number % len(lines))
        for _ in range(random.choice([0, 1, 2])):
            lines.insert(random.randrange(len(lines) + 1), line)
    site_or_config_error("\n".join(lines))


@settings(deadline=None)
@given(st.integers(0, len(EXAMPLE)), st.integers(0, 40), TOKENS)
def test_cut_and_overtyped_files_are_refused_in_words(at: int, length: int, token: str) -> None:
    site_or_config_error(EXAMPLE[:at] + token + EXAMPLE[at + length :])
    site_or_config_error(EXAMPLE[:at])


@pytest.mark.parametrize("depth", [50, 200, 300, 325, 335, 1000])
def test_any_depth_is_refused_in_words(depth: int) -> None:
    site_or_config_error(f"site = {'[' * depth}{']' * depth}")
    site_or_config_error(f"links = {'{a=' * depth}1{'}' * depth}")
    site_or_config_error("a." * depth + "a = 1")


def paths_of(value: object, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """Every key path of a parsed document."""
    inner: list[tuple[str | int, object]] = []
    if isinstance(value, dict):
        inner = list(value.items())
    elif isinstance(value, list):
        inner = list(enumerate(value))
    found = [path] if path else []
    for key, below in inner:
        found += paths_of(below, (*path, key))
    return found


@settings(deadline=None)
@given(st.lists(TOKENS, max_size=25).map("".join))
def test_every_key_of_sound_toml_has_a_line(text: str) -> None:
    try:
        doc = tomllib.loads(text)
    except ValueError:
        return
    assert set(paths_of(doc)) <= set(positions(text))


KEYS = st.sampled_from(["a", "b", "c d", "é", "x.y", '"'])
LEAVES = st.sampled_from(
    ["1", "'#'", '"\\"]"', '"""\n"\\""""""', "'''\n}''\n'''", "07:30:00", "[]", "{}"]
)
DOCS = st.dictionaries(
    KEYS,
    st.recursive(
        LEAVES,
        lambda inner: (
            st.lists(inner, min_size=1, max_size=3) | st.dictionaries(KEYS, inner, min_size=1)
        ),
        max_leaves=8,
    ),
    min_size=1,
)


class Writer:
    """Writes a document one part to a line, and keeps where it wrote each."""

    def __init__(self) -> None:
        self.text = ""
        self.lines: dict[tuple[str | int, ...], int] = {}

    def note(self, path: tuple[str | int, ...]) -> None:
        self.lines[path] = self.text.count("\n") + 1

    def key(self, name: str) -> str:
        return '"' + name.replace('"', '\\"') + '"'

    def value(self, value: Any, path: tuple[str | int, ...]) -> None:
        if isinstance(value, str):
            self.text += value
        elif isinstance(value, list):
            self.text += "[ # ]\n"
            for number, below in enumerate(value):
                self.note((*path, number))
                self.value(below, (*path, number))
                self.text += " ,\n\n"
            self.text += "]"
        else:
            self.text += "{"
            for number, (name, below) in enumerate(value.items()):
                self.text += " , " if number else ""
                self.note((*path, name))
                self.text += f"{self.key(name)} ="
                self.value(below, (*path, name))
            self.text += "}"

    def document(self, doc: dict[str, Any]) -> None:
        for name, value in doc.items():
            if isinstance(value, dict):
                self.note((name,))
                self.text += f"[ {self.key(name)} ] # [x]\n"
                for inner, below in value.items():
                    self.note((name, inner))
                    self.text += f"{self.key(inner)}= "
                    self.value(below, (name, inner))
                    self.text += "\n"
            elif isinstance(value, list) and all(isinstance(entry, dict) for entry in value):
                for number, entry in enumerate(value):
                    if number == 0:
                        self.note((name,))
                    self.note((name, number))
                    self.text += f"[[{self.key(name)}]]\n"
                    for inner, below in entry.items():
                        self.note((name, number, inner))
                        self.text += f"{self.key(inner)} = "
                        self.value(below, (name, number, inner))
                        self.text += "\n"


@settings(deadline=None)
@given(DOCS)
def test_lines_are_those_on_which_the_keys_were_written(doc: dict[str, Any]) -> None:
    writer = Writer()
    writer.document(doc)
    tomllib.loads(writer.text)
    assert positions(writer.text) == writer.lines
    assert positions(writer.text.replace("\n", "\r\n")) == writer.lines


def test_entries_of_nested_table_lists_have_their_own_lines() -> None:
    text = "[[a]]\n[[a.b]]\nx = 1\n[[a.b]]\nx = 2\n[a.c.d]\n[[a]]\n[[a.b]]\nx.y = 3\n"
    lines = positions(text)
    assert [lines["a", 0, "b", n, "x"] for n in (0, 1)] == [3, 5]
    assert lines["a", 1, "b", 0, "x", "y"] == 9
    assert lines["a", 0, "c", "d"] == 6
    assert line_of(("a", 1, "b", 0, "z"), lines) == 8
    assert line_of(("nowhere",), lines) is None
