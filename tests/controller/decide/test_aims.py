"""Bench file, recipes and batches made into numbers."""

from math import inf, isnan

import pytest

from config.recipes import Phase, Recipe, recipe_for
from controller.decide import build_aims
from controller.records import Batch
from sensors.clock import Now

NOON = Now(1_771_243_200.0, 100.0)  # 2026-02-16 12:00 in Dublin
DAY_S = 86400.0
KEY = ("north", "left")


def recipe(**changes):
    phases = tuple(
        Phase(
            name=name, usual_days=days, base_shift_c=shift, vpd_low_kpa=0.1, vpd_high_kpa=0.5,
            dose_kpa_min=dose, dose_growth=1.5, night_mist=name == "stick",
        )
        for name, days, shift, dose in (
            ("stick", 0.0, 0.0, 4.0), ("callus", 7.0, 0.0, 8.0),
            ("root", 14.0, -1.5, 16.0), ("wean", 21.0, -3.0, None),
        )
    )  # fmt: skip
    plain = {
        "name": "test", "title": "Test", "kind": "softwood", "leafy": True,
        "base_target_c": 22.0, "good_low_c": 20.0, "good_high_c": 25.0, "slow_below_c": 18.0,
        "hot_above_c": 28.0, "harmful_low_c": 10.0, "harmful_high_c": 33.0,
        "top_day_c": (18.0, 24.0), "top_night_c": (15.0, 18.0), "top_hot_c": 27.0,
        "difference_c": 4.0, "usual_days": (14.0, 42.0), "usual_strike": (0.6, 0.95),
        "window": (), "warmth_floor_c": 8.0, "warmth_cap_c": 28.0, "phases": phases, "sources": {},
    }  # fmt: skip
    return Recipe.model_validate({**plain, **changes})


def batch(number=1, *, age_days=2.0, phase="stick", bay="left", made=None, closed=None):
    held = made or recipe()
    stuck_s = NOON.utc_s - age_days * DAY_S
    return Batch(
        number, "Buxus sempervirens", held.kind, "north", bay, "1-4", 200, stuck_s,
        held.model_dump_json(), "hash", phase, stuck_s, closed, {},
    )  # fmt: skip


@pytest.fixture
def aims_for(make_site_file):
    def build(*batches, now=NOON, heat=None, **site):
        return build_aims(make_site_file(heat=heat or {}, **site), batches, now)

    return build


def test_nothing_asked_rests(aims_for):
    bay = aims_for().bays[KEY]
    assert bay.resting
    assert isnan(bay.target_c)
    assert bay.why


def test_batch_brings_its_frozen_recipe(aims_for):
    bay = aims_for(batch()).bays[KEY]
    assert not bay.resting
    assert (bay.target_c, bay.good_low_c, bay.good_high_c) == (22.0, 20.0, 25.0)
    assert (bay.difference_c, bay.top_hot_c, bay.hot_above_c) == (4.0, 27.0, 28.0)
    assert "batch 1" in bay.why


def test_closed_batch_asks_for_nothing(aims_for):
    assert aims_for(batch(closed=NOON.utc_s - 60)).bays[KEY].resting


def test_phase_shifts_the_base(aims_for):
    assert aims_for(batch(phase="root")).bays[KEY].target_c == 20.5


def test_phase_a_recipe_does_not_have_falls_back_to_the_one_before(aims_for):
    assert aims_for(batch(phase="wean_late")).bays[KEY].target_c == 19.0


def test_bench_recipe_holds_while_no_batch_is_stuck(aims_for):
    bay = aims_for(recipe="softwood").bays[KEY]
    assert bay.target_c == recipe_for("softwood", None).base_target_c
    assert aims_for(batch(), recipe="hardwood").bays[KEY].target_c == 22.0


def test_explicit_target_needs_no_recipe(aims_for):
    bay = aims_for(heat={"target_c": 19.0}).bays[KEY]
    assert (bay.target_c, bay.resting) == (19.0, False)
    assert bay.good_low_c < 19.0 < bay.good_high_c < bay.trip_c


def test_bench_file_rules_over_the_recipe(aims_for):
    heat = {"target_c": 23.0, "good_low_c": 21.0, "difference_c": 6.0}
    bay = aims_for(batch(), heat=heat).bays[KEY]
    assert (bay.target_c, bay.good_low_c, bay.difference_c) == (23.0, 21.0, 6.0)


def test_ride_low_and_high(aims_for):
    low = aims_for(batch(), heat={"ride": "low"}).bays[KEY].target_c
    high = aims_for(batch(), heat={"ride": "high"}).bays[KEY].target_c
    assert 20.0 <= low < 22.0 < high <= 25.0


