"""The loop closed over trays of compost of several sizes, none of them tuned for by hand."""

from collections import deque
from math import cos, pi, sin

import pytest

from config.model import Site
from controller.decide import build_aims
from controller.decide.state import dump, load

TRAYS = {
    "20 W propagator": {"watts": 100.0, "depth_m": 0.045, "probe_mm": 20.0, "mat_j": 5e3,
                        "below": 1.6, "conduct": 0.35, "heat_j_m3k": 2.6e6},
    "100 W bench": {"watts": 100.0, "depth_m": 0.060, "probe_mm": 30.0},
    "900 W bay": {"watts": 112.0, "depth_m": 0.105, "probe_mm": 55.0, "layers": 6,
                  "conduct": 0.6, "mat_j": 15e3, "below": 0.7},
}  # fmt: skip
MATS = {
    "20 W propagator": {"power_w": 20.0, "area_m2": 0.2},
    "100 W bench": {"power_w": 100.0, "area_m2": None},
    "900 W bay": {"power_w": 900.0, "area_m2": 8.0},
}
SUNS_W = {"20 W propagator": 150.0, "100 W bench": 200.0, "900 W bay": 250.0}
trays = pytest.mark.parametrize("name", TRAYS)


@pytest.fixture
def loop(make_rig, make_tray, make_sky, close_loop):
    def run(name, *, days=2.5, seed=3, heat=None, start_c=12.0):
        rig = make_rig(tick_s=20.0, mat=MATS[name], **({"heat": heat} if heat else {}))
        tray = make_tray(**TRAYS[name], start_c=start_c)
        return rig, close_loop(rig, tray, make_sky(seed), days)

    return run


@trays
def test_base_is_held_closer_than_by_a_switch(name, loop, make_tray, make_sky, close_switch):
    _, course = loop(name)
    switch = close_switch(make_tray(**TRAYS[name]), make_sky(3), 2.5)
    assert course.error_k <= 0.15
    assert course.error_k < 0.75 * switch.error_k


@trays
def test_warm_up_overshoots_half_a_kelvin_at_most(name, loop, make_tray, make_sky, close_switch):
    _, course = loop(name, days=1.5, seed=8)
    assert course.over_k <= 0.5
    switch = close_switch(make_tray(**TRAYS[name]), make_sky(8), 1.0)
    assert course.reached_s <= 1.35 * switch.reached_s + 3600  # and is not bought by dawdling


@trays
def test_relay_switches_forty_times_a_day_at_most(name, loop):
    _, course = loop(name)
    assert course.starts / 2.5 <= 40


@trays
def test_bench_learns_from_its_first_heat_up(name, loop):
    rig, _ = loop(name, days=1.0)
    bay, aims = rig.bay, rig.aims.bays["north", "left"]
    assert aims.rate_k_s / 3 <= bay.rate_k_s <= aims.rate_k_s * 3
    assert 300 <= bay.delay_s <= 3 * 3600


def test_deeper_probe_is_learned_as_a_longer_delay(loop):
    shallow, _ = loop("20 W propagator", days=0.5)
    deep, _ = loop("900 W bay", days=0.7)
    assert deep.bay.delay_s > 2 * shallow.bay.delay_s


def test_warm_start_overshoots_no_more(loop):
    _, course = loop("100 W bench", days=1.0, start_c=18.5)
    assert course.over_k <= 0.5


def test_holding_duty_is_learned_within_reason(loop):
    rig, _ = loop("100 W bench")
    # 12 W/m2K of surface over 100 W/m2 is 0.12 of full duty per kelvin, less what sun and the rest
    # of the tray give or take.
    assert 0.05 < rig.bay.holding_duty_per_k < 0.2


def test_settings_of_the_bench_file_are_left_alone(make_rig, make_tray, make_sky, close_loop):
    heat = {"target_c": 20.0, "gain_duty_per_k": 0.5, "integral_s": 7200.0, "derivative_s": 600.0}
    rig = make_rig(tick_s=20.0, heat=heat)
    course = close_loop(rig, make_tray(**TRAYS["100 W bench"]), make_sky(3), 1.5)
    assert rig.aims.bays["north", "left"].gain_duty_per_k == 0.5
    assert course.over_k <= 0.8


def test_restart_is_bumpless(make_rig, make_tray, make_sky, close_loop):
    rig = make_rig(tick_s=20.0)
    tray = make_tray(**TRAYS["100 W bench"], noise_k=0.0)
    close_loop(rig, tray, make_sky(3), 1.0)
    before = rig.bay
    base_c = before.mean_c
    text = dump(rig.state, rig.now)
    rig.mono_s = 77.0  # the machine has restarted: another monotonic time, a minute and a bit on
    rig.state = load(text, rig.now, 70.0)
    rig.tick(base_c, tray.top_c)
    rig.hold(60, base_c, tray.top_c)
    after = rig.bay
    assert after.integral == pytest.approx(before.integral, abs=0.02)
    assert after.rate_k_s == before.rate_k_s
    # Only the slope is lost; the rest of the output is as it was.
    assert after.duty == pytest.approx(before.integral, abs=0.25)


