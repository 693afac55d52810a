"""Modbus RTU in the bench file: a serial line with many units, and where a value lies in one.

Names of tables and functions are those of the Modbus Application Protocol Specification V1.1b3
(Modbus Organization), section 4.3; line settings those of "Modbus over Serial Line" V1.02.
"""

from typing import Annotated, Literal

from pydantic import Field, StrictInt, StrictStr

from config.record import Record, number

UNIT_LAST = 247
ADDRESS_LAST = 65535
BITS_PER_CHARACTER = 11
"""Start, eight data bits, parity, stop ("Modbus over Serial Line" V1.02, section 2.5.1)."""

Unit = Annotated[StrictInt, Field(ge=1, le=UNIT_LAST)]
Address = Annotated[StrictInt, Field(ge=0, le=ADDRESS_LAST)]
Word = Annotated[StrictInt, Field(ge=0, le=65535)]
WORDS_OF_TYPE = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}


class ModbusLink(Record):
    """One RS-485 line, at whose one end Warmfoot asks every unit in turn."""

    kind: Literal["modbus"]
    port: StrictStr
    baud: Annotated[StrictInt, Field(ge=1200, le=115_200)] = 19200
    parity: Literal["even", "odd", "none"] = "even"
    stop_bits: Literal[1, 2] = 1
    answer_s: Annotated[float, number(0.05, 2)] = 0.3
    """Longest wait for a unit's answer, s."""


class _Place(Record):
    unit: Unit
    """The device's own number on the line."""
    address: Address
    """Counted from 0, as on the wire; a data sheet's "30001" or "40001" is address 0."""


class ModbusPoint(_Place):
    """Where a probe's value lies, and how it is written there: value = raw * scale + offset."""

    table: Literal["input_register", "holding_register"]
    type: Literal["int16", "uint16", "int32", "uint32", "float32"] = "int16"
    word_order: Literal["high_first", "low_first"] = "high_first"
    """Of the two registers of a 32-bit type, the one that comes first."""
    scale: Annotated[float, number(-1e6, 1e6)] = 1.0
    offset: Annotated[float, number(-1e6, 1e6)] = 0.0

    @property
    def words(self) -> int:
        """How many registers the value takes, 1 or 2."""
        return WORDS_OF_TYPE[self.type]

    @property
    def node(self) -> str:
        """The sender under which messages carry it."""
        return f"unit{self.unit}"

    @property
    def key(self) -> str:
        """The channel under which messages carry it."""
        return f"{self.table}.{self.address}"


class ModbusReport(_Place):
    """Where to read whether a relay is really closed, such as a contactor's auxiliary contact."""

    table: Literal["coil", "discrete_input"]


class ModbusSwitch(_Place):
    """Where a relay is switched; what is written there is read back as its report."""

    table: Literal["coil", "holding_register"] = "coil"
    on_value: Word = 1
    off_value: Word = 0
    """What a holding register is written; a coil needs neither."""
    report: ModbusReport | None = None
    """By default the coil or register itself is read back."""

    @property
    def node(self) -> str:
        """Each is ordered in a message of its own, so one that is silent holds up no other."""
        return f"unit{self.unit}.{self.key}"

    @property
    def key(self) -> str:
        return f"{self.table}.{self.address}"
