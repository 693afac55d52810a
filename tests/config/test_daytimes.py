"""Texts of a mist schedule."""

from datetime import time

import pytest

from config.daytimes import DayTime, day_time, overlap


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("07:30", DayTime("clock", 450)),
        ("00:00", DayTime("clock", 0)),
        ("23:59", DayTime("clock", 1439)),
        ("sunrise", DayTime("sunrise", 0)),
        ("sunrise+30", DayTime("sunrise", 30)),
        ("sunset-15", DayTime("sunset", -15)),
        ("sunset+240", DayTime("sunset", 240)),
    ],
)
def test_texts_that_mean_a_time(text: str, moment: DayTime) -> None:
    assert day_time(text) == moment


@pytest.mark.parametrize(
    "text",
    [
        "",
        "7:30",
        "24:00",
        "07:60",
        "07:30:00",
        "noon",
        "sunrise+",
        "sunrise + 30",
        "sunset-241",
        "Sunrise",
        "07:30\n",
        "٠٧:٣٠",
        "sunrise+1000",
    ],
)
def test_texts_that_mean_none(text: str) -> None:
    with pytest.raises(ValueError, match=r'write "HH:MM"'):
        day_time(text)


def test_overlap_over_midnight() -> None:
    night, morning = (time(22), time(6)), (time(5), time(7))
    assert overlap([night, morning]) == (0, 1)
    assert overlap([(time(6), time(22)), night]) is None
    assert overlap([night, (time(6), time(9)), (time(21), time(22, 1))]) == (0, 2)
    assert overlap([]) is None
