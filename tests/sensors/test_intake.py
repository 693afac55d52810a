"""From messages to the picture of the site."""

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.model import Site
from sensors.intake import UNKNOWN_KEPT, Intake, UnknownChannel
from sensors.links.base import LinkHealth
from sensors.messages import HELLO, NAK, NO_SEQ, PROBE, RELAY, Arrival, Message
from sensors.moist_air import dew_point_c, pressure_kpa, vpd_kpa, wet_bulb_c
from sensors.readings import BayView, BenchView, Flag, LinkView, Snapshot
from sensors.snapshot import base_of

UP = {"board": LinkHealth(True, "", 0.0)}


def bench_file() -> dict[str, Any]:
    def at(channel: str, kind: str, **more: object) -> dict[str, object]:
        return {"link": "board", "channel": channel, "kind": kind, **more}

    return {
        "site": {
            "name": "Alder Lane Nursery",
            "timezone": "Europe/Dublin",
            "latitude_deg": 53.3,
            "longitude_deg": -6.5,
            "elevation_m": 90.0,
        },
        "links": {"board": {"kind": "memory"}, "radio": {"kind": "mqtt"}},
        "benches": {
            "north": {
                "air": {
                    "probes": [
                        at("air", "air_temperature"),
                        at("rh", "humidity", offset_pct=2.0),
                        {
                            "link": "radio",
                            "topic": "house/climate",
                            "pointer": "/temp",
                            "kind": "house_temperature",
                        },
                    ]
                },
                "bays": {
                    "left": {
                        "probes": [
                            at("base1", "base_temperature"),
                            at("base2", "base_temperature"),
                        ],
                        "mat": {"link": "board", "channel": "mat1", "power_w": 90.0},
                    },
                    "right": {
                        "probes": [at(f"base{n}", "base_temperature") for n in (3, 4, 5)],
                        "mat": {
                            "link": "radio",
                            "topic": "plug/right",
                            "lease": "none",
                            "power_w": 90.0,
                        },
                    },
                },
                "mister": {"link": "board", "channel": "mist"},
            }
        },
    }


SITE = Site.model_validate(bench_file())


@pytest.fixture
def intake() -> Intake:
    return Intake(SITE)


def say(
    intake: Intake,
    mono_s: float,
    word: str = PROBE,
    *,
    link: str = "board",
    seq: int = NO_SEQ,
    retained: bool = False,
    node: str = "",
    **fields: str,
) -> None:
    intake.take(link, [Arrival(Message(word, seq, fields), mono_s, node, retained)])


def north(intake: Intake, mono_s: float) -> BenchView:
    return intake.snapshot(mono_s, UP).benches["north"]


def left(intake: Intake, mono_s: float) -> BayView:
    return north(intake, mono_s).bays["left"]


def board(intake: Intake, mono_s: float) -> LinkView:
    return intake.snapshot(mono_s, UP).links["board"]


# -- bays -----------------------------------------------------------------------------------------


def test_nothing_heard_is_missing_not_a_number(intake: Intake) -> None:
    bench = north(intake, 100.0)
    assert all(math.isnan(value) for value in bench[:7])
    bay = bench.bays["left"]
    assert (bay.usable, bay.fitted) == (0, 2)
    assert math.isnan(bay.base_c)
    assert math.isnan(bay.hottest_c)
    assert [view.reading.flag for view in bay.probes] == [Flag.MISSING] * 2
    assert bay.probes[0].age_s == math.inf
    assert bay.probes[0].reading.probe == "north.left.base1"


def test_base_of_two_probes_is_their_mean_and_guards_see_the_hottest(intake: Intake) -> None:
    say(intake, 10.0, base1="20.0", base2="22.0")
    bay = left(intake, 12.0)
    assert (bay.base_c, bay.hottest_c, bay.spread_k, bay.usable) == (21.0, 22.0, 2.0, 2)
    assert [view.age_s for view in bay.probes] == [2.0, 2.0]


