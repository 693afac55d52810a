"""Values and key paths as they are written in the file, fit for an error message."""

import json
import re
from datetime import date, datetime, time

from config.positions import Path

_SECRET_KEY = re.compile(r"passw|secret|token|api_?key|url", re.IGNORECASE)
_LOGIN = re.compile(r"://|:[^/\s]+@")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_LONGEST = 60


def is_secret(key: str, value: str) -> bool:
    """True when a value may hold a password: its key says so, or it looks like an address."""
    return bool(_SECRET_KEY.search(key) or _LOGIN.search(value))


def shown(key: str, value: object) -> str:
    """A value as TOML, shortened. What may be a password is not repeated."""
    if isinstance(value, str):
        if is_secret(key, value):
            return '"..."'
        text = json.dumps(value[: _LONGEST + 1], ensure_ascii=not value.isprintable())
        return text if len(value) <= _LONGEST else text[:_LONGEST] + '..."'
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        # Python refuses to write out a whole number of thousands of digits.
        return str(value) if value.bit_length() < 200 else "(a number of over 60 digits)"
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, date | datetime | time):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return "[...]" if value else "[]"
    return "{...}" if value else "{}"


def dotted(path: Path) -> str:
    """A key path as growers read it: benches.north.air.probes[2], list entries counted from 1."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            name = part if _BARE.fullmatch(part) else json.dumps(part[:_LONGEST])
            text += f".{name}" if text else name
    return text


def what_it_is(value: object) -> str:
    """Kind of a value in plain words, to say why it does not fit."""
    kinds: tuple[tuple[type | tuple[type, ...], str], ...] = (
        (str, "text"),
        (bool, "true or false"),
        (int, "a whole number"),
        (float, "a number"),
        (time, "a time of day"),
        (date, "a date"),
        ((list, tuple), "a list"),
    )
    return next((words for kind, words in kinds if isinstance(value, kind)), "a table")
