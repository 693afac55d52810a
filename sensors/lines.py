"""A message as one checksummed line of text, for the serial line.

    word seq key=value key=value ... *HH\\n      probe 57 base1=20.12 air=14.31 *1D

One space between the parts, and one before the `*`. HH is the CRC-8/SMBUS (polynomial 0x07, start
0x00), as two upper-case hex digits, of every byte before the `*`, that last space included. ASCII
only, no control characters, at most 200 bytes with the newline. word: hello, probe, relay, nak or
order. seq: 0..65535 in decimal without leading zeros. key: 1 to 32 of A-Z a-z 0-9 _ . -, each at
most once in a line, in any order (MicroPython's dictionaries keep none). value: one or
more printable characters, no space. A relay's value is "1/28": closed, 28 s of its lease left;
"0/0": open.

This file runs unchanged on the board under MicroPython: built-ins only. On the host the package
puts a compiled `crc8` in the place of the plain one.
"""

LINE_BYTES = 200
WORDS = ("hello", "probe", "relay", "nak", "order")

_KEY = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_.-"
_PRINTABLE = "".join([chr(code) for code in range(32, 127)])
_DIGITS = "0123456789"
_WORD_LIST = ", ".join(WORDS)
_NUMBER_CHARACTERS = 12
_SEEN: dict[str, tuple[str, str]] = {}  # "key=value" found sound before: its key and value
_SEEN_KEPT = 256


class LineError(ValueError):
    """A line, payload or number that is not what this program's wire format allows."""


def _crc_table() -> bytes:
    table = []
    for byte in range(256):
        for _ in range(8):
            byte = (byte << 1) ^ 0x07 if byte & 0x80 else byte << 1
        table.append(byte & 0xFF)
    return bytes(table)


_CRC = _crc_table()
_HEX = tuple([f"{byte:02X}" for byte in range(256)])


def plain_crc8(data: bytes) -> int:
    """CRC-8/SMBUS of `data`, 0..255. Source of the parameters: SMBus specification, section on
    packet error checking (x^8 + x^2 + x + 1, start 0, not reflected)."""
    table = _CRC
    crc = 0
    for byte in data:
        crc = table[crc ^ byte]
    return crc


crc8 = plain_crc8


def encode(word: str, seq: int, fields: dict[str, str]) -> str:
    """The line for one message, with its newline.

    word, seq, fields: as the format above allows. Raises LineError, naming what does not fit.
    """
    if word not in WORDS:
        raise LineError(f"word is {word!r}; expected one of {_WORD_LIST}")
    if not 0 <= seq <= 65535:
        raise LineError(f"seq is {seq!r}; expected 0 to 65535")
    text = word + " " + str(seq) + " "
    printable = True
    for key in fields:
        value = fields[key]
        part = key + "=" + value
        known = _SEEN.get(part)
        # A key that holds a "=" makes the same text as another key with another value.
        if known is None or known[0] != key:
            if key.strip(_KEY) or not 0 < len(key) <= 32:
                raise LineError(_bad_key(key))
            if not value or " " in value:
                raise LineError(_bad_value(key, value))
            if part.strip(_PRINTABLE):
                printable = False
            else:
                _remember(part, key, value)
        text += part + " "
    if not printable:
        raise LineError(f"only printable ASCII may be sent, found {text!r}")
    if len(text) > LINE_BYTES - 4:
        raise LineError(f"the line would be {len(text) + 4} bytes long; at most {LINE_BYTES} fit")
    return text + "*" + _HEX[crc8(text.encode())] + "\n"


def decode(line: str | bytes) -> tuple[str, int, dict[str, str]]:
    """The word, sequence and fields of one line, with or without its newline.

    Raises LineError when anything at all differs from the format.
    """
    try:
        text = line if isinstance(line, str) else line.decode()
        if text[-1:] == "\n":
            text = text[:-1]
        data = text[:-3].encode()
    except ValueError:
        raise LineError("a line holds bytes that are not ASCII") from None
    if len(data) >= LINE_BYTES - 3 or text[-4:-2] != " *":
        raise LineError(_bad_frame(text))
    if text[-2:] != _HEX[crc8(data)]:
        raise _refusal(text, f"checksum does not match in {text!r}")
    parts = text[:-4].split(" ")
    word = parts[0]
    if word not in WORDS:
        raise _refusal(text, f"unknown word in {text!r}; expected one of {_WORD_LIST}")
    if len(parts) < 2:
        raise LineError(f"no sequence number in {text!r}")
    number = parts[1]
    if number.strip(_DIGITS) or not 0 < len(number) <= 5 or (number[0] == "0" and number != "0"):
        raise _refusal(text, f"sequence is {number!r}; expected 0 to 65535, no leading zeros")
    seq = int(number)
    if seq > 65535:
        raise _refusal(text, f"sequence is {number!r}; expected 0 to 65535")
    fields = {}
    for part in parts[2:]:
        known = _SEEN.get(part)
        if known is None:
            known = _field(part, text)
        fields[known[0]] = known[1]
    if len(fields) != len(parts) - 2:
        raise LineError(f"a key comes twice in {text!r}")
    return word, seq, fields