@pytest.mark.parametrize(
    ("values_c", "base_c"),
    [
        ([], math.nan),
        ([20.0], 20.0),
        ([20.0, 22.5], 21.25),
        ([20.0, 22.6], 21.35),
        ([8.0, 22.0], 20.75),  # one lies in the air: the other is not overheated by 7 K
        ([20.0, 20.5, 30.0], 20.5),  # two of three agree
    ],
)
def test_base_is_never_far_below_the_warmer_of_two(values_c: list[float], base_c: float) -> None:
    assert base_of(values_c) == pytest.approx(base_c, nan_ok=True)


def test_base_of_three_probes_is_the_middle_one(intake: Intake) -> None:
    say(intake, 10.0, base3="20.0", base4="22.0", base5="20.6")
    assert north(intake, 10.0).bays["right"].base_c == 20.6


def test_far_third_probe_is_left_out_and_shown(intake: Intake) -> None:
    say(intake, 10.0, base3="20.0", base4="29.0", base5="20.6")
    bay = north(intake, 10.0).bays["right"]
    assert (bay.base_c, bay.hottest_c, bay.usable) == (pytest.approx(20.3), 20.6, 2)
    doubted = bay.probes[1].reading
    assert doubted.flag is Flag.SUSPECT
    assert not doubted.usable
    assert "from its neighbours" in doubted.why


def test_one_lost_of_two_leaves_the_other_in_charge(intake: Intake) -> None:
    say(intake, 10.0, base1="20.0", base2="22.0")
    for mono_s in range(20, 110, 10):
        say(intake, float(mono_s), base1="20.1")
    bay = left(intake, 100.0)
    assert (bay.base_c, bay.usable, bay.fitted) == (20.1, 1, 2)
    lost = bay.probes[1]
    assert lost.reading.flag is Flag.MISSING
    assert math.isnan(lost.reading.value)
    assert lost.reading.raw == 22.0
    assert lost.age_s == 90.0
    assert "30 s" in lost.reading.why


def test_both_lost_leaves_no_base(intake: Intake) -> None:
    say(intake, 10.0, base1="20.0", base2="22.0")
    assert left(intake, 40.0).usable == 2
    bay = left(intake, 40.1)
    assert bay.usable == 0
    assert math.isnan(bay.base_c)


def test_one_spike_changes_nothing_but_a_count(intake: Intake) -> None:
    say(intake, 10.0, base1="21.0", base2="21.0")
    say(intake, 20.0, base1="31.0", base2="21.0")
    bay = left(intake, 20.0)
    assert (bay.base_c, bay.hottest_c, bay.usable) == (21.0, 21.0, 2)
    assert bay.probes[0].reading.flag is Flag.SUSPECT
    assert (bay.probes[0].rejected, bay.probes[0].reject_run) == (1, 1)
    say(intake, 30.0, base1="21.0", base2="21.0")
    assert left(intake, 30.0).probes[0].reject_run == 0


def test_endless_rubbish_is_a_lost_probe(intake: Intake) -> None:
    say(intake, 10.0, base1="21.0")
    for mono_s in range(20, 70, 10):
        say(intake, float(mono_s), base1="85.0")
    bay = left(intake, 60.0)
    assert bay.usable == 0
    assert bay.probes[0].reading.flag is Flag.FAIL
    assert bay.probes[0].age_s == 0.0


def test_slow_probe_is_waited_for() -> None:
    plan = bench_file()
    plan["benches"]["north"]["bays"]["left"]["probes"][0]["every_s"] = 300.0
    intake = Intake(Site.model_validate(plan))
    say(intake, 10.0, base1="20.0")
    assert left(intake, 900.0).usable == 1
    assert left(intake, 911.0).usable == 0


