"""What the model refused, as a grower reads it: key path, value found, what is allowed."""

from collections.abc import Iterator
from typing import Any
from zoneinfo import available_timezones

from pydantic_core import ErrorDetails

from config.findings import Finding
from config.near import near
from config.positions import Path
from config.shown import dotted, shown, what_it_is
from config.words import allowed_at, choices_at, keys_at, name_words

_KEY = "[key]"
"""How pydantic marks that a table's name, not its content, was refused."""


class _Missing:
    pass


MISSING = _Missing()


def value_at(doc: object, path: Path) -> object:
    """What a parsed file has at a key path, or MISSING."""
    for part in path:
        if isinstance(doc, dict):
            doc = doc.get(part, MISSING)
        elif isinstance(doc, list) and isinstance(part, int) and part < len(doc):
            doc = doc[part]
        else:
            return MISSING
    return doc


def path_of(error: ErrorDetails) -> Path:
    """Key path of a refusal, without the marks that pydantic puts between the keys."""
    path: Path = tuple(part for part in error["loc"] if part != _KEY)
    if error["type"].startswith("union_tag"):
        return (*path, "kind")
    # Below a link, pydantic names the link's kind before the key.
    return (*path[:2], *path[3:]) if path[:1] == ("links",) and len(path) > 3 else path


def explain(errors: list[ErrorDetails], doc: dict[str, Any]) -> Iterator[Finding]:
    """A finding, complete with path and value, for everything that the model refused."""
    for error in errors:
        path = path_of(error)
        if error["type"] == "too_short" and value_at(doc, path):
            continue  # its entries were refused, each with a finding of its own
        yield Finding(path, _sentence(error, path, doc))


def sentence(path: Path, doc: object, text: str) -> str:
    """Key path, value found, text: the form of every message about a key."""
    value = value_at(doc, path)
    name = dotted(path)
    if value is MISSING or isinstance(value, dict | list):
        return f"{name} - {text}"
    return f"{name} = {shown(str(path[-1]), value)} - {text}"


def _sentence(error: ErrorDetails, path: Path, doc: dict[str, Any]) -> str:
    kind = error["type"]
    if error["loc"] and error["loc"][-1] == _KEY:
        return f"{dotted(path)} - this name cannot be used; write {name_words()}"
    if kind in ("missing", "union_tag_not_found"):
        return f"{dotted(path)} is missing; write {allowed_at(path, doc)}"
    if kind == "extra_forbidden":
        return sentence(path, doc, _unknown_key(path, doc))
    return sentence(path, doc, _unfit(kind, error["msg"], path, doc))


def _unknown_key(path: Path, doc: object) -> str:
    known = keys_at(path[:-1], doc)
    return f"there is no such key{near(str(path[-1]), known)}; keys here are {', '.join(known)}"


def _unfit(kind: str, message: str, path: Path, doc: object) -> str:
    value = value_at(doc, path)
    allowed = allowed_at(path, doc)
    if kind in ("probe_address", "relay_address", "relay_lease"):
        return message
    if kind == "too_short":
        return "this is empty; write at least one"
    return f"{_why(kind, message, value, path, doc)}; write {allowed}{_unquoted(value, allowed)}"


def _why(kind: str, message: str, value: object, path: Path, doc: object) -> str:
    if kind in ("literal_error", "union_tag_invalid"):
        words = [choice for choice in choices_at(path, doc) if isinstance(choice, str)]
        return "this is not known here" + (near(value, words) if isinstance(value, str) else "")
    if kind == "timezone":
        return message + (near(value, available_timezones()) if isinstance(value, str) else "")
    if kind == "local_time":
        return message
    if kind.startswith("less_than"):
        return "this is too high"
    if kind.startswith("greater_than"):
        return "this is too low"
    if kind == "finite_number":
        return "this is not a number"
    if kind == "string_too_short":
        return "this is empty"
    if kind == "string_too_long":
        return "this is too long"
    if kind.startswith("string_pattern"):
        return "this cannot be used"
    return f"this is {what_it_is(value)}"


def _unquoted(value: object, allowed: str) -> str:
    """The commonest slip of all: a number between quotes."""
    return ", without quotes" if isinstance(value, str) and "number" in allowed.split()[:3] else ""