def _field(part: str, text: str) -> tuple[str, str]:
    """The key and value of one part of the line `text`."""
    key, sign, value = part.partition("=")
    if key.strip(_KEY) or not 0 < len(key) <= 32:
        raise _refusal(text, _bad_key(key))
    if not value:
        raise _refusal(text, _bad_value(key, value) if sign else f"{part!r} has no value")
    if part.strip(_PRINTABLE):
        raise LineError(_bad_frame(text))
    return _remember(part, key, value)


def _remember(part: str, key: str, value: str) -> tuple[str, str]:
    """Keep what was found sound: a probe that moves slowly says the same text again and again."""
    if len(_SEEN) >= _SEEN_KEPT:
        _SEEN.clear()
    known = _SEEN[part] = (key, value)
    return known


def parse_number(text: str) -> float:
    """The number written as decimal text: "-" or nothing, digits, and "." with digits or nothing.

    Raises LineError for all else: empty text, nan, inf, exponents, "+", "_", a decimal comma,
    digits that are not ASCII, more than 12 characters.
    """
    size = len(text)
    # strip leaves nothing exactly when every character is a digit, and "." of an ordinary number.
    if text.strip(_DIGITS) == "." and size <= _NUMBER_CHARACTERS and text[0] != "." != text[-1]:
        return float(text)
    digits = text[1:] if text[:1] == "-" else text
    whole, point, rest = digits.partition(".")
    if not whole or size > _NUMBER_CHARACTERS or whole.strip(_DIGITS) or rest.strip(_DIGITS):
        raise LineError(_bad_number(text))
    if point and not rest:
        raise LineError(_bad_number(text))
    return float(text)


class LineAssembler:
    """Bytes in, whole lines out; keeps the unfinished rest, and never more than 200 bytes of it.

    A line that is too long, or not ASCII, is dropped up to its newline and counted in `dropped`;
    whether the others make sense is for `decode` to say. Empty lines are passed over. A carriage
    return before the newline is taken off: some consoles put it there.
    """

    def __init__(self) -> None:
        self.dropped = 0
        self._held = b""
        self._skipping = False

    @property
    def idle(self) -> bool:
        """True between two lines: nothing is kept, and the next byte begins a line."""
        return not self._held and not self._skipping

    def feed(self, data: bytes) -> list[str]:
        """Every line completed by `data`, without newlines, oldest first."""
        lines: list[str] = []
        start = 0
        while True:
            end = data.find(b"\n", start)
            if end < 0:
                break
            line = data[start:end]
            start = end + 1
            if self._held:
                line = self._held + line
                self._held = b""
            if self._skipping:
                self._skipping = False
                continue
            if line[-1:] == b"\r":
                line = line[:-1]
            if not line:
                continue
            text = _as_text(line)
            if text:
                lines.append(text)
            else:
                self.dropped += 1
        if start < len(data) and not self._skipping:
            self._hold(data[start : start + LINE_BYTES + 2])
        return lines

    def reset(self) -> None:
        """Forget an unfinished line: what follows comes from another opening of the wire."""
        if self._held:
            self.dropped += 1
        self._held = b""
        self._skipping = False

    def _hold(self, rest: bytes) -> None:
        self._held = self._held + rest
        if len(self._held) > LINE_BYTES:  # a carriage return may still take the newline's place
            self._held = b""
            self._skipping = True
            self.dropped += 1


def _as_text(line: bytes) -> str:
    """The line as text, "" when it is too long or not ASCII."""
    if len(line) >= LINE_BYTES:
        return ""
    try:
        return line.decode("ascii")
    except ValueError:
        return ""


def _refusal(text: str, why: str) -> LineError:
    """Why the line is refused; a character that may not be sent explains all the rest."""
    return LineError(_bad_frame(text) if text.strip(_PRINTABLE) else why)


def _bad_key(key: str) -> str:
    return f"key {key!r}; expected 1 to 32 of A-Z a-z 0-9 _ . -"


def _bad_value(key: str, value: str) -> str:
    return f"value of {key} is {value!r}; expected printable characters, no spaces"


def _bad_number(text: str) -> str:
    return f"{text!r} is not a plain decimal number such as 20.12 (at most 12 characters)"


def _bad_frame(text: str) -> str:
    if len(text) >= LINE_BYTES:
        return f"a line of {len(text) + 1} bytes; at most {LINE_BYTES} fit"
    if text[-4:-2] != " *":
        return f"no checksum (*HH after a space) at the end of {text!r}"
    return f"only printable ASCII may be received, found {text!r}"
