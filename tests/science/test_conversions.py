"""Probe conversions against the tables of their data sheets and standards."""

import pytest

from sensors.board.convert import (
    crc8_maxim,
    crc8_sensirion,
    ds18b20_c,
    ds18b20_scratchpad_c,
    ntc_c,
    pt100_c,
    sht3x_c,
    sht3x_reply,
    sht3x_rh,
)


@pytest.mark.parametrize(
    ("register", "printed_c"),
    # DS18B20 data sheet, temperature/data table.
    [
        (0x07D0, 125.0), (0x0550, 85.0), (0x0191, 25.0625), (0x00A2, 10.125), (0x0008, 0.5),
        (0x0000, 0.0), (0xFFF8, -0.5), (0xFF5E, -10.125), (0xFE6F, -25.0625), (0xFC90, -55.0),
    ],
)  # fmt: skip
def test_ds18b20_register_is_that_of_the_data_sheet(register: int, printed_c: float) -> None:
    assert ds18b20_c(register) == printed_c


def test_crc_of_a_rom_code_is_that_of_application_note_27() -> None:
    """Maxim application note 27: ROM 02 1C B8 01 00 00 00 has CRC A2; with it the sum is 0."""
    rom = bytes.fromhex("021CB801000000")
    assert crc8_maxim(rom) == 0xA2
    assert crc8_maxim(rom + b"\xa2") == 0


def test_crcs_have_the_catalogue_check_values() -> None:
    """CRC catalogue, "123456789": CRC-8/MAXIM-DOW A1, CRC-8/NRSC-5 (Sensirion's setting) F7."""
    assert crc8_maxim(b"123456789") == 0xA1
    assert crc8_sensirion(b"123456789") == 0xF7


def test_power_on_scratchpad_is_read() -> None:
    """DS18B20 data sheet, memory map: power-on scratchpad, +85 degC, CRC 1C."""
    assert ds18b20_scratchpad_c(bytes.fromhex("50054B467FFF0C101C")) == 85.0


def test_scratchpad_is_low_byte_first() -> None:
    pad = bytes.fromhex("91014B467FFF0C10")
    assert ds18b20_scratchpad_c(pad + bytes([crc8_maxim(pad)])) == 25.0625


def test_nine_zero_bytes_are_refused_though_their_crc_is_right() -> None:
    assert crc8_maxim(bytes(8)) == 0
    with pytest.raises(ValueError, match="shorted to ground"):
        ds18b20_scratchpad_c(bytes(9))


@pytest.mark.parametrize("bit", range(72))
def test_any_flipped_bit_of_a_scratchpad_is_refused(bit: int) -> None:
    pad = bytearray.fromhex("91014B467FFF0C10")
    pad.append(crc8_maxim(pad))
    pad[bit // 8] ^= 1 << bit % 8
    with pytest.raises(ValueError, match="CRC"):
        ds18b20_scratchpad_c(bytes(pad))


def test_a_lost_ds18b20_is_refused() -> None:
    with pytest.raises(ValueError, match="CRC"):
        ds18b20_scratchpad_c(b"\xff" * 9)
    with pytest.raises(ValueError, match="8 bytes, expected 9"):
        ds18b20_scratchpad_c(bytes(8))


def test_sensirion_crc_is_that_of_the_data_sheet() -> None:
    """SHT3x-DIS data sheet, table 20: BE EF has CRC 92. Two zero bytes have 81 (computed)."""
    assert crc8_sensirion(b"\xbe\xef") == 0x92
    assert crc8_sensirion(b"\x00\x00") == 0x81


@pytest.mark.parametrize(
    ("word", "temp_c", "rh_pct"),
    # SHT3x-DIS data sheet, section 4.13 (formulas from memory): ends of scale and two between.
    [
        (0x0000, -45.0, 0.0),
        (0x6666, 25.0, 40.0),
        (0x8000, 42.5013, 50.0008),
        (0xFFFF, 130.0, 100.0),
    ],
)
def test_sht3x_is_that_of_the_data_sheet(word: int, temp_c: float, rh_pct: float) -> None:
    assert sht3x_c(word) == pytest.approx(temp_c, abs=0.0001)
    assert sht3x_rh(word) == pytest.approx(rh_pct, abs=0.0001)


def test_sht3x_reply_needs_both_checksums() -> None:
    word = b"\x66\x66"
    good = word + bytes([crc8_sensirion(word)])
    assert sht3x_reply(good + good) == pytest.approx((25.0, 40.0))
    for place in (0, 1, 2, 3, 4, 5):
        broken = bytearray(good + good)
        broken[place] ^= 0x10
        with pytest.raises(ValueError, match="CRC"):
            sht3x_reply(bytes(broken))
    with pytest.raises(ValueError, match="CRC"):
        sht3x_reply(bytes(6))


@pytest.mark.parametrize(
    ("resistance_ohm", "temp_c"),
    # IEC 60751, table for Pt100, as given by its coefficients.
    [
        (18.520, -200), (60.256, -100), (92.160, -20), (96.086, -10), (100.0, 0), (101.953, 5),
        (103.903, 10), (105.849, 15), (107.793, 20), (109.735, 25), (111.673, 30), (115.541, 40),
        (119.397, 50), (138.5055, 100), (175.856, 200), (390.481, 850),
    ],
)  # fmt: skip
def test_pt100_is_that_of_iec_60751(resistance_ohm: float, temp_c: float) -> None:
    """0.0006 ohm of rounding is 0.002 K."""
    assert pt100_c(resistance_ohm) == pytest.approx(temp_c, abs=0.003)


def test_pt100_between_the_table_entries() -> None:
    """IEC 60751 coefficients by hand: 110 ohm is 25.684 degC."""
    assert pt100_c(110.0) == pytest.approx(25.684, abs=0.001)


@pytest.mark.parametrize(
    ("resistance_ohm", "temp_c"),
    # The beta equation by hand: 10 kohm, beta 3950 K.
    [(33620.6, 0), (20174.6, 10), (12535.3, 20), (10000.0, 25), (8037.1, 30), (3588.2, 50)],
)
def test_ntc_follows_the_beta_equation(resistance_ohm: float, temp_c: float) -> None:
    assert ntc_c(resistance_ohm) == pytest.approx(temp_c, abs=0.001)


def test_ntc_is_near_a_steinhart_hart_part() -> None:
    """Steinhart and Hart (1968) with a common 10 kohm part's coefficients: 12494 ohm, 20 degC.

    Coefficients second-hand. Near room temperature the two models differ by less than 0.1 K.
    """
    assert ntc_c(12494.0) == pytest.approx(19.998, abs=0.1)


@pytest.mark.parametrize("resistance_ohm", [0.0, -5.0, float("nan")])
def test_a_broken_resistance_probe_is_refused(resistance_ohm: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        ntc_c(resistance_ohm)
    with pytest.raises(ValueError, match="no Pt100"):
        pt100_c(resistance_ohm)


def test_raw_words_out_of_range_are_refused() -> None:
    for convert in (ds18b20_c, sht3x_c, sht3x_rh):
        for word in (-1, 0x10000):
            with pytest.raises(ValueError, match="expected 0 to 65535"):
                convert(word)
