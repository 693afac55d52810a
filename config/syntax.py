"""A file that is not TOML at all, said in plain words."""

import re
import tomllib
from typing import Any

from config.errors import ConfigError, Problem
from config.shown import is_secret

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
        return tomllib.loads(text)
    except RecursionError:
        raise _refused(file, None, "lists or tables lie in one another too deeply") from None
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([_explain(str(error), text, file)]) from None
    except ValueError:
        # tomllib lets through what Python itself says of a number of thousands of digits.
        raise _refused(file, None, "a number in it has far too many digits") from None


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
