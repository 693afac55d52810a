"""Simulated probes lag, waver, count in steps, and fail in every way of the table."""

from statistics import fmean, pstdev

import pytest

from simulator.faults import make_fault
from simulator.probes import MAKES, SimProbe


class Place:
    def __init__(self, value=20.0, air=12.0):
        self.value, self.air = value, air

    def probe(self, kind="base_temperature", **more):
        return SimProbe("base1", kind, lambda: self.value, lambda: self.air, **more)


def fault(kind, **more):
    return make_fault(kind, 0.0, **more)


def test_reading_follows_a_step_with_the_time_constant_of_its_kind():
    place = Place()
    probe = place.probe()
    place.value = 30.0
    lag_s = MAKES["base_temperature"].lag_s
    for _ in range(round(lag_s)):
        probe.advance(1.0)
    assert probe.value == pytest.approx(20.0 + 10.0 * 0.632, abs=0.02)


def test_one_long_step_equals_many_short_ones():
    place = Place()
    one, many = place.probe(), place.probe()
    place.value = 25.0
    one.advance(60.0)
    for _ in range(60):
        many.advance(1.0)
    assert one.value == pytest.approx(many.value)


def test_reading_at_a_time_follows_as_steps_up_to_it_would():
    place = Place()
    asked, stepped = place.probe(), place.probe()
    place.value = 25.0
    for at_s in (20.0, 40.0, 60.0, 90.0):
        asked.read(at_s)
    for _ in range(90):
        stepped.advance(1.0)
    assert asked.value == pytest.approx(stepped.value)


def test_base_readings_come_in_sixteenths():
    probe = Place(20.03).probe()
    for _ in range(50):
        assert (float(probe.text()) * 16) % 1 == 0.0


def test_noise_has_the_spread_of_its_kind_and_no_bias():
    probe = Place(20.0).probe("air_temperature")
    values = [float(probe.text()) for _ in range(4000)]
    assert fmean(values) == pytest.approx(20.0, abs=0.01)
    assert pstdev(values) == pytest.approx(MAKES["air_temperature"].noise, rel=0.15)


def test_same_seed_gives_the_same_noise_and_another_does_not():
    def texts(seed):
        probe = Place().probe(seed=seed)
        return [probe.text() for _ in range(40)]

    assert texts(1) == texts(1)
    assert texts(1) != texts(2)


def test_humidity_never_leaves_nought_to_a_hundred():
    probe = Place(99.9).probe("humidity")
    assert all(float(probe.text()) <= 100.0 for _ in range(300))


def test_offset_is_added():
    assert float(Place(20.0).probe(offset=1.0).text()) == pytest.approx(21.0, abs=0.25)


@pytest.mark.parametrize(
    ("kind", "text"), [("probe_text", "nan"), ("probe_85", "85.0000"), ("probe_silent", None)]
)
def test_fault_sends_what_a_broken_probe_sends(kind, text):
    probe = Place().probe()
    probe.strike(fault(kind))
    assert probe.text() == text
    probe.strike(None)
    assert float(probe.text()) == pytest.approx(20.0, abs=0.3)


def test_frozen_probe_repeats_itself_whatever_happens():
    place = Place()
    probe = place.probe()
    probe.strike(fault("probe_frozen"))
    first = probe.text()
    place.value = 35.0
    probe.advance(600.0)
    assert {probe.text() for _ in range(20)} == {first}


def test_spike_is_one_reading():
    probe = Place().probe()
    probe.strike(fault("probe_spike"))
    values = [float(probe.text()) for _ in range(4)]
    assert values[0] == pytest.approx(30.0, abs=0.3)
    assert values[1:] == pytest.approx([20.0] * 3, abs=0.3)


def test_drift_grows_by_the_hour():
    probe = Place().probe()
    probe.strike(fault("probe_drift", size=0.5))
    for _ in range(60 * 10):
        probe.advance(60.0)
    assert float(probe.text()) == pytest.approx(25.0, abs=0.3)


def test_probe_out_of_the_compost_reads_the_air():
    probe = Place(20.0, air=12.0).probe()
    probe.strike(fault("probe_in_air"))
    probe.advance(1200.0)
    assert float(probe.text()) == pytest.approx(12.0, abs=0.3)


def test_humidity_faults():
    probe = Place(80.0).probe("humidity")
    probe.strike(fault("humidity_stuck"))
    assert probe.text() == "100.0"
    probe.strike(fault("humidity_low"))
    assert float(probe.text()) == pytest.approx(21.0, abs=2.0)