def test_frozen_probe_of_two_hands_over_to_the_moving_one(intake: Intake) -> None:
    for number in range(1100):
        say(intake, number * 10.0, base1="21.0", base2=f"{20 + (number % 360) / 360:.3f}")
    bay = left(intake, 10990.0)
    assert bay.usable == 1
    assert bay.probes[0].reading.flag is Flag.SUSPECT
    assert bay.base_c == bay.probes[1].reading.value
    assert bay.probes[0].span_3h == 0.0
    assert bay.probes[1].span_3h == pytest.approx(1.0, abs=0.01)


# -- bench ----------------------------------------------------------------------------------------


def test_moist_air_is_that_of_the_corrected_probes_at_this_height(intake: Intake) -> None:
    say(intake, 10.0, air="15.0", rh="78.0")
    bench = north(intake, 10.0)
    assert (bench.top_c, bench.rh_pct) == (15.0, 80.0)
    assert bench.vpd_kpa == vpd_kpa(15.0, 80.0)
    assert bench.dew_c == dew_point_c(15.0, 80.0)
    assert bench.wet_bulb_c == wet_bulb_c(15.0, 80.0, pressure_kpa(90.0))
    say(intake, 20.0, air="16.0", rh="78.0")
    assert north(intake, 20.0).vpd_kpa == vpd_kpa(16.0, 80.0)


def test_lost_humidity_leaves_no_vpd(intake: Intake) -> None:
    say(intake, 10.0, air="15.0", rh="78.0")
    say(intake, 50.0, air="15.0")
    bench = north(intake, 50.0)
    assert bench.top_c == 15.0
    assert all(math.isnan(x) for x in (bench.rh_pct, bench.vpd_kpa, bench.dew_c, bench.wet_bulb_c))


def test_bone_dry_air_has_a_vpd_and_no_dew_point() -> None:
    plan = bench_file()
    plan["benches"]["north"]["air"]["probes"][1]["offset_pct"] = -5.0
    intake = Intake(Site.model_validate(plan))
    say(intake, 10.0, air="15.0", rh="3.0")
    bench = north(intake, 10.0)
    assert bench.vpd_kpa == vpd_kpa(15.0, 0.0)
    assert math.isnan(bench.dew_c)


def test_probe_of_another_device_is_known_by_topic_and_pointer(intake: Intake) -> None:
    say(intake, 10.0, link="radio", **{"house/climate#/temp": "11.5"})
    bench = north(intake, 10.0)
    assert bench.house_c == 11.5
    assert [view.reading.probe for view in bench.air][:2] == ["north.air", "north.rh"]


# -- links ----------------------------------------------------------------------------------------


def test_retained_value_is_shown_and_never_acted_on(intake: Intake) -> None:
    say(intake, 10.0, retained=True, base1="21.0")
    bay = left(intake, 10.0)
    assert bay.usable == 0
    assert bay.probes[0].reading.flag is Flag.FAIL
    assert "retained" in bay.probes[0].reading.why
    assert bay.probes[0].reading.raw == 21.0
    assert board(intake, 10.0).quiet_s == math.inf
    say(intake, 20.0, base1="22.0")
    say(intake, 30.0, retained=True, base1="35.0")
    assert left(intake, 30.0).probes[0].reading.value == 22.0
    assert intake.counts("board").retained == 2


def test_retained_relay_report_is_ignored(intake: Intake) -> None:
    say(intake, 10.0, RELAY, retained=True, mat1="1/30")
    assert intake.snapshot(10.0, UP).relays == {}


def test_repeated_and_late_messages_are_not_samples(intake: Intake) -> None:
    say(intake, 10.0, seq=5, base1="21.0")
    say(intake, 11.0, seq=5, base1="21.5")
    say(intake, 12.0, seq=3, base1="21.5")
    assert left(intake, 12.0).probes[0].reading.value == 21.0
    assert board(intake, 12.0).quiet_s == 2.0
    assert intake.counts("board").out_of_sequence == 2
    say(intake, 13.0, seq=6, base1="21.5")
    assert left(intake, 13.0).probes[0].reading.value == 21.5