def test_youngest_unrooted_batch_leads_within_the_bands_of_all(aims_for):
    cool = recipe(base_target_c=19.0, slow_below_c=15.0, good_low_c=17.0, good_high_c=21.0)
    rooted = batch(1, age_days=20.0, phase="root", made=cool)
    young = batch(2, age_days=1.0)
    bay = aims_for(rooted, young).bays[KEY]
    assert bay.why.startswith("batch 2")
    assert bay.target_c == 21.0  # wants 22; the older batch's band ends at 21
    assert bay.good_low_c == 20.0


def test_bands_that_do_not_meet_leave_the_leaders_own(aims_for):
    cold = recipe(
        base_target_c=14.0, harmful_low_c=5.0, slow_below_c=11.0, good_low_c=12.0, good_high_c=16.0
    )
    bay = aims_for(batch(1, age_days=9.0, made=cold), batch(2, age_days=1.0)).bays[KEY]
    assert bay.target_c == 22.0


def test_day_part_counts_in_local_time_and_over_midnight(aims_for):
    parts = [
        {"start": "22:00", "end": "06:00", "target_c": 18.0},
        {"start": "11:30", "end": "12:30", "target_c": 24.0},
    ]
    heat = {"target_c": 21.0, "parts": parts}
    at = lambda hour: Now(NOON.utc_s + (hour - 12) * 3600.0, 1.0)  # noqa: E731
    assert aims_for(heat=heat, now=at(12)).bays[KEY].target_c == 24.0
    assert aims_for(heat=heat, now=at(14)).bays[KEY].target_c == 21.0
    assert aims_for(heat=heat, now=at(23)).bays[KEY].target_c == 18.0
    assert aims_for(heat=heat, now=at(29)).bays[KEY].target_c == 18.0
    # 10:45 UTC is 11:45 by the clock on the wall in July.
    july = Now(1_784_112_300.0, 1.0)
    assert aims_for(heat=heat, now=july).bays[KEY].target_c == 24.0


def test_day_parts_are_ignored_on_an_unsure_clock(aims_for):
    heat = {"target_c": 21.0, "parts": [{"start": "00:00", "end": "23:59", "target_c": 24.0}]}
    assert aims_for(heat=heat, now=NOON._replace(trusted=False)).bays[KEY].target_c == 21.0


def test_limits_are_lower_without_a_cutout(aims_for):
    with_it = aims_for(heat={"target_c": 27.5}).bays[KEY]
    without = aims_for(heat={"target_c": 27.5}, mat={"cutout": "none"}).bays[KEY]
    assert (with_it.ceiling_c, with_it.trip_c) == (32.0, 30.0)
    assert (without.ceiling_c, without.trip_c) == (28.0, 27.0)
    assert with_it.target_c == 27.5
    assert without.target_c == 26.0  # no target comes close to the trip


def test_gains_follow_power_per_area(aims_for):
    usual = aims_for(heat={"target_c": 20.0}).bays[KEY]
    strong = aims_for(heat={"target_c": 20.0}, mat={"area_m2": 0.5}).bays[KEY]
    assert strong.gain_duty_per_k < usual.gain_duty_per_k
    assert strong.rate_k_s == pytest.approx(2 * usual.rate_k_s)
    assert not usual.tuned
    own = aims_for(heat={"target_c": 20.0, "gain_duty_per_k": 0.3}).bays[KEY]
    assert own.tuned
    assert own.gain_duty_per_k == 0.3
    assert own.integral_s == usual.integral_s


def test_dose_grows_with_the_days_of_the_phase(aims_for):
    doses = [aims_for(batch(age_days=d), mister=True).mist["north"].dose_kpa_min for d in (0, 1)]
    assert doses == pytest.approx([4.0, 6.0])
    own = aims_for(batch(age_days=1), mister=True, mist={"dose_kpa_min": 2.0})
    assert own.mist["north"].dose_kpa_min == pytest.approx(3.0)


def test_dose_of_a_batch_nobody_enters_stops_at_the_next_phase(aims_for):
    found = [aims_for(batch(age_days=d), mister=True).mist["north"] for d in (3, 20, 4000)]
    assert [mist.dose_kpa_min for mist in found] == pytest.approx([8.0, 8.0, 8.0])
    for own, most in ((2.0, 8.0), (6.0, 8.0), (30.0, 30.0)):
        aims = aims_for(batch(age_days=20), mister=True, mist={"dose_kpa_min": own})
        dose = aims.mist["north"].dose_kpa_min
        assert own <= dose <= most


def test_herbaceous_batch_nobody_enters_for_20_days_is_still_misted(make_rig):
    made = recipe_for("herbaceous")
    rig = make_rig(batches=(batch(age_days=20.0, made=made),), mister=True, utc_s=NOON.utc_s)
    rig.hold(600, 20.0, 20.0)
    bursts = [rig.tick(20.0, 20.0).mist[0].burst_s for _ in range(360)]
    assert sum(burst_s > 0 for burst_s in bursts) >= 1


