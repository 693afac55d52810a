"""Who is told what and when, on a hand-turned clock."""

from typing import Any
from zoneinfo import ZoneInfo

import pytest

from controller.notify.plan import Delivery, Desk, delivered, heard, is_quiet, plan_deliveries

ZONE = ZoneInfo("Europe/Dublin")
NIGHT = {"quiet_from": "21:00", "quiet_until": "06:00"}


class Post:
    """Plans and delivers at once."""

    def __init__(self, alerts: Any, clock: Any) -> None:
        self.alerts, self.clock = alerts, clock
        self.desk = Desk()

    def hear(self, *changes: Any) -> None:
        for change in changes:
            self.desk = heard(self.desk, change, self.clock.now())

    def go(self) -> list[Delivery]:
        now = self.clock.now()
        self.desk, due = plan_deliveries(self.desk, self.alerts, ZONE, "Alder Lane", now)
        for delivery in due:
            self.desk = delivered(self.desk, delivery, now)
        return list(due)

    def over(self, span_s: float, step_s: float = 60.0) -> list[Delivery]:
        found = []
        for _ in range(round(span_s / step_s)):
            self.clock.move(step_s)
            found += self.go()
        return found


@pytest.fixture
def post(alerts: Any, clock: Any) -> Post:
    return Post(alerts(), clock)


@pytest.fixture
def night(alerts: Any, clock: Any) -> Post:
    clock.at(23)
    return Post(alerts(**NIGHT), clock)


def test_a_new_alarm_is_told_once_with_what_to_do(post: Post, change: Any) -> None:
    post.hear(change())
    (told,) = post.go()
    assert told.route == "mary"
    assert told.title == "Alder Lane: Base cold (priority 2)"
    assert "north left: base_cold text" in told.body
    assert "Feel the mat" in told.body
    assert "warmfoot alarms ack base_cold north.left" in told.body
    assert post.over(7200) == []


def test_nothing_is_told_above_the_routes_priority(post: Post, change: Any) -> None:
    post.hear(change("mat_weak", priority=3))
    assert post.go() == []


def test_the_second_person_is_told_only_if_nobody_acknowledges(post: Post, change: Any) -> None:
    post.hear(change("air_very_dry", priority=1, place="north"))
    assert [d.route for d in post.go()] == ["mary"]
    assert post.over(14 * 60) == []
    assert [d.route for d in post.over(120)] == ["john"]


def test_an_acknowledgement_stops_the_escalation(post: Post, change: Any) -> None:
    post.hear(change("air_very_dry", priority=1, place="north"))
    post.go()
    post.hear(change("air_very_dry", "ACKED", "UNACK", 1, "north", by="Mary"))
    assert post.over(3600) == []


def test_the_end_is_told_to_those_who_were_told(post: Post, change: Any) -> None:
    post.hear(change())
    post.go()
    post.hear(change(state="RTNUN", was="UNACK"))
    (told,) = post.go()
    assert (told.route, told.over) == ("mary", True)
    assert post.over(3600) == []
    assert post.desk.cases == {}


def test_an_alarm_called_out_again_is_told_again(post: Post, change: Any) -> None:
    post.hear(change(priority=1))
    post.go()
    post.hear(change(state="ACKED", was="UNACK", priority=1, by="Mary"))
    post.hear(change(state="UNACK", was="ACKED", priority=1))
    assert [d.route for d in post.go()] == ["mary"]


@pytest.mark.parametrize("state", ["SHLVD", "DSUPR", "OOSRV"])
def test_what_is_no_longer_shown_is_no_longer_told(post: Post, change: Any, state: str) -> None:
    post.hear(change(priority=1))
    post.hear(change(state=state, was="UNACK", priority=1))
    assert post.over(3600) == []


def test_quiet_hours_hold_the_lesser_and_let_the_greatest_through(night: Post, change: Any) -> None:
    night.hear(change(), change("base_very_cold", priority=1))
    assert [d.title for d in night.go()] == ["Alder Lane: Base very cold (priority 1)"]
    assert [d.keys for d in night.over(6 * 3600) if d.route == "mary"] == []
    assert [d.keys for d in night.over(3700)] == [(("base_cold", "north.left"),)]


def test_what_came_and_went_by_night_is_told_in_the_morning_as_over(
    night: Post, change: Any
) -> None:
    night.hear(change())
    night.go()
    night.hear(change(state="RTNUN", was="UNACK"))
    (told,) = night.over(8 * 3600)
    assert "over since" in told.body
    assert "Feel the mat" not in told.body


@pytest.mark.parametrize(("hour", "quiet"), [(20, False), (21, True), (3, True), (6, False)])
def test_quiet_hours_span_midnight(alerts: Any, clock: Any, hour: int, quiet: bool) -> None:
    clock.at(hour)
    assert is_quiet(alerts(**NIGHT), ZONE, clock.now()) is quiet


def test_a_clock_that_is_not_trusted_keeps_nobody_quiet(night: Post, change: Any) -> None:
    night.clock.trusted = False
    night.hear(change())
    assert len(night.go()) == 1


def test_a_flood_is_one_message_that_names_the_first(post: Post, change: Any) -> None:
    names = ["link_lost", "base_cold", "base_hot", "top_hot", "mat_dead"]
    for name in names:
        post.hear(change(name))
        post.clock.move(1)
    (told,) = post.go()
    assert told.title == "Alder Lane: 5 alarms at once"
    assert told.body.startswith("First: north left: link_lost text")
    assert len(told.keys) == 5
    assert post.over(3600) == []


def test_a_flood_that_trickles_in_is_summed_up_at_most_every_ten_minutes(
    post: Post, change: Any
) -> None:
    found = []
    for i in range(20):
        post.hear(change(place=f"north.bay{i}"))
        found += post.over(20, step_s=20)
    assert len(found) <= 6
    found += post.over(1200)
    assert sum(len(d.keys) for d in found) == 20


def test_the_daily_message_comes_once_a_day_and_says_what_stands(
    alerts: Any, clock: Any, change: Any
) -> None:
    clock.at(7, 29)
    post = Post(alerts(all_well_at="07:30"), clock)
    assert post.go() == []
    assert [(d.route, d.title) for d in post.over(3600)] == [("mary", "Alder Lane: all well")]
    post.hear(change())
    assert [d.morning for d in post.over(86400, step_s=600)] == [False, True]


def test_a_start_after_its_time_waits_for_the_next_daily_message(alerts: Any, clock: Any) -> None:
    clock.at(9)
    post = Post(alerts(all_well_at="07:30"), clock)
    assert post.over(20 * 3600, step_s=600) == []


def test_the_daily_message_comes_once_on_both_clock_change_nights(alerts: Any, clock: Any) -> None:
    """Europe/Dublin, 2026: 29 March 01:00 UTC forward, 25 October 01:00 UTC back (tz database)."""
    from datetime import datetime

    for day, month in ((28, 3), (24, 10)):
        clock.utc_s = datetime(2026, month, day, 12, tzinfo=ZONE).timestamp()
        post = Post(alerts(all_well_at="01:30"), clock)
        post.go()
        assert len(post.over(24 * 3600, step_s=600)) == 1
