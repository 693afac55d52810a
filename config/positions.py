"""Where each key of a TOML text stands. Used only once something is wrong, to name the line."""

import re
import tomllib
from bisect import bisect_right

Path = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\n,]|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BARE_VALUE = re.compile(r"[^,\]}\n#]*")
_DOT = re.compile(r"[ \t]*\.[ \t]*")


def positions(text: str) -> dict[Path, int]:
    """Line, counted from 1, on which each key, table and list entry of a TOML text begins.

    text: must be sound TOML, as tomllib has accepted it.
    Returns: key path to line; entries of a list are counted from 0.
    """
    scanner = _Scanner(text.replace("\r\n", "\n"))
    scanner.document()
    return scanner.lines


def line_of(path: Path, lines: dict[Path, int]) -> int | None:
    """Line of a key path, or of the nearest table around it that is written in the file."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return None


class _Scanner:
    """Walks sound TOML once. It need not judge, so it only looks for where things begin and end."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[Path, int] = {}
        self._table: Path = ()
        self._entries: dict[Path, int] = {}
        self._starts = [0, *(found.end() for found in re.finditer("\n", text))]

    def document(self) -> None:
        self._skip(_BLANK)
        while self.at < len(self.text):
            if self.text.startswith("[", self.at):
                self._header()
            else:
                self._pair(self._table)
            self._skip(_BLANK)

    def _skip(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self.text, self.at)
        if found is None:
            return ""
        self.at = found.end()
        return found.group()

    def _note(self, path: Path, start: int) -> None:
        self.lines.setdefault(path, bisect_right(self._starts, start))

    def _header(self) -> None:
        start = self.at
        is_list = self.text.startswith("[[", start)
        self.at += 2 if is_list else 1
        self._skip(_BLANK)
        parts = self._key()
        self._skip(_BLANK)
        self.at += 2 if is_list else 1
        path: Path = ()
        for n, part in enumerate(parts, start=1):
            path = (*path, part)
            self._note(path, start)
            if is_list and n == len(parts):
                self._entries[path] = self._entries.get(path, 0) + 1
            if path in self._entries:
                path = (*path, self._entries[path] - 1)
                self._note(path, start)
        self._table = path

    def _pair(self, table: Path) -> None:
        start = self.at
        path = table
        for part in self._key():
            path = (*path, part)
            self._note(path, start)
        self._skip(_BLANK)
        self.at += 1  # the equals sign
        self._skip(_BLANK)
        self._value(path)

    def _key(self) -> list[str]:
        parts = []
        while True:
            start = self.at
            if self.text[start] in "\"'":
                self._string()
                literal = self.text[start : self.at]
                parts.append(str(tomllib.loads(f"key = {literal}")["key"]))
            else:
                parts.append(self._skip(_BARE_KEY))
            if not self._skip(_DOT):
                return parts

    def _value(self, path: Path) -> None:
        opening = self.text[self.at]
        if opening in "\"'":
            self._string()
        elif opening == "[":
            self._list(path)
        elif opening == "{":
            self._inline_table(path)
        else:
            self._skip(_BARE_VALUE)

    def _list(self, path: Path) -> None:
        self.at += 1
        self._skip(_BLANK)
        number = 0
        while self.text[self.at] != "]":
            self._note((*path, number), self.at)
            self._value((*path, number))
            self._skip(_BLANK)
            number += 1
        self.at += 1

    def _inline_table(self, path: Path) -> None:
        self.at += 1
        self._skip(_BLANK)
        while self.text[self.at] != "}":
            self._pair(path)
            self._skip(_BLANK)
        self.at += 1

    def _string(self) -> None:
        quote = self.text[self.at]
        mark = quote * 3 if self.text.startswith(quote * 3, self.at) else quote
        self.at += len(mark)
        while not self.text.startswith(mark, self.at):
            self.at += 2 if quote == '"' and self.text[self.at] == "\\" else 1
        self.at += len(mark)
        # A long text may itself end in one or two quotes, before the three that close it.
        while len(mark) == 3 and self.text.startswith(quote, self.at):
            self.at += 1