def test_needier_leafy_batch_leads_the_mist(aims_for):
    sticks = recipe(name="sticks", leafy=False)
    old = batch(1, age_days=1.0, phase="root")
    young = batch(2, age_days=1.0)
    mist = aims_for(batch(3, age_days=0.0, made=sticks), old, young, mister=True).mist["north"]
    assert mist.dose_kpa_min == pytest.approx(6.0)
    assert mist.phase == "stick"
    assert mist.unrooted
    assert mist.why.startswith("batch 2")


def test_leafless_cuttings_want_no_mist(aims_for):
    sticks = recipe(name="sticks", leafy=False)
    mist = aims_for(batch(made=sticks), mister=True).mist["north"]
    assert mist.resting
    assert not mist.leafy


def test_one_full_drying_a_day_from_callus_on(aims_for):
    assert not aims_for(batch(), mister=True).mist["north"].must_dry
    assert aims_for(batch(phase="callus"), mister=True).mist["north"].must_dry


def test_bench_recipe_wants_mist_too(aims_for):
    assert not aims_for(recipe="softwood", mister=True).mist["north"].resting
    assert aims_for(mister=True).mist["north"].resting
    asked = aims_for(mister=True, mist={"dose_kpa_min": 5.0}).mist["north"]
    assert not asked.resting
    assert asked.dose_kpa_min == 5.0


def test_bays_are_staggered(aims_for):
    aims = aims_for(bays={"left": {}, "mid": {}, "right": {}})
    assert sorted(bay.stagger for bay in aims.bays.values()) == pytest.approx([0, 1 / 3, 2 / 3])


def test_relay_without_lease_is_marked(aims_for):
    mat = {"link": "b", "channel": None, "topic": "shed/plug", "lease": "none"}
    assert not aims_for(mat=mat).bays[KEY].leased
    assert aims_for().bays[KEY].leased


def test_alarms_of_dry_air_go_by_the_unrooted_leaves_whoever_leads_the_mist(aims_for):
    """A rooted batch of a thirsty kind leads; the new one of a frugal kind bears less dry air."""
    frugal = recipe(name="frugal")
    slow = frugal.phases[0].model_copy(update={"dose_kpa_min": 60.0, "vpd_high_kpa": 0.7})
    frugal = frugal.model_copy(update={"phases": (slow,)})
    thirsty = recipe(name="thirsty")
    root = thirsty.phases[2].model_copy(update={"vpd_high_kpa": 1.4})
    thirsty = thirsty.model_copy(
        update={"phases": (*thirsty.phases[:2], root, *thirsty.phases[3:])}
    )  # fmt: skip
    rooted = batch(1, age_days=0.0, phase="root", made=thirsty)
    aims = aims_for(rooted, batch(2, age_days=3.0, made=frugal), mister=True)
    mist = aims.mist["north"]
    assert mist.why.startswith("batch 1")
    assert (mist.vpd_high_kpa, mist.age_days) == (0.7, pytest.approx(3.0))
    assert aims.bench_plans[0].dry_kpa == 0.7


@pytest.mark.parametrize(
    "site",
    [{}, {"recipe": "softwood"}, {"mist": {"dose_kpa_min": 5.0}}, {"heat": {"target_c": 20.0}}],
)
def test_an_empty_bench_has_no_limits_of_its_air(aims_for, site):
    empty = aims_for(mister=True, **site)
    plan = empty.bench_plans[0]
    assert empty.mist["north"].empty
    assert (plan.dry_kpa, plan.saturated_h, plan.top_hot_c) == (inf, inf, inf)
    used = aims_for(batch(), mister=True, **site).bench_plans[0]
    assert max(used.dry_kpa, used.saturated_h, used.top_hot_c) < inf


def test_frost_guard_holds_an_empty_bay_only_and_yields_to_all_else(aims_for):
    frost = {"frost_c": 4.0}
    bay = aims_for(heat=frost).bays[KEY]
    assert (bay.resting, bay.target_c, bay.prices) == (False, 4.0, None)
    assert aims_for(heat=frost).bay_plans[0].hot_c == bay.trip_c
    assert aims_for(batch(), heat=frost).bays[KEY].target_c == 22.0
    assert aims_for(heat={**frost, "target_c": 18.0}).bays[KEY].target_c == 18.0
    assert aims_for(heat=frost, recipe="semi_ripe").bays[KEY].target_c == 20.0
    assert aims_for(batch(closed=NOON.utc_s), heat=frost).bays[KEY].target_c == 4.0
