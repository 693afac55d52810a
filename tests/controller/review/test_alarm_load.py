"""How well alarms serve, counted by hand beside the program's count. All times are invented."""

from zoneinfo import ZoneInfo

import pytest

from controller.alarm_figures import figures
from controller.records import AlarmChanged, AlarmRow
from controller.review.alarm_load import load, occurrences

DUBLIN = ZoneInfo("Europe/Dublin")
NOON_S = 1_772_452_800.0  # 2026-03-02T12:00Z, a Monday
DAY_S = 86400.0
MONTH = (NOON_S, NOON_S + 30 * DAY_S)


def row(at_s, was, state, alarm="base_cold", place="north.left", priority=2):
    return AlarmRow(NOON_S + at_s, AlarmChanged(alarm, place, was, state, priority, "text"))


def once(at_s, *, seen_s=None, gone_s=None, **more):
    """The changes of one occurrence: raised, seen and gone at so many seconds after it."""
    rows = [row(at_s, "NORM", "UNACK", **more)]
    if seen_s is not None:
        rows.append(row(at_s + seen_s, "UNACK", "ACKED", **more))
    if gone_s is not None:
        was, end = ("ACKED", "NORM") if seen_s is not None else ("UNACK", "RTNUN")
        rows.append(row(at_s + gone_s, was, end, **more))
    return rows


def of(*lots):
    rows = sorted((one for lot in lots for one in lot), key=lambda one: one.at_s)
    return load(rows, *MONTH, DUBLIN)


def test_rates_of_the_first_half_hour_are_not_blown_up():
    began_s = MONTH[0]
    found = load(list(once(0.0, gone_s=60.0)), began_s, began_s + 1800.0, DUBLIN)
    assert found.days == pytest.approx(1 / 48)
    assert found.interrupting_a_day == pytest.approx(1.0)


def test_rates_are_per_day_and_per_week_of_the_window():
    found = of(
        *(once(day * DAY_S, gone_s=60.0) for day in range(15)),
        *(once(day * DAY_S + 600, priority=3, alarm="clock_stepped") for day in range(15)),
    )
    assert found.raised == 30
    assert found.interrupting_a_day == pytest.approx(0.5)
    assert found.mix == {1: 0.0, 2: 0.5, 3: 0.5}


@pytest.mark.parametrize(
    ("hour", "night"), [(22, 1), (23, 1), (0, 1), (5, 1), (6, 0), (12, 0), (21, 0)]
)
def test_night_is_from_22_to_6_by_the_local_clock(hour, night):
    """2026-03-02 is winter time in Dublin, which is UTC."""
    at_s = ((hour - 12) % 24) * 3600.0 + 60.0
    found = of(once(at_s, priority=1))
    assert found.night_urgent_a_week == pytest.approx(night * 7 / 30)
    assert of(once(at_s, priority=2)).night_urgent_a_week == 0.0


def test_night_follows_the_clock_change():
    """05:30 UTC on 1 June is 06:30 in Dublin: no longer night."""
    june_s = (31 - 1 + 30 + 31) * DAY_S + 17.5 * 3600.0 - DAY_S
    rows = once(june_s, priority=1)
    assert load(rows, NOON_S, NOON_S + june_s + DAY_S, DUBLIN).night_urgent_a_week == 0.0


def test_reminder_of_one_that_stands_is_no_new_alarm():
    rows = [row(0, "NORM", "UNACK"), row(60, "UNACK", "ACKED"), row(43_260, "ACKED", "UNACK"),
            row(43_300, "UNACK", "UNACK"), row(43_400, "UNACK", "ACKED")]  # fmt: skip
    (one,) = occurrences(rows)
    assert one.at_s == NOON_S
    assert one.seen_s == NOON_S + 60


def test_alarm_that_comes_back_before_it_was_seen_counts_twice():
    rows = [row(0, "NORM", "UNACK"), row(600, "UNACK", "RTNUN"), row(900, "RTNUN", "UNACK")]
    assert [(one.at_s - NOON_S, one.gone_s) for one in occurrences(rows)] == [
        (0.0, NOON_S + 600), (900.0, None),
    ]  # fmt: skip


