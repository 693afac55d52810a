"""What a key may hold, in a grower's words. Read from the model, so that the two cannot differ."""

from functools import cache
from typing import Any, cast

from config.model import Site
from config.positions import Path
from config.shown import dotted

Schema = dict[str, Any]

_UNITS = (
    ("_ml_per_s", "ml per second"),
    ("_duty_per_k", "duty (0 to 1) per degree"),
    ("_kpa_min", "kPa minutes"),
    ("_c", "degrees C"),
    ("_pct", "per cent"),
    ("_s", "seconds"),
    ("_min", "minutes"),
    ("_days", "days"),
    ("_w", "watts"),
    ("_mm", "millimetres"),
    ("_m2", "square metres"),
    ("_m", "metres"),
    ("_deg", "degrees"),
)

_PATTERNS = {
    r"^[a-z][a-z0-9_]{0,31}$": "a name in quotes: small letters, digits and _, a letter first",
    r"^[A-Za-z0-9_.-]{1,32}$": "a channel in quotes, as the board names it: letters, digits, _ . -",
    r"^https?://[^\s/?#][^\s?#]{0,180}$": "an address in quotes without ? and #, such as "
    '"http://bench.local:8046"',
    r"^[A-Z]{3}$": 'three capital letters in quotes, such as "EUR"',
    r"^[A-Z][A-Z0-9_]*$": "the NAME of an environment variable, in capitals; the secret itself "
    "never goes into this file",
}

_SUCH_AS = {
    "timezone": 'a time zone in quotes, such as "Europe/Dublin"',
    "address": 'an IP address in quotes, such as "127.0.0.1"',
    "recipe": 'the name of a recipe in quotes, such as "semi_ripe"',
}


@cache
def _root() -> Schema:
    return Site.model_json_schema()


def schema_at(path: Path, doc: object) -> Schema:
    """What the model says of a key path; {} for a path it does not know.

    doc: the file as read, which tells of what kind each link is.
    """
    node = _plain(_root(), doc)
    for part in path:
        doc = _inside(doc, part)
        node = _plain(_step(node, part), doc)
    return node


def _inside(doc: object, part: str | int) -> object:
    if isinstance(doc, dict):
        return doc.get(part)
    if isinstance(doc, list) and isinstance(part, int) and part < len(doc):
        return doc[part]
    return None


def _step(node: Schema, part: str | int) -> Schema:
    if isinstance(part, int):
        return cast(Schema, node.get("items", {}))
    if part in node.get("properties", {}):
        return cast(Schema, node["properties"][part])
    further = node.get("additionalProperties")
    # pydantic writes dictionaries with patterned names as patternProperties.
    for schema in node.get("patternProperties", {}).values():
        return cast(Schema, schema)
    return further if isinstance(further, dict) else {}


def _plain(node: Schema, doc: object) -> Schema:
    """The node itself, with references, optional values and kinds of link looked through."""
    while True:
        if "$ref" in node:
            node = _root()["$defs"][node["$ref"].rsplit("/", 1)[-1]]
        elif "discriminator" in node:
            kinds = node["discriminator"]["mapping"]
            kind = doc.get("kind") if isinstance(doc, dict) else None
            if not isinstance(kind, str) or kind not in kinds:
                return {"properties": {"kind": {"enum": sorted(kinds)}}}
            node = {"$ref": kinds[kind]}
        elif "anyOf" in node:
            node = next(choice for choice in node["anyOf"] if choice.get("type") != "null")
        else:
            return node


def keys_at(path: Path, doc: object) -> list[str]:
    """Keys that a table may hold, in the order of the model."""
    return list(schema_at(path, doc).get("properties", {}))


def choices_at(path: Path, doc: object) -> list[str | int]:
    """The few words or numbers that a key may hold, [] when it is not such a choice."""
    node = schema_at(path, doc)
    words = list(node.get("enum", [node["const"]] if "const" in node else []))
    # A link within one process is for programs that embed Warmfoot, not for a bench file.
    return [word for word in words if word != "memory"]


def allowed_at(path: Path, doc: object) -> str:
    """What a key may hold: kind of value, unit, range."""
    key = next((part for part in reversed(path) if isinstance(part, str)), "")
    choices = choices_at(path, doc)
    if choices:
        quoted = [f'"{word}"' if isinstance(word, str) else str(word) for word in choices]
        return f"one of {', '.join(quoted)}" if len(quoted) > 1 else quoted[0]
    node = schema_at(path, doc)
    kind = node.get("type")
    # Other tables have an address of another sort, which says so by its pattern or its type.
    if key in _SUCH_AS and kind == "string" and not (key == "address" and "pattern" in node):
        return _SUCH_AS[key]
    if kind in ("number", "integer"):
        if key == "price_per_kwh":
            return f"an amount of money{_range(node)}"
        whole = "whole " if kind == "integer" else ""
        return f"a {whole}number{_unit(key)}{_range(node)}"
    if kind == "boolean":
        return "true or false, without quotes"
    if kind == "string" and key == "port":
        return 'a device in quotes, such as "/dev/serial/by-id/usb-..."'
    if kind == "string":
        return _text(node)
    if kind == "array":
        return "a list in [ ]"
    return _table(node, path)


def _table(node: Schema, path: Path) -> str:
    if any(isinstance(part, int) for part in path):
        return "a table in { }"
    return f"a table [{dotted(path)}{'.NAME' if 'patternProperties' in node else ''}]"


def _unit(key: str) -> str:
    return next((f" of {unit}" for end, unit in _UNITS if key.endswith(end)), "")


def _range(node: Schema) -> str:
    low, high = node.get("minimum"), node.get("maximum")
    above = node.get("exclusiveMinimum")
    if low is not None and high is not None:
        return f" between {low:.12g} and {high:.12g}"
    if above is not None:
        return f" above {above:.12g}" + (f", at most {high:.12g}" if high is not None else "")
    return ""


def _text(node: Schema) -> str:
    if node.get("format") == "time":
        return 'a time of day such as "22:30"'
    if node.get("pattern") in _PATTERNS:
        return _PATTERNS[node["pattern"]]
    if "maxLength" in node:
        return f"text in quotes, 1 to {node['maxLength']} letters"
    return "text in quotes"


def name_words() -> str:
    """What a name of a link, bench, bay or route may look like, as the key of its table."""
    return "a name of small letters, digits and _, a letter first, at most 32 long"
