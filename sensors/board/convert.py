"""From the bytes and resistances of common probes to degC and %.

Runs unchanged under MicroPython and CPython: built-ins and `math` only, no f-strings. A reply
that fails its check raises ValueError, so that a bad value is never sent as a good one.
"""

# ruff: noqa: UP031
from math import log, sqrt

_SCRATCHPAD_BYTES = 9
_SHT3X_BYTES = 6
_KELVIN = 273.15


def crc8_maxim(data: bytes) -> int:
    """CRC-8/MAXIM-DOW of `data`, 0..255: polynomial 0x31, bits reversed, start 0.

    Source: Maxim application note 27.
    """
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
    return crc


def crc8_sensirion(data: bytes) -> int:
    """CRC of Sensirion's humidity probes, 0..255: polynomial 0x31, not reversed, start 0xFF.

    Source: Sensirion SHT3x-DIS data sheet, table "I2C CRC properties".
    """
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = ((crc << 1) ^ 0x31) & 0xFF if crc & 0x80 else crc << 1
    return crc


def ds18b20_c(register: int) -> float:
    """Temperature, degC, -55..125, of a DS18B20's temperature register.

    register: 0..65535, high byte first as the data sheet prints it; two's complement sixteenths.
    Raises ValueError outside.  Source: DS18B20 data sheet, temperature/data table.
    """
    if not 0 <= register <= 0xFFFF:
        raise ValueError("register is %r, expected 0 to 65535" % (register,))
    return (register - 0x10000 if register & 0x8000 else register) / 16


def ds18b20_scratchpad_c(scratchpad: bytes) -> float:
    """Temperature, degC, of a DS18B20's nine scratchpad bytes, low byte first.

    Raises ValueError for another length, for a wrong CRC, and for nine zero bytes: a line shorted
    to ground, whose CRC is right. A register at its power-on value (85.0) is passed on; whoever
    asks the probe refuses it.
    """
    _check_scratchpad(scratchpad)
    return ds18b20_c(scratchpad[0] | scratchpad[1] << 8)


def ds18x20_scratchpad_c(family: int, scratchpad: bytes) -> float:
    """Temperature, degC, of any DS18x20's scratchpad.

    family: first byte of its code; 0x28 and 0x22 give sixteenths, 0x10 (DS18S20) halves and a
    remainder.  Raises ValueError as above, and where a remainder can't be.
    Source: DS18S20 data sheet, "Operation: measuring temperature", for 0x10.
    """
    if family != 0x10:
        return ds18b20_scratchpad_c(scratchpad)
    _check_scratchpad(scratchpad)
    register = scratchpad[0] | scratchpad[1] << 8
    halves = register - 0x10000 if register & 0x8000 else register
    remain, per_c = scratchpad[6], scratchpad[7]
    if not per_c or remain > per_c:
        raise ValueError("scratchpad's remainder is %d of %d" % (remain, per_c))
    return (halves >> 1) - 0.25 + (per_c - remain) / per_c


def _check_scratchpad(scratchpad: bytes) -> None:
    if len(scratchpad) != _SCRATCHPAD_BYTES:
        raise ValueError("scratchpad has %d bytes, expected 9" % len(scratchpad))
    if not any(scratchpad):
        raise ValueError("nine zero bytes: the probe line is shorted to ground")
    if crc8_maxim(scratchpad[:8]) != scratchpad[8]:
        raise ValueError("scratchpad CRC does not match: noise on the probe line")


def sht3x_c(word: int) -> float:
    """Temperature, degC, of an SHT3x reading, 0..65535. Source: SHT3x-DIS data sheet, 4.13."""
    return -45 + 175 * _word(word) / 65535


def sht3x_rh(word: int) -> float:
    """Relative humidity, %, 0..100, of an SHT3x reading, 0..65535. Source: same section."""
    return 100 * _word(word) / 65535


def sht3x_reply(reply: bytes) -> tuple[float, float]:
    """(degC, %) of an SHT3x's six reply bytes: temperature, CRC, humidity, CRC.

    Raises ValueError for another length or a wrong CRC.
    """
    if len(reply) != _SHT3X_BYTES:
        raise ValueError("reply has %d bytes, expected 6" % len(reply))
    if crc8_sensirion(reply[0:2]) != reply[2] or crc8_sensirion(reply[3:5]) != reply[5]:
        raise ValueError("humidity probe's CRC does not match: noise on its wires")
    return sht3x_c(reply[0] << 8 | reply[1]), sht3x_rh(reply[3] << 8 | reply[4])


def pt100_c(resistance_ohm: float) -> float:
    """Temperature, degC, of a Pt100.

    resistance_ohm: 18.5..390.5, that is -200..850 degC.  Raises ValueError outside: a broken or
    shorted probe.  Source: IEC 60751, A 3.9083e-3, B -5.775e-7, C -4.183e-12.
    """
    if not 18.5 <= resistance_ohm <= 390.5:
        raise ValueError("%s ohm is no Pt100, expected 18.5 to 390.5" % resistance_ohm)
    a = 3.9083e-3
    b = -5.775e-7
    ratio = resistance_ohm / 100
    temp_c = (-a + sqrt(a * a - 4 * b * (1 - ratio))) / (2 * b)
    if temp_c >= 0:
        return temp_c
    c = -4.183e-12
    for _ in range(8):
        cube = c * (temp_c - 100) * temp_c * temp_c * temp_c
        slope = a + 2 * b * temp_c + c * (4 * temp_c - 300) * temp_c * temp_c
        temp_c -= (1 + a * temp_c + b * temp_c * temp_c + cube - ratio) / slope
    return temp_c


def ntc_c(resistance_ohm: float, at_25_ohm: float = 10000.0, beta_k: float = 3950.0) -> float:
    """Temperature, degC, of a thermistor, by the beta equation.

    resistance_ohm, at_25_ohm: above 0.  beta_k: the part's beta constant, K, above 0.
    Raises ValueError otherwise.  Good to about 1 K from 0 to 50 degC; calibrate at the set-point.
    Source: the definition of beta, R = R25 exp(beta (1/T - 1/298.15 K)).
    """
    if not (resistance_ohm > 0 and at_25_ohm > 0 and beta_k > 0):
        raise ValueError(
            "resistances and beta must be above 0, found %s, %s, %s"
            % (resistance_ohm, at_25_ohm, beta_k)
        )
    return 1 / (1 / (25 + _KELVIN) + log(resistance_ohm / at_25_ohm) / beta_k) - _KELVIN


def _word(word: int) -> int:
    if not 0 <= word <= 0xFFFF:
        raise ValueError("reading is %r, expected 0 to 65535" % (word,))
    return word
