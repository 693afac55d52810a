"""A count of water made into a flow."""

from math import isnan
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.model import Site
from sensors.intake import Intake
from sensors.messages import NO_SEQ, PROBE, Arrival, Message
from sensors.meters import Meter

BENCH: dict[str, Any] = {
    "site": {"name": "A", "timezone": "UTC", "latitude_deg": 53.3, "longitude_deg": -6.5},
    "links": {"board": {"kind": "memory"}},
    "benches": {
        "north": {
            "air": {"probes": ({"link": "board", "channel": "flow", "kind": "water_meter"},)},
            "bays": {
                "left": {
                    "probes": ({"link": "board", "channel": "b", "kind": "base_temperature"},),
                    "mat": {"link": "board", "channel": "m", "power_w": 90.0},
                }
            },
        }
    },
}


@pytest.fixture
def intake() -> Intake:
    return Intake(Site.model_validate(BENCH))


def flow(intake: Intake, mono_s: float, count: str | None = None) -> float:
    """The bench's flow after a count, ml/s."""
    if count is not None:
        said = Message(PROBE, NO_SEQ, {"flow": count})
        intake.take("board", [Arrival(said, mono_s)])
    return intake.snapshot(mono_s, {}).benches["north"].flow_ml_s


def test_flow_is_what_was_counted_over_the_time(intake: Intake) -> None:
    assert isnan(flow(intake, 0.0, "100"))
    assert flow(intake, 10.0, "100") == 0.0
    assert flow(intake, 20.0, "220") == 12.0
    assert flow(intake, 25.0, "221") == pytest.approx(0.2)


def test_flow_is_unknown_again_when_the_meter_falls_silent(intake: Intake) -> None:
    flow(intake, 0.0, "100")
    assert flow(intake, 10.0, "220") == 12.0
    assert flow(intake, 39.0) == 12.0
    assert isnan(flow(intake, 41.0))
    # What ran meanwhile says nothing of any minute of it.
    assert isnan(flow(intake, 3600.0, "90000"))
    assert flow(intake, 3610.0, "90120") == 12.0


def test_a_meter_that_begins_anew_is_no_flood(intake: Intake) -> None:
    flow(intake, 0.0, "9999990")
    assert flow(intake, 10.0, "9999995") == 0.5
    flow(intake, 20.0, "3")  # it ran over, or its board restarted
    assert flow(intake, 30.0, "63") == 6.0


def test_counts_that_come_at_once_are_taken_together(intake: Intake) -> None:
    """Held up on the wire and then heard together; over no time any pulse is a flood."""
    flow(intake, 0.0, "0")
    flow(intake, 20.0, "60")
    flow(intake, 20.1, "120")
    assert flow(intake, 30.0, "180") == 12.0


def test_what_is_no_count_is_a_refused_reading(intake: Intake) -> None:
    flow(intake, 0.0, "100")
    flow(intake, 10.0, "nan")
    (probe,) = intake.snapshot(10.0, {}).benches["north"].air
    assert probe.rejected == 1
    assert "not a number" in probe.reading.why
    assert flow(intake, 20.0, "340") == 12.0


@given(st.lists(st.tuples(st.floats(0.0, 40.0), st.integers(0, 10_000_000).map(str)), max_size=20))
def test_no_flow_is_ever_negative_or_endless(course: list[tuple[float, str]]) -> None:
    meter, now_s = Meter(30.0), 0.0
    for span_s, count in course:
        now_s += span_s
        text = meter.flow_text(count, now_s)
        assert text is None or 0.0 <= float(text) <= 20_000_000


@given(st.lists(st.integers(0, 500), min_size=2, max_size=30), st.floats(1.0, 25.0))
def test_flows_add_up_to_what_was_counted(risen: list[int], every_s: float) -> None:
    meter, count, sum_ml = Meter(30.0), 0, 0.0
    meter.flow_text("0", 0.0)
    for number, ml in enumerate(risen, 1):
        count += ml
        text = meter.flow_text(str(count), number * every_s)
        assert text is not None
        sum_ml += float(text) * every_s
    assert sum_ml == pytest.approx(count, abs=0.0006 * every_s * len(risen))
