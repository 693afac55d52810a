"""A message as an MQTT topic and a JSON payload, and JSON read strictly.

Our own topics, all lower-case ASCII (levels and wildcards: MQTT 5.0, OASIS Standard, section 4.7):

    warmfoot/1/<site>/<node>/probe|relay|hello|nak    {"seq": 57, "values": {"base1": 20.12}}
    warmfoot/1/<site>/<node>/order                    {"seq": 88, "values": {"mat1": 30, "mist": 0}}
    warmfoot/1/<site>/<node>/status                   online | offline, retained

`seq` and `values` are both needed and nothing else is allowed beside them. Each value is a JSON
number, or a string for what is no number ("1/28"). A number travels on as the decimal text that
was sent, so nothing is rounded on the way. JSON is read strictly (RFC 8259): a name given twice,
NaN and Infinity are refused, as is anything above 4 KB.
"""

import json
import unicodedata
from typing import Final, NoReturn

from sensors.lines import LINE_BYTES, LineError, encode, parse_number
from sensors.messages import HELLO, NAK, PROBE, RELAY, Message

ROOT: Final = "warmfoot/1"
HOST: Final = "host"
"""The node name under which Warmfoot itself publishes."""
LONE_NODE: Final = "board"
"""Topic level of a board whose node is left out of the bench file."""
STATUS: Final = "status"
FROM_NODES: Final = (PROBE, RELAY, HELLO, NAK)
PAYLOAD_BYTES: Final = 4096


class PayloadError(LineError):
    """A topic, payload or pointer that cannot be used."""


def slug(name: str) -> str:
    """The site's name as a topic level: lower-case ASCII letters, digits and single hyphens.

    Accents are taken off; a name with nothing left of it gives "site".
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    words = "".join(c if c.isalnum() else " " for c in plain).split()
    return "-".join(words) or "site"


def own_topic(site: str, node: str, word: str) -> str:
    """Topic of one of our messages. site: slug.  node: "" for a lone board.  word: last level."""
    return f"{ROOT}/{site}/{node or LONE_NODE}/{word}"


def split_own(topic: str, site: str) -> tuple[str, str] | None:
    """(node, word) of one of the site's own topics, None for any other topic."""
    start = f"{ROOT}/{site}/"
    if not topic.startswith(start):
        return None
    node, sign, word = topic[len(start) :].partition("/")
    return (node, word) if sign and node and word and "/" not in word else None


def check_topic(topic: str) -> str:
    """The topic of another device, if it can be read or written.

    Raises PayloadError for an empty one, one above 200 bytes, wildcards, control characters, and
    levels that brokers keep for themselves ($SYS).
    """
    if not topic or len(topic.encode("utf-8", "replace")) > LINE_BYTES:
        raise PayloadError(f"topic {topic[:40]!r}; expected 1 to {LINE_BYTES} bytes")
    if topic.startswith("$") or any(c in "+#" or not c.isprintable() for c in topic):
        raise PayloadError(f"topic {topic!r}; expected one plain topic without + # or a leading $")
    return topic


def foreign_key(topic: str, pointer: str = "") -> str:
    """The channel under which a value of another device's topic is known: "topic#pointer".

    A topic holds no "#" of its own. Without a pointer, and for switches, it is the topic.
    """
    return f"{topic}#{pointer}" if pointer else topic


def encode_payload(message: Message) -> bytes:
    """The JSON payload of one of our messages.

    Raises LineError for what the text line would refuse too, bar its length, and PayloadError
    above 4 KB.
    """
    _check(message.word, message.seq, message.fields)
    values = ",".join(f'"{key}":{_token(value)}' for key, value in message.fields.items())
    payload = f'{{"seq":{message.seq},"values":{{{values}}}}}'.encode()
    if len(payload) > PAYLOAD_BYTES:
        raise PayloadError(f"payload of {len(payload)} bytes; at most {PAYLOAD_BYTES} fit")
    return payload


def decode_payload(word: str, payload: bytes) -> Message:
    """The message in one of our payloads. word: last level of its topic.

    Raises PayloadError or LineError when anything differs from the format.
    """
    document = read_json(payload)
    if not isinstance(document, dict) or set(document) != {"seq", "values"}:
        raise PayloadError('payload is no object with just "seq" and "values"')
    seq, values = document["seq"], document["values"]
    if not isinstance(seq, _Number) or not seq.isdecimal() or len(seq) > 5:
        raise PayloadError(f'"seq" is {seq!r}; expected a whole number from 0 to 65535')
    if not isinstance(values, dict):
        raise PayloadError('"values" is no object')
    fields: dict[str, str] = {}
    for key, value in values.items():
        if not isinstance(value, str):
            raise PayloadError(f"value of {key!r} is neither a number nor a string")
        fields[key] = str(value)
    _check(word, int(seq), fields)
    return Message(word, int(seq), fields)


