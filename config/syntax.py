"""A file that is not TOML at all, said in plain words."""

import re
import tomllib
from collections.abc import Iterator
from typing import Any, Final

from config.errors import ConfigError, Problem
from config.positions import Path, line_of, positions
from config.shown import dotted, is_secret

WHOLE_LIMIT: Final = 2**63
"""Whole numbers are held from -2**63 to 2**63 - 1. Source: TOML v1.0.0, "Integer"."""
_PLACE = re.compile(
    r"^(?P<what>.*) \(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of .*)\)$"
)

_WORDS = (
    ("Invalid statement", "a line begins with a key, a [table] or a # comment"),
    ("Expected newline", "something is left over after the value; write one key = value to a line"),
    ("Expected '='", "an equals sign is missing after the key"),
    ("Invalid value", "this is not a value; text needs quotes, a number neither quotes nor unit"),
    ("Cannot overwrite", "this key is already written above; write it once"),
    ("Cannot declare", "this [table] is already written above; put its keys together"),
    ("Cannot mutate", "this table is already complete above; put its keys together there"),
    ("Cannot redefine", "this table is already complete above; put its keys together there"),
    ("Duplicate inline", "this key is already written in the same braces; write it once"),
    ("Unclosed array", "a list that begins here or above has no closing ]"),
    ("Unclosed inline", "a table that begins here or above has no closing }"),
    ("Unterminated string", "a text that begins here or above has no closing quote"),
    ("Illegal character '\\n'", "a text on this line has no closing quote"),
    ("Illegal character", "a control character stands here; delete it and type the text again"),
    ("Found invalid character", "a control character stands here; delete it"),
    ("Expected ']", "a table's name has no closing bracket"),
    ("Unescaped", "a backslash in a text; write / instead, or use single quotes"),
    ("Invalid hex value", "a backslash in a text; write / instead, or use single quotes"),
    ("Escaped character", "a backslash in a text; write / instead, or use single quotes"),
    ("Invalid initial", "a key is missing here, or has letters other than a-z, 0-9, _ and -"),
    ("Invalid date", "there is no such date or time"),
)


def parse(text: str, file: str) -> dict[str, Any]:
    """The text as nested tables. Raises ConfigError with line and column when it is not TOML."""
    try:
        doc = tomllib.loads(text)
    except RecursionError:
        raise _refused(file, None, "lists or tables lie in one another too deeply") from None
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([_explain(str(error), text, file)]) from None
    except ValueError:
        # tomllib lets through what Python itself says of a number of thousands of digits.
        raise _refused(file, None, "a number in it has far too many digits") from None
    if vast := list(_vast(doc)):
        lines = positions(text)
        raise ConfigError(
            [
                Problem(file, line_of(path, lines), None, f"{dotted(path)} has far too many digits")
                for path in vast
            ]
        )
    return doc


def _vast(doc: dict[str, Any]) -> Iterator[Path]:
    """Where whole numbers stand that TOML does not ask a program to hold, and few programs can."""
    left: list[tuple[Path, object]] = [((), doc)]  # a deep file must not exhaust the call stack
    while left:
        path, value = left.pop()
        if isinstance(value, dict):
            left += [((*path, key), part) for key, part in value.items()]
        elif isinstance(value, list):
            left += [((*path, number), part) for number, part in enumerate(value)]
        elif isinstance(value, int) and not -WHOLE_LIMIT <= value < WHOLE_LIMIT:
            yield path


def _refused(file: str, line: int | None, text: str) -> ConfigError:
    return ConfigError([Problem(file, line, None, text)])


def _explain(error: str, text: str, file: str) -> Problem:
    found = _PLACE.match(error)
    what = found["what"] if found else error
    words = next((words for start, words in _WORDS if what.startswith(start)), what)
    if found and not found["line"] and what == "Invalid value":
        words = "the file ends where a value should be; is a closing ] or } missing?"
    rows = text.replace("\r\n", "\n").split("\n")
    if found and found["line"]:
        line, column = int(found["line"]), int(found["column"])
    else:
        line, column = max(1, len(rows) - (rows[-1] == "")), None
    return Problem(file, line, column, f"{_quoted(rows, line)}{words}")


def _quoted(rows: list[str], line: int) -> str:
    """The line itself, when it is short enough to help and cannot hold a password."""
    row = rows[line - 1].split(" #")[0].strip() if line <= len(rows) else ""
    if not row or len(row) > 80 or not row.isprintable() or is_secret(row, row):
        return ""
    return f"{row} - "
