"""Other people's MQTT devices in the bench file: numbers, on and off, being there."""

from typing import Literal

from pydantic import StrictStr

from config.record import Record

Sends = Literal["degF", "tenths", "hundredths", "fraction", "litres"]
"""What a payload's number is, where it is not plain degC, %, W/m2 or ml: a fraction is humidity
from 0 to 1, litres are those of a water meter."""


class SwitchState(Record):
    """Where a plain switch tells what it is, and in which words."""

    topic: StrictStr
    pointer: StrictStr = ""
    """RFC 6901 pointer into a JSON payload; "" when the payload is the bare word."""
    on: StrictStr | None = None
    off: StrictStr | None = None
    """By default the payloads by which it is switched."""


class Available(Record):
    """Where a plain switch, or the broker in its place, tells that it is there."""

    topic: StrictStr
    pointer: StrictStr = ""
    payload: StrictStr = "online"
    """Anything else there means that it is not."""