def test_weak_mat_runs_at_its_limit_without_winding_up(make_rig, make_tray, make_sky, close_loop):
    rig = make_rig(tick_s=20.0)
    tray = make_tray(watts=25.0, depth_m=0.06, probe_mm=30.0)
    close_loop(rig, tray, make_sky(3, mean_c=8.0), 1.5)
    assert tray.probe_c < 18.0
    assert rig.bay.duty == 1.0
    assert rig.decision.bays[0].reason.code == "full"


class Habit:
    """A house in which every day is like the last."""

    def __init__(self, sun_w=260.0, mean_c=11.0):
        self.sun_w, self.mean_c = sun_w, mean_c

    def at(self, t_s):
        hour = t_s / 3600.0 % 24.0
        sun_w = max(0.0, sin(pi * (hour - 7.0) / 11.0)) * self.sun_w
        return self.mean_c - 3.0 * cos(2.0 * pi * (hour - 4.0) / 24.0) + 0.025 * sun_w, sun_w


@trays
def test_habitual_sun_is_met_by_stopping_before_it(name, make_rig, make_tray, close_loop):
    def after_first_day(trusted):
        heat = {"target_c": 20.0, "good_low_c": 18.0, "good_high_c": 21.0}
        rig = make_rig(tick_s=20.0, mat=MATS[name], heat=heat)
        rig.trusted = trusted  # on an unsure clock nothing is known of the hours of the sun
        course = close_loop(rig, make_tray(**TRAYS[name]), Habit(SUNS_W[name]), 4.0)
        return course.bases[3 * 60 * 24 :]  # the first day has no habit yet

    kept, blind = after_first_day(True), after_first_day(False)
    assert min(kept) > 18.0
    assert over(kept, 20.0) < 0.9 * over(blind, 20.0)
    assert off(kept, 20.0) < 0.97 * off(blind, 20.0)


def over(bases, target_c):
    return sum(max(0.0, base_c - target_c) for base_c in bases) / len(bases)


def off(bases, target_c):
    return sum(abs(base_c - target_c) for base_c in bases) / len(bases)


class Even:
    """A house with no day and no night."""

    def at(self, _t_s):
        return 11.0, 0.0


@pytest.mark.parametrize("name", ["100 W bench", "900 W bay"])
def test_dear_hours_are_met_with_warmth_stored_before(name, make_rig, make_tray, close_loop):
    """Twins, one of which may warm early: less paid, no warmth lost, never out of the band."""
    window = {"start": "17:00", "end": "19:00", "price_per_kwh": 0.6}
    tariff = {"price_per_kwh": 0.3, "windows": (window,)}

    def played(warm_early):
        heat = {"target_c": 20.0, "good_low_c": 18.0, "good_high_c": 21.0,
                "warm_early": warm_early}  # fmt: skip
        rig = make_rig(tick_s=20.0, mat=MATS[name], heat=heat)
        rig.site = Site.model_validate({**rig.site.model_dump(), "tariff": tariff})
        tick, codes, cost = rig.tick, set(), 0.0

        def priced_tick(*readings):
            nonlocal cost
            if rig.mono_s % 600.0 == 0.0:  # as the loop does
                rig.aims = build_aims(rig.site, (), rig.now)
            decision = tick(*readings)
            hour = rig.now.utc_s / 3600.0 % 24.0
            cost += (decision.orders[0].lease_s > 0) * (0.6 if 17.0 <= hour < 19.0 else 0.3)
            codes.add(decision.bays[0].reason.code)
            return decision

        rig.tick = priced_tick
        course = close_loop(rig, make_tray(**TRAYS[name]), Even(), 4.0)
        return course.bases[36 * 180 :], codes, cost

    kept, codes, cost = played(True)
    flat, flat_codes, flat_cost = played(False)
    assert {"warming_early", "dear_hours"} <= codes
    assert not {"warming_early", "dear_hours"} & flat_codes
    assert 18.0 < min(kept) < max(kept) < 21.0
    assert sum(kept) / len(kept) > sum(flat) / len(flat) - 0.02
    assert cost < 0.985 * flat_cost


def test_the_rate_that_is_learned_is_the_one_before_losses(make_rig):
    """One store of heat with dead time; it loses to the air as it warms, and rises ever slower."""
    rig = make_rig(tick_s=30.0)
    rate_k_s, lift_k, house_c, delay_s = 3.0 / 3600.0, 15.0, 9.0, 1800.0
    base_c, sent = 14.0, deque([False] * round(delay_s / 30.0))
    for _ in range(round(8 * 3600 / 30)):
        top_c = house_c + 0.25 * (base_c - house_c)
        rig.tick(base_c, top_c)
        sent.append(rig.bay.on)
        gone = rate_k_s * (base_c - house_c) / lift_k
        base_c += 30.0 * ((rate_k_s if sent.popleft() else 0.0) - gone)
    assert rig.bay.rate_k_s == pytest.approx(rate_k_s, rel=0.1)
    assert rig.bay.delay_s == pytest.approx(delay_s, rel=0.2)