def test_sequence_may_wrap(intake: Intake) -> None:
    say(intake, 10.0, seq=65535, base1="21.0")
    say(intake, 20.0, seq=0, base1="21.5")
    assert left(intake, 20.0).probes[0].reading.value == 21.5
    assert board(intake, 20.0).restarts == 0


def test_restart_is_seen_by_uptime_going_back(intake: Intake) -> None:
    say(intake, 10.0, HELLO, seq=7, up="500")
    say(intake, 70.0, HELLO, seq=8, up="560")
    assert board(intake, 70.0).restarts == 0
    say(intake, 80.0, HELLO, seq=0, up="2")
    say(intake, 81.0, seq=1, base1="21.0")
    assert board(intake, 81.0).restarts == 1
    assert left(intake, 81.0).usable == 1


def test_restart_is_seen_by_sequence_when_its_hello_was_lost(intake: Intake) -> None:
    say(intake, 10.0, HELLO, seq=900, up="5000")
    say(intake, 20.0, seq=1, base1="21.0")
    say(intake, 30.0, HELLO, seq=2, up="12")
    assert board(intake, 30.0).restarts == 1
    assert left(intake, 30.0).usable == 1


def test_board_that_greets_with_the_same_uptime_each_time_restarts_each_time(
    intake: Intake,
) -> None:
    """As the firmware does: one greeting a start, its uptime still 0."""
    for start in range(6):
        say(intake, 20.0 * start, HELLO, seq=0, up="0")
        say(intake, 20.0 * start + 1.0, seq=1, base1="21.0")
    assert board(intake, 110.0).restarts == 5


def test_greeting_of_a_board_that_was_running_or_is_late_is_no_restart(intake: Intake) -> None:
    say(intake, 10.0, seq=40, base1="21.0")
    say(intake, 100.0, HELLO, seq=41, up="4000")
    say(intake, 190.0, HELLO, seq=42, up="4060")  # 30 s on its way
    assert board(intake, 190.0).restarts == 0


def test_power_cut_to_all_nodes_of_a_link_is_one_restart(intake: Intake) -> None:
    for node in ("near", "far", "third"):
        say(intake, 10.0, seq=100, node=node, base1="21.0")
        say(intake, 60.0, HELLO, seq=0, node=node, up="0")
    assert board(intake, 60.0).restarts == 1


def test_two_nodes_count_their_own_sequences(intake: Intake) -> None:
    say(intake, 10.0, seq=40000, node="far", base1="21.0")
    say(intake, 11.0, seq=10, base1="21.0")
    assert left(intake, 11.0).usable == 1
    assert board(intake, 11.0).restarts == 0


def test_a_greeting_is_no_sample(intake: Intake) -> None:
    say(intake, 10.0, HELLO, seq=0, up="1")
    assert board(intake, 10.0).quiet_s == math.inf


def test_refused_orders_are_counted(intake: Intake) -> None:
    say(intake, 10.0, NAK, seq=3, of="88", why="unknown_channel")
    assert intake.counts("board").naks == 1
    assert intake.counts("nowhere").naks == 0


def test_unknown_channels_are_listed_never_stored(intake: Intake) -> None:
    say(intake, 10.0, base9="21.0")
    say(intake, 20.0, base9="21.5")
    assert intake.unknown_channels() == [UnknownChannel("board", "", "base9", 2, "21.5")]
    assert board(intake, 20.0).quiet_s == math.inf


def test_a_flood_of_unknown_channels_is_bounded(intake: Intake) -> None:
    for number in range(500):
        say(intake, 10.0, **{f"x{number}": "1"})
    assert len(intake.unknown_channels()) == UNKNOWN_KEPT
    assert intake.counts("board").unknown == 500


