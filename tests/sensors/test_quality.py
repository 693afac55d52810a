"""What one probe's samples must pass before anything acts on them."""

import math
from collections.abc import Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors.calibrate import Calibration
from sensors.kinds import KINDS
from sensors.quality import ProbeMemory, judge
from sensors.readings import Flag, Reading

BASE = KINDS["base_temperature"]
AIR = KINDS["air_temperature"]
HUMIDITY = KINDS["humidity"]


def feed(
    memory: ProbeMemory, texts: Iterable[str], start_s: float = 0.0, every_s: float = 10.0
) -> list[Reading]:
    return [
        judge(BASE, memory, text, start_s + number * every_s) for number, text in enumerate(texts)
    ]


@pytest.fixture
def steady() -> ProbeMemory:
    """A base probe that has read 21.0 ten times, the last at 90 s."""
    memory = ProbeMemory("north.left.base1")
    feed(memory, ["21.0"] * 10)
    return memory


def test_first_sample_is_usable_and_says_that_nothing_vouches_for_it() -> None:
    reading = judge(BASE, ProbeMemory("p"), "21.0", 5.0)
    assert reading.flag is Flag.NOT_EVALUATED
    assert reading.usable
    assert reading.why


def test_good_sample_passes_without_words() -> None:
    memory = ProbeMemory("p", Calibration(1.0, -0.25))
    reading = feed(memory, ["21.0", "21.25"])[-1]
    assert reading == ("p", "temperature", 21.0, "degC", 21.25, 10.0, Flag.PASS, "")


@pytest.mark.parametrize(
    "text",
    ["", "nan", "inf", "-inf", "1e3", "2_1", "21,0", "٢١", "0x15", "21 ", "None", "--1", "1" * 40],
)
def test_text_that_is_no_number_is_refused(steady: ProbeMemory, text: str) -> None:
    reading = judge(BASE, steady, text, 100.0)
    assert reading.flag is Flag.FAIL
    assert math.isnan(reading.value)
    assert math.isnan(reading.raw)
    assert "not a number" in reading.why


@pytest.mark.parametrize("text", ["-20.1", "60.1", "999", "-100"])
def test_values_beyond_the_gross_range_are_refused_and_kept_raw(
    steady: ProbeMemory, text: str
) -> None:
    reading = judge(BASE, steady, text, 100.0)
    assert reading.flag is Flag.FAIL
    assert math.isnan(reading.value)
    assert reading.raw == float(text)
    assert "outside -20..60" in reading.why


def test_correction_cannot_carry_a_value_out_of_range() -> None:
    memory = ProbeMemory("p", Calibration(1.0, 5.0))
    assert judge(BASE, memory, "58.0", 0.0).flag is Flag.FAIL


@pytest.mark.parametrize("kind", ["base_temperature", "air_temperature", "house_temperature"])
@pytest.mark.parametrize("text", ["85.0", "85", "-127.0", "-127"])
def test_values_that_mean_failure_are_named(kind: str, text: str) -> None:
    reading = judge(KINDS[kind], ProbeMemory("p"), text, 0.0)
    assert reading.flag is Flag.FAIL
    assert "power-on" in reading.why or "lost probe" in reading.why


def test_exact_zero_from_far_above_is_refused_for_ever(steady: ProbeMemory) -> None:
    """Nine zero bytes have a right CRC, so a shorted line says 0.0 for as long as it lasts."""
    readings = feed(steady, ["0.0"] * 200, start_s=100.0)
    assert not any(reading.usable for reading in readings)
    assert "shorted" in readings[0].why


def test_a_text_believed_before_is_not_believed_when_it_comes_late(steady: ProbeMemory) -> None:
    reading = judge(BASE, steady, "21.0", 80.0)
    assert reading.flag is Flag.FAIL
    assert "older" in reading.why


def test_zero_corrected_far_from_zero_is_refused_at_its_second_time() -> None:
    """The first 0.0 follows a believed 3.0; the second follows the 5.0 that it was corrected to."""
    memory = ProbeMemory("p", Calibration(1.0, 5.0))
    readings = feed(memory, ["-4.0", "-3.0", "-2.0", "0.0", "0.0"], every_s=120.0)
    assert [reading.flag for reading in readings[2:]] == [Flag.PASS, Flag.PASS, Flag.FAIL]


