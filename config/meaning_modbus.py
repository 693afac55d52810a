"""What is said of Modbus in a bench file: what cannot be meant, and lines asked for too much."""

from collections.abc import Iterator

from config.findings import Finding
from config.modbus import ADDRESS_LAST, BITS_PER_CHARACTER, ModbusLink, ModbusPoint, ModbusSwitch
from config.positions import Path
from config.shares import percent

READ_CHARACTERS = 8 + 9 + 7
"""A request, an answer of two registers, and two pauses of 3.5 characters between frames."""
TURNAROUND_S = 0.02
"""What a unit thinks before it answers; common practice, no source."""
LARGEST_LOAD = 0.7
"""Share of a line's time that readings may take; the rest is for orders and for silent units."""


def modbus_place(path: Path, place: ModbusPoint | ModbusSwitch) -> Iterator[Finding]:
    """Keys of one place that do not go together."""
    if isinstance(place, ModbusPoint):
        if place.address + place.words - 1 > ADDRESS_LAST:
            yield Finding(
                (*path, "address"),
                f"{place.type} takes two registers; write at most {ADDRESS_LAST - 1}",
            )
        if place.scale == 0:
            yield Finding((*path, "scale"), "this makes every value the same; write such as 0.1")
        if place.words == 1 and "word_order" in place.model_fields_set:
            yield Finding(
                (*path, "word_order"), f"{place.type} is a single register; take word_order out"
            )
        return
    if place.table == "coil":
        for key in ("on_value", "off_value"):
            if key in place.model_fields_set:
                yield Finding(
                    (*path, key), f"a coil is on or off; {key} goes with holding_register only"
                )
    elif place.on_value == place.off_value:
        yield Finding((*path, "off_value"), "on_value and off_value are the same; make them differ")


def modbus_load(
    path: Path, name: str, link: ModbusLink, periods_s: list[float]
) -> Iterator[Finding]:
    """A line whose probes ask for more than it can carry. periods_s: of its probes, s."""
    one_s = READ_CHARACTERS * BITS_PER_CHARACTER / link.baud + TURNAROUND_S
    load = sum(one_s / every_s for every_s in periods_s)
    if load > LARGEST_LOAD:
        yield Finding(
            (*path, "baud"),
            f"the {len(periods_s)} probes on link {name} ask for {percent(load)} of what the line "
            f"carries, at most {percent(LARGEST_LOAD)} leaves room for orders; write a longer "
            "every_s at the probes, or a higher baud here and at every unit",
        )