def test_chattering_is_three_returns_within_ten_minutes_of_one_alarm():
    fast = [once(200 * i, seen_s=10, gone_s=100) for i in range(3)]
    assert of(*fast).chattering == (("base_cold", "north.left"),)
    slow = [once(301 * i, seen_s=10, gone_s=100) for i in range(3)]
    assert of(*slow).chattering == ()
    apart = [once(200 * i, seen_s=10, gone_s=100, place=f"north.b{i}") for i in range(3)]
    assert of(*apart).chattering == ()


@pytest.mark.parametrize(("hours", "stale"), [(23.9, 0), (24.1, 1)])
def test_stale_is_what_stood_for_more_than_a_day(hours, stale):
    assert len(of(once(0, seen_s=60, gone_s=hours * 3600)).stale) == stale


def test_one_that_still_stands_is_stale_too():
    assert of(once(0)).stale == (("base_cold", "north.left"),)


def test_flood_is_five_within_ten_minutes_and_names_the_first():
    many = [once(100 * i, place=f"north.b{i}", gone_s=3000.0) for i in range(9)]
    found = of(*many)
    assert found.floods == ((NOON_S, ("base_cold", "north.b0")),), "one flood, not five"
    assert of(*many[:4]).floods == ()
    spread = [once(151 * i, place=f"north.b{i}") for i in range(5)]
    assert of(*spread).floods == ()


def test_share_gone_before_anybody_saw_it_leaves_out_those_that_stand():
    found = of(
        once(0, gone_s=60),
        once(DAY_S, seen_s=30, gone_s=60),
        once(2 * DAY_S, seen_s=30, gone_s=60),
        once(3 * DAY_S, seen_s=30, gone_s=60),
        once(4 * DAY_S),
    )
    assert found.unseen == pytest.approx(0.25)


def test_seen_only_after_it_had_gone_is_unseen_all_the_same():
    rows = [row(0, "NORM", "UNACK"), row(60, "UNACK", "RTNUN"), row(900, "RTNUN", "NORM")]
    assert of(rows).unseen == 1.0
    assert of(rows).to_seen_s == {}


def test_time_to_acknowledge_is_the_median_by_priority():
    waits = {1: (60, 120, 6000), 2: (600, 1800)}
    found = of(
        *(
            once(i * DAY_S, seen_s=wait, gone_s=7000, priority=priority)
            for priority, each in waits.items()
            for i, wait in enumerate(each, 5 * priority)
        )
    )
    assert found.to_seen_s == {1: 120.0, 2: 1200.0}


def test_set_aside_three_times_in_a_week_is_told():
    aside = [[row(i * 2 * DAY_S, "ACKED", "SHLVD")] for i in range(3)]
    assert of(*aside).shelved_often == (("base_cold", "north.left"),)
    rare = [[row(i * 4 * DAY_S, "ACKED", "SHLVD")] for i in range(3)]
    assert of(*rare).shelved_often == ()


def test_quiet_month_asks_for_nothing():
    told = figures(of())
    assert {one.verdict for one in told} == {"fine"}


def test_figures_beyond_their_limits_say_what_to_do():
    noisy = of(
        *(once(i * 3600 * 6, gone_s=60.0, priority=1) for i in range(120)),
        once(100, place="north", alarm="air_dry"),
    )
    by_name = {one.name: one for one in figures(noisy, lambda place: place.upper())}
    assert by_name["Alarms that interrupt (1 and 2)"].verdict == "act"
    assert by_name["Their mix"].verdict == "act"
    assert by_name["Gone before anybody saw it"].value == "100 %"
    assert by_name["Standing for more than a day"].value == "Air dry (NORTH)"
    assert all(one.advice for one in by_name.values())


def test_most_frequent_are_named_with_how_often():
    found = of(
        *(once(i * DAY_S, gone_s=60.0) for i in range(5)),
        *(once(i * DAY_S + 900, gone_s=60.0, alarm="top_hot", place="north") for i in range(3)),
        once(500, gone_s=60.0, alarm="air_dry", place="north"),
    )
    assert found.commonest == ((("base_cold", "north.left"), 5), (("top_hot", "north"), 3))
    by_name = {one.name: one.value for one in figures(found)}
    assert by_name["All of them"] == "0.3 a day"
    assert by_name["Most frequent"].startswith("Base cold (north.left) 5 times, ")
