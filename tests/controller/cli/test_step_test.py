"""The step test's bounds, on a bay of a few lines in virtual time."""

from dataclasses import replace
from math import nan
from pathlib import Path

import pytest

from config.load import loads
from controller.cli import step_test
from controller.cli.step_test import (
    Bounds,
    NotReleased,
    Step,
    Stopped,
    bounds,
    hindrances,
    standing_alarms,
)
from controller.decide import build_aims
from controller.records import Act, ActDone, ActKind
from sensors.clock import Now

LIMITS = Bounds(20.0, 19.2, 21.5, 22.0, 1200.0, 2200.0)


class Bay:
    """A bay with a first-order base, as the step test sees a running bench.

    rate_k_h: rise at full heat before losses.  delay_s: dead time.
    """

    def __init__(self, rate_k_h: float = 2.4, delay_s: float = 1200.0, base_c: float = 20.0):
        self.rate_k_s, self.delay_s = rate_k_h / 3600.0, delay_s
        self.time_s, self.base_c = 1e5, base_c
        self.peak_c = base_c
        self.on, self.hold, self.until_s = False, "", 0.0
        self.past: list[bool] = [False] * int(delay_s // 10)
        self.asked: list[Act] = []
        self.answers = True
        self.seen = True
        self.dead = False
        self.alarms: list[dict[str, object]] = []
        self.mode = "normal"

    def mono_s(self) -> float:
        return self.time_s

    def wait(self, span_s: float) -> None:
        for _ in range(round(span_s / 10)):
            self.time_s += 10.0
            if self.time_s > self.until_s:
                self.hold = ""
            self.on = self.hold == "on" and not self.dead
            self.past.append(self.on)
            loss_k_s = (self.base_c - 14.0) / (6 * 3600.0)
            self.base_c += 10.0 * (self.rate_k_s * self.past.pop(0) - loss_k_s)
            self.peak_c = max(self.peak_c, self.base_c)

    def look(self) -> dict[str, object] | None:
        if not self.seen:
            return None
        bay = {
            "base_c": self.base_c, "mode": self.mode, "why": "as it is",
            "mat": {"ordered": "on" if self.on else "off"},
        }  # fmt: skip
        return {
            "at_utc_s": self.time_s,
            "benches": {
                "north": {"bays": {"left": bay, "right": bay}},
                "south": {"bays": {"only": bay}},
            },
            "alarms": self.alarms,
        }

    def ask(self, act: Act) -> ActDone | None:
        self.asked.append(act)
        if not self.answers:
            return None
        self.hold = act.value if act.kind == ActKind.HOLD_HEAT else ""
        self.until_s = self.time_s + act.span_s
        return ActDone(act, True, "done")


def run(bay: Bay, limits: Bounds = LIMITS, tell=lambda _step: None) -> None:
    step_test.run(bay, "north.left", limits, "Aoife", tell)


def alarm(name: str = "base_cold", place: str = "north.left", state="UNACK", priority=2):
    return {"alarm": name, "place": place, "state": state, "priority": priority, "text": "text"}


@pytest.mark.parametrize("rate_k_h", [0.5, 1.2, 2.4, 6.0])
@pytest.mark.parametrize("delay_s", [300.0, 1200.0, 3600.0])
def test_heat_is_never_held_past_the_bounds(rate_k_h, delay_s):
    bay = Bay(rate_k_h, delay_s)
    begun_s = bay.time_s
    held_on: list[tuple[float, float]] = []
    run(
        bay,
        LIMITS._replace(delay_s=delay_s, rate_k_s=rate_k_h / 3600),
        lambda step: held_on.append((bay.base_c, step.total_s)) if bay.hold == "on" else None,
    )
    assert max(base_c for base_c, _ in held_on) < LIMITS.most_c + 0.1
    assert max(total_s for _, total_s in held_on) <= step_test.HELD_LONGEST_S + 60
    assert bay.time_s - begun_s <= 4 * 3600 + 300
    assert bay.peak_c <= LIMITS.most_c + 0.3
    assert bay.hold == ""
    assert bay.asked[-1].kind == ActKind.RELEASE


def test_wrong_guess_of_the_delay_is_caught_by_the_hard_bound():
    bay = Bay(3.0, 2400.0)
    bases: list[float] = []
    run(bay, LIMITS._replace(delay_s=0.0), lambda _s: bases.append(bay.base_c) if bay.on else None)
    assert max(bases) <= LIMITS.most_c + 0.1


def test_hold_is_short_and_renewed():
    bay = Bay(0.5)
    run(bay)
    holds = [act for act in bay.asked if act.kind == ActKind.HOLD_HEAT]
    assert {act.span_s for act in holds} == {step_test.HOLD_S}
    assert 10 < len(holds) < 25


def test_phases_come_in_order_and_are_told():
    bay = Bay()
    steps: list[Step] = []
    run(bay, tell=steps.append)
    phases = [step.phase for step in steps]
    assert list(dict.fromkeys(phases)) == ["cool", "heat", "watch"]
    assert phases == sorted(phases, key=["cool", "heat", "watch"].index)
    assert steps[-1].phase_s >= step_test.AFTER_S


def after(bay: Bay, hours: float, happen) -> Bay:
    """The bay, with something that happens so long after the beginning."""
    begun_s, wait = bay.time_s, bay.wait

    def waiting(span_s: float) -> None:
        wait(span_s)
        if bay.time_s - begun_s > hours * 3600.0:
            happen()

    bay.wait = waiting  # type: ignore[method-assign]
    return bay


@pytest.mark.parametrize("stop", [KeyboardInterrupt, SystemExit, RuntimeError])
def test_whatever_ends_it_heat_is_released(stop):
    bay = Bay()

    def happen():
        raise stop

    with pytest.raises(stop):
        run(after(bay, 1.5, happen))
    assert bay.asked[-1].kind == ActKind.RELEASE
    assert bay.hold == ""


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"seen": False}, "no running warmfoot shows the bench"),
        ({"mode": "D1"}, "a base probe failed"),
        ({"alarms": [alarm()]}, "an alarm: base_cold at north.left"),
        ({"dead": True}, "the mat does not go on"),
        ({"answers": False}, "did not answer"),
    ],
)
def test_what_goes_wrong_meanwhile_ends_it_with_its_words(change, words):
    bay = Bay()
    with pytest.raises(Stopped, match=words):
        run(after(bay, 1.2, lambda: vars(bay).update(change)))
    assert bay.asked[-1].kind == ActKind.RELEASE