def test_a_known_channel_of_another_node_is_unknown(intake: Intake) -> None:
    say(intake, 10.0, node="other", base1="21.0")
    assert left(intake, 10.0).usable == 0
    assert intake.unknown_channels()[0].node == "other"


# -- relays ---------------------------------------------------------------------------------------


def test_relay_reports_are_known_by_relay(intake: Intake) -> None:
    say(intake, 10.0, RELAY, mat1="1/28", mist="0/0")
    relays = intake.snapshot(10.0, UP).relays
    assert relays == {"north.left.mat": (True, 28.0, 10.0), "north.mister": (False, 0.0, 10.0)}
    say(intake, 12.0, RELAY, mat1="1/28", mist="1/4.5")
    relays = intake.snapshot(12.0, UP).relays
    assert relays == {"north.left.mat": (True, 28.0, 12.0), "north.mister": (True, 4.5, 12.0)}


@pytest.mark.parametrize("text", ["", "1", "2/3", "on/3", "1/nan", "1/-3", "1/", "1/3/4", "true/5"])
def test_relay_report_that_makes_no_sense_is_counted_only(intake: Intake, text: str) -> None:
    say(intake, 10.0, RELAY, mat1="0/0")
    say(intake, 12.0, RELAY, mat1=text)
    assert intake.snapshot(12.0, UP).relays["north.left.mat"] == (False, 0.0, 10.0)
    assert intake.counts("board").unreadable == 1


def test_a_snapshot_does_not_change_afterwards(intake: Intake) -> None:
    say(intake, 10.0, RELAY, mat1="1/28")
    before = intake.snapshot(10.0, UP)
    say(intake, 20.0, RELAY, mat1="0/0")
    assert before.relays["north.left.mat"].on


def test_freshness_is_the_share_of_probes_heard(intake: Intake) -> None:
    assert intake.freshness(0.0) == 0.0
    say(intake, 10.0, base1="21.0", base2="21.0", air="15.0", rh="80.0")
    assert intake.freshness(10.0) == 0.5
    assert intake.freshness(60.0) == 0.0


# -- whatever comes -------------------------------------------------------------------------------


def all_sound(snapshot: Snapshot) -> bool:
    """Every usable reading is finite and every figure is finite or honestly NaN."""
    for bench in snapshot.benches.values():
        views = [*bench.air, *(view for bay in bench.bays.values() for view in bay.probes)]
        for view in views:
            if view.reading.usable and not math.isfinite(view.reading.value):
                return False
        if any(math.isinf(value) for value in bench[:7]):
            return False
        for bay in bench.bays.values():
            if bool(bay.usable) != math.isfinite(bay.base_c):
                return False
            if bay.usable and not -20 <= bay.base_c <= bay.hottest_c <= 60:
                return False
    return True


CHANNELS = ["base1", "base2", "base3", "base4", "base5", "air", "rh", "mat1", "mist", "up", "x"]
TEXTS = st.one_of(
    st.sampled_from(["nan", "inf", "85.0", "0.0", "-127", "1/30", "", "21,5", "100", "103"]),
    st.floats(-60.0, 120.0).map("{:.2f}".format),
    st.text(max_size=8),
)
ARRIVALS = st.builds(
    Arrival,
    st.builds(
        Message,
        st.sampled_from([PROBE, PROBE, RELAY, HELLO, NAK, "?"]),
        st.one_of(st.just(NO_SEQ), st.integers(0, 65535)),
        st.dictionaries(st.sampled_from(CHANNELS), TEXTS, max_size=6),
    ),
    st.floats(0.0, 4000.0),
    st.sampled_from(["", "other"]),
    st.booleans(),
)


@settings(max_examples=150)
@given(st.lists(ARRIVALS, max_size=25))
def test_whatever_arrives_the_picture_stays_sound(arrivals: list[Arrival]) -> None:
    intake = Intake(SITE)
    for arrival in arrivals:
        intake.take("board", [arrival])
        assert all_sound(intake.snapshot(arrival.mono_s, UP))