def test_a_good_text_after_a_spike_is_good_again_and_counted(steady: ProbeMemory) -> None:
    readings = feed(steady, ["31.0", "21.0", "21.0"], start_s=100.0)
    assert [reading.flag for reading in readings] == [Flag.SUSPECT, Flag.PASS, Flag.PASS]
    assert (steady.heard, steady.rejected, steady.reject_run) == (13, 1, 0)
    assert steady.reject_share == pytest.approx(1 / 13)


def test_the_text_before_a_believed_new_level_is_a_jump_again(steady: ProbeMemory) -> None:
    feed(steady, ["26.0"] * 3, start_s=100.0)
    assert judge(BASE, steady, "21.0", 130.0).flag is Flag.SUSPECT


def test_exact_zero_as_the_first_sample_is_refused() -> None:
    assert not judge(BASE, ProbeMemory("p"), "0.0", 0.0).usable


def test_true_frost_is_believed() -> None:
    readings = feed(ProbeMemory("p"), ["1.5", "0.5", "0.0", "-0.5"])
    assert all(reading.usable for reading in readings)


@pytest.mark.parametrize("text", ["31.0", "11.0", "23.5", "18.5"])
def test_one_spike_is_refused_once_and_forgotten(steady: ProbeMemory, text: str) -> None:
    spike, after = feed(steady, [text, "21.0"], start_s=100.0)
    assert spike.flag is Flag.SUSPECT
    assert not spike.usable
    assert spike.value == float(text)
    assert "jumped" in spike.why
    assert after.flag is Flag.PASS
    assert (steady.rejected, steady.reject_run) == (1, 0)


def test_spikes_apart_from_each_other_never_add_up(steady: ProbeMemory) -> None:
    readings = feed(steady, ["31.0", "21.0"] * 20, start_s=100.0)
    assert sum(reading.usable for reading in readings) == 20
    assert steady.good_value == 21.0


def test_watering_is_believed_at_the_third_sample(steady: ProbeMemory) -> None:
    flags = [r.flag for r in feed(steady, ["16.0", "16.1", "16.0", "16.1"], start_s=100.0)]
    assert flags == [Flag.SUSPECT, Flag.SUSPECT, Flag.PASS, Flag.PASS]


def test_a_probe_that_jumps_about_is_never_believed(steady: ProbeMemory) -> None:
    readings = feed(steady, ["30.0", "10.0", "45.0"] * 10, start_s=100.0)
    assert not any(reading.usable for reading in readings)


def test_a_creep_faster_than_any_mat_is_doubted(steady: ProbeMemory) -> None:
    """1.9 K a sample stays below the spike test; a mat moves the base by some 0.2 K a minute."""
    readings = feed(steady, [f"{21 + 1.9 * n:.1f}" for n in range(1, 12)], start_s=100.0)
    assert [reading.usable for reading in readings] == [True] + [False] * 10
    assert "faster" in readings[1].why


def test_the_fastest_mat_is_believed(steady: ProbeMemory) -> None:
    readings = feed(steady, [f"{21 + 0.05 * n:.2f}" for n in range(1, 200)], start_s=100.0)
    assert all(reading.flag is Flag.PASS for reading in readings)


def test_a_gap_widens_what_is_believable(steady: ProbeMemory) -> None:
    """Six degrees lost overnight while the cable was out are no spike."""
    assert judge(BASE, steady, "15.0", 8 * 3600.0).flag is Flag.PASS


def test_a_sample_older_than_the_last_is_refused(steady: ProbeMemory) -> None:
    reading = judge(BASE, steady, "21.0", 80.0)
    assert reading.flag is Flag.FAIL
    assert steady.last_s == 90.0
    assert judge(BASE, steady, "21.0", 100.0).flag is Flag.PASS


def test_wet_humidity_probe_reads_as_saturated() -> None:
    memory = ProbeMemory("p")
    judge(HUMIDITY, memory, "99.0", 0.0)
    reading = judge(HUMIDITY, memory, "102.5", 10.0)
    assert (reading.flag, reading.value, reading.raw) == (Flag.PASS, 100.0, 102.5)
    assert judge(HUMIDITY, memory, "103.5", 20.0).flag is Flag.FAIL