def test_release_that_nobody_confirmed_is_not_called_done():
    bay = Bay()

    def happen():
        bay.answers = False
        raise KeyboardInterrupt

    with pytest.raises(NotReleased, match="ends by itself within 20 min"):
        run(after(bay, 1.5, happen))


def test_refused_hold_is_said_in_the_daemon_s_words():
    bay = Bay()
    bay.ask = lambda act: ActDone(act, False, "heat is tripped")  # type: ignore[method-assign]
    with pytest.raises(Stopped, match="heat is tripped"):
        run(bay)


def test_picture_missed_once_does_not_end_it():
    bay = Bay()
    looks = iter([None])
    look = bay.look
    bay.look = lambda: next(looks, look())  # type: ignore[method-assign]
    run(bay)
    assert bay.asked[-1].kind == ActKind.RELEASE


# -- before it begins -------------------------------------------------------------------------


def picture(base_c: float | None = 20.0, **more: object):
    bay = Bay(base_c=20.0)
    vars(bay).update(more)
    found = bay.look()
    found["benches"]["north"]["bays"]["left"]["base_c"] = base_c
    return found


@pytest.mark.parametrize(
    ("base_c", "last_hour_k", "more", "words"),
    [
        (None, 0.2, {}, "not every base probe"),
        (20.0, 0.2, {"mode": "D1"}, "not every base probe"),
        (8.0, 0.2, {}, "10 to 27 °C is asked for"),
        (27.5, 0.2, {}, "10 to 27 °C is asked for"),
        (21.6, 0.2, {}, "needs 1 K of room"),
        (20.0, nan, {}, "the last hour of the base is not on record"),
        (20.0, 1.4, {}, "the base is not steady: it moved by 1.4 K"),
        (20.0, 0.2, {"alarms": [alarm("link_lost", "board")]}, "an alarm stands: link_lost"),
    ],
)
def test_each_hindrance_has_its_words(base_c, last_hour_k, more, words):
    (said,) = hindrances(picture(base_c, **more), "north.left", LIMITS, last_hour_k)
    assert words in said
    assert hindrances(picture(), "north.left", LIMITS, 0.2) == []


@pytest.mark.parametrize(
    "concerning",
    [
        alarm(),
        alarm("probe_frozen", "north.left.base1"),
        alarm("air_dry", "north", "ACKED", 1),
        alarm("probe_frozen", "north.rh"),
        alarm("base_overheat", "north.left", "LATCH_ACK", 1),
        alarm("link_lost", "board"),
        alarm("journal_failing", "site"),
    ],
)
def test_alarm_that_concerns_the_bay_stands_in_the_way(concerning):
    assert len(standing_alarms(picture(alarms=[concerning]), "north.left")) == 1


@pytest.mark.parametrize(
    "other",
    [
        alarm("cutout_missing", priority=3),
        alarm(state="RTNUN"),
        alarm(state="SHLVD"),
        alarm(place="north.right"),
        alarm(place="north.right.base1"),
        alarm(place="south.only"),
        alarm("air_dry", "south"),
        alarm("alert_route_failing", "site"),
    ],
)
def test_alarm_that_does_not_is_left_alone(other):
    assert standing_alarms(picture(alarms=[other]), "north.left") == []


def test_bounds_stay_within_what_raises_no_alarm():
    site = loads(Path("config/examples/alder_lane.toml").read_text(), "alder_lane.toml")
    aims = build_aims(site, (), Now(1.77e9, 0.0)).bays["north", "left"]
    usual = bounds(aims, aims.target_c, 1200.0)
    assert usual.most_c <= aims.target_c + step_test.MOST_K
    assert usual.low_c == pytest.approx(aims.target_c - step_test.COOL_K)
    warm = bounds(aims, 23.5, 1200.0)
    assert warm.most_c <= max(aims.target_c + 1.9, aims.good_high_c)
    cold = bounds(aims, aims.target_c - 1.8, 1200.0)
    assert cold.low_c >= aims.target_c - 1.9
    hot = replace(aims, target_c=26.0, good_high_c=27.5, hot_above_c=26.8)
    assert bounds(hot, 26.0, 1200.0).most_c == 26.8


def test_resting_bay_has_the_program_s_bounds():
    site = loads(Path("config/examples/alder_lane.toml").read_text(), "alder_lane.toml")
    aims = build_aims(site, (), Now(1.77e9, 0.0)).bays["north", "left"]
    rest = replace(aims, resting=True, target_c=nan, hot_above_c=nan, good_high_c=nan,
                   slow_below_c=nan, ceiling_c=28.0)  # fmt: skip
    assert bounds(rest, 18.0, 1200.0).most_c == 20.0
    assert bounds(rest, 26.0, 1200.0).most_c == 27.0