class _Number(str):
    """A JSON number, as the text that was sent."""

    __slots__ = ()


def read_json(payload: bytes) -> object:
    """The document in a payload, with each number as the text that was sent.

    Raises PayloadError for more than 4 KB, bytes that are not UTF-8, JSON that is broken or nested
    too deep, a name given twice in one object, NaN and Infinity.
    """
    if len(payload) > PAYLOAD_BYTES:
        raise PayloadError(f"payload above {PAYLOAD_BYTES} bytes")
    try:
        return json.loads(
            payload.decode("utf-8"),
            parse_float=_Number,
            parse_int=_Number,
            parse_constant=_refuse,
            object_pairs_hook=_unique,
        )
    except PayloadError:
        raise
    except RecursionError:
        raise PayloadError("payload is nested too deep") from None
    except ValueError as error:  # broken UTF-8 and broken JSON alike
        raise PayloadError(f"payload is no JSON: {error}") from None


def resolve(document: object, pointer: str) -> object:
    """The value that an RFC 6901 JSON Pointer names in a parsed document.

    Raises PayloadError when the pointer is malformed or leads nowhere; "-" (past the end of an
    array, section 4) leads nowhere.
    """
    for token in parse_pointer(pointer):
        if isinstance(document, dict) and token in document:
            document = document[token]
        elif isinstance(document, list) and _is_index(token, len(document)):
            document = document[int(token)]
        else:
            raise PayloadError(f"nothing at {pointer!r} in the payload")
    return document


def parse_pointer(pointer: str) -> list[str]:
    """The reference tokens of a JSON Pointer, unescaped (RFC 6901, sections 3 and 4).

    Raises PayloadError unless it is "" or starts with "/", and for "~" without 0 or 1 after it.
    """
    if not pointer:
        return []
    if pointer[0] != "/":
        raise PayloadError(f'pointer {pointer!r}; expected "" or a start with "/"')
    if any(part[:1] not in ("0", "1") for part in pointer.split("~")[1:]):
        raise PayloadError(f'pointer {pointer!r}: write "~" as "~0" and "/" as "~1"')
    # "~1" before "~0", so that "~01" ends as "~1" (section 4).
    return [part.replace("~1", "/").replace("~0", "~") for part in pointer[1:].split("/")]


def token_text(value: object) -> str | None:
    """A JSON number of `read_json` as plain decimal text, None for anything else."""
    return decimal_text(value) if isinstance(value, _Number) else None


def decimal_text(number: str) -> str:
    """A JSON number as plain decimal text of at most 12 characters.

    A longer one, or one with an exponent, is cut to at most six decimals: finer than any probe.
    Raises PayloadError from 1e9 on, either way from zero.
    """
    if len(number) <= 12 and "e" not in number and "E" not in number:
        return number
    value = float(number)
    if not abs(value) < 1e9:
        raise PayloadError(f"number {number[:24]!r} is beyond what any probe reads")
    return f"{value:.6f}"[:12]


def _check(word: str, seq: int, fields: dict[str, str]) -> None:
    """Hold a payload to the text line's rules, bar its length."""
    encode(word, seq, {})
    for key, value in fields.items():
        encode(word, seq, {key: value})


def _token(value: str) -> str:
    """A field's text as JSON: bare when it is a JSON number already, else a string."""
    digits = value[1:] if value[:1] == "-" else value
    whole, _, _ = digits.partition(".")
    if whole == "0" or not whole.startswith("0"):
        try:
            parse_number(value)
        except LineError:
            return json.dumps(value)
        return value
    return json.dumps(value)


def _is_index(token: str, size: int) -> bool:
    """An array index as RFC 6901 writes it: ASCII digits without leading zeros, in the array."""
    plain = token.isascii() and token.isdigit() and (token == "0" or token[0] != "0")
    return plain and len(token) < 5 and int(token) < size


def _unique(pairs: list[tuple[str, object]]) -> dict[str, object]:
    document = dict(pairs)
    if len(document) != len(pairs):
        raise PayloadError("a name comes twice in one JSON object")
    return document


def _refuse(constant: str) -> NoReturn:
    raise PayloadError(f"{constant} is no number")