def test_dead_humidity_probe_at_exact_zero_is_refused() -> None:
    assert not judge(HUMIDITY, ProbeMemory("p"), "0.0", 0.0).usable


def test_steady_base_is_never_flagged() -> None:
    """Six hours at the set-point, not one bit of change: that is good control, not a fault."""
    readings = feed(ProbeMemory("p"), ["21.0"] * 2160)
    assert {reading.flag for reading in readings[1:]} == {Flag.PASS}


def test_spans_are_unknown_until_the_time_was_seen() -> None:
    memory = ProbeMemory("p")
    feed(memory, ["21.0", "21.5"] * 179)
    assert math.isnan(memory.high_1h)
    feed(memory, ["21.0"] * 40, start_s=3600.0)
    assert memory.high_1h - memory.low_1h == pytest.approx(0.5)
    assert math.isnan(memory.high_3h)


def test_spans_follow_the_last_hours_only() -> None:
    memory = ProbeMemory("p")
    feed(memory, ["20.0"] * 360)
    feed(memory, ["21.0"] * 900, start_s=3600.0)
    assert memory.high_1h - memory.low_1h == 0.0
    assert memory.high_3h - memory.low_3h == 1.0


def test_an_extreme_counts_for_the_whole_of_three_hours() -> None:
    memory = ProbeMemory("p")
    feed(memory, ["20.0"] * 90)
    feed(memory, ["21.0"] * 1020, start_s=900.0)
    assert memory.high_3h - memory.low_3h == 1.0


def test_new_extreme_widens_the_span_at_once() -> None:
    memory = ProbeMemory("p")
    feed(memory, ["21.0"] * 1200)
    assert memory.high_3h - memory.low_3h == 0.0
    feed(memory, ["21.75"], start_s=12000.0)
    assert memory.high_3h - memory.low_3h == 0.75
    assert memory.high_1h - memory.low_1h == 0.75


def test_an_hour_of_silence_is_not_an_hour_without_change() -> None:
    memory = ProbeMemory("p")
    feed(memory, ["21.0"] * 720)
    judge(BASE, memory, "21.0", 4 * 3600.0)
    assert math.isnan(memory.high_1h)
    assert math.isnan(memory.high_3h)


def test_share_of_refused_counts_the_last_hundred(steady: ProbeMemory) -> None:
    assert steady.reject_share == 0.0
    feed(steady, ["oops"] * 10, start_s=100.0)
    assert steady.reject_share == 0.5
    assert steady.reject_run == 10
    feed(steady, ["21.0"] * 90, start_s=200.0)
    assert steady.reject_share == 0.1
    feed(steady, ["21.0"] * 100, start_s=1100.0)
    assert (steady.reject_share, steady.rejected, steady.heard) == (0.0, 10, 210)


@given(
    st.sampled_from(sorted(KINDS)),
    st.lists(
        st.one_of(
            st.text(max_size=12),
            st.sampled_from(["nan", "NaN", "inf", "-inf", "1e400", "0.0", "85.0", "-127", "100"]),
            st.floats(allow_nan=True, allow_infinity=True).map(str),
            st.floats(-60, 120).map("{:.3f}".format),
        ),
        max_size=30,
    ),
    st.floats(0.5, 2.0),
    st.floats(-30.0, 30.0),
    st.lists(st.floats(-50.0, 5000.0), min_size=30, max_size=30),
)
def test_whatever_is_sent_only_finite_values_in_range_are_usable(
    name: str, texts: list[str], gain: float, offset: float, passed_s: list[float]
) -> None:
    kind = KINDS[name]
    memory = ProbeMemory("p", Calibration(gain, offset))
    mono_s, newest_s = 0.0, -math.inf
    for text, dt_s in zip(texts, passed_s, strict=False):
        mono_s += dt_s
        reading = judge(kind, memory, text, mono_s)
        if reading.usable:
            assert math.isfinite(reading.value)
            assert kind.low <= reading.value <= min(kind.high, kind.top)
            assert reading.raw == float(text)
            assert mono_s >= newest_s
        if reading.flag in (Flag.FAIL, Flag.MISSING):
            assert math.isnan(reading.value)
        assert (reading.why == "") == (reading.flag is Flag.PASS)
        assert 0.0 <= memory.reject_share <= 1.0
        newest_s = max(newest_s, mono_s)
    assert memory.heard == len(texts)
