"""A bench file becomes benches, probes and boards; faults strike what they name."""

import pytest

from config.load import loads
from sensors.lines import decode, encode
from simulator.faults import FaultError, make_fault
from simulator.rehearsed import as_rehearsed
from simulator.rig import Rig
from simulator.weather import WeatherSource

UTC_S = 1.7725e9


@pytest.fixture
def rig(site):
    return Rig(site, WeatherSource("steady"), UTC_S)


def run(rig, hours, leases=None):
    for step in range(int(hours * 360)):
        if leases:
            rig.boards["board"].receive(encode("order", step % 65536, leases))
        rig.advance(10.0, UTC_S + 10.0 * step)


def heard(rig):
    found = {}
    rig.boards["board"].advance(10.0)
    for line in rig.boards["board"].lines():
        word, _, fields = decode(line)
        if word == "probe":
            found.update(fields)
    return {key: float(value) for key, value in found.items() if value != "nan"}


def test_every_channel_of_the_bench_file_is_on_its_board(rig):
    assert set(heard(rig)) == {"base1", "base2", "air", "rh", "house"}
    assert rig.boards["board"].advance(1.0).keys() == {"mat1", "mat2", "mist"}


def test_warm_bench_begins_at_its_targets_and_a_cold_one_as_cold_as_the_house(site, rig):
    warm = Rig(site, WeatherSource("steady"), UTC_S, warm_hours=24.0)
    for bay in ("left", "right"):
        assert warm.base_c("north", bay) == pytest.approx(21.0, abs=0.5)
        assert rig.base_c("north", bay) == pytest.approx(12.0)
    assert heard(warm)["base2"] == pytest.approx(21.0, abs=0.6)
    truth = warm.benches["north"].truth
    assert (truth.span_s, truth.bays["left"].mat_j, warm.benches["north"].model.wet_s) == (0, 0, 0)


def test_board_sends_each_probe_as_often_as_the_bench_file_asks(demo):
    rig = Rig(as_rehearsed(demo), WeatherSource("steady"), UTC_S)
    rig.boards["board"].lines()
    times = {}
    for at_s in range(10, 70, 10):
        for channel in heard(rig):
            times.setdefault(channel, []).append(at_s)
    assert times == {key: [30, 60] for key in ("base1", "base2", "air", "rh", "house")}


def test_probe_is_wrong_by_what_the_bench_file_corrects(rig):
    run(rig, 0.2)
    values = heard(rig)
    assert values["base1"] - values["base2"] == pytest.approx(0.5, abs=0.25)


def test_ordered_mat_warms_its_own_bay_and_its_energy_is_counted(rig):
    run(rig, 4, {"mat1": "60"})
    assert rig.base_c("north", "left") > rig.base_c("north", "right") + 3.0
    truth = rig.benches["north"].truth.bays
    assert truth["left"].energy_kwh == pytest.approx(0.12 * 4, rel=0.01)
    assert truth["left"].starts == 1
    assert truth["right"].energy_kwh == 0.0


def test_ordered_mist_wets_leaves_and_its_water_is_counted(rig):
    run(rig, 10 / 3600, {"mist": "5"})
    bench = rig.benches["north"]
    assert bench.truth.mist_l == pytest.approx(0.060)
    assert bench.truth.bursts == 1
    assert bench.model.film_kg_m2 > 0.01


@pytest.mark.parametrize(
    ("kind", "target", "share"),
    [
        ("mat_dead", "north.left.mat", 0.0),
        ("mat_half", "", 0.5),
        ("mat_dead", "north.right.mat", 1.0),
    ],
)
def test_mat_fault_takes_its_share_of_the_heat_and_gives_it_back(rig, kind, target, share):
    fault = make_fault(kind, 0.0, target=target)
    rig.strike((fault,))
    run(rig, 1, {"mat1": "60"})
    held = rig.benches["north"].truth.bays["left"]
    assert held.energy_kwh == pytest.approx(0.12 * share, rel=0.01)
    rig.strike(())
    run(rig, 1, {"mat1": "60"})
    assert held.energy_kwh == pytest.approx(0.12 * (share + 1.0), rel=0.01)


def test_welded_relay_heats_without_an_order_but_not_without_power(rig):
    rig.strike((make_fault("relay_welded", 0.0),))
    run(rig, 1)
    held = rig.benches["north"].truth.bays["left"]
    assert held.energy_kwh == pytest.approx(0.12, rel=0.01)
    rig.power(False)
    run(rig, 1)
    assert held.energy_kwh == pytest.approx(0.12, rel=0.01)


def test_blocked_mister_gives_no_water_and_an_open_valve_never_stops(rig):
    rig.strike((make_fault("mister_blocked", 0.0),))
    run(rig, 0.1, {"mist": "10"})
    assert rig.benches["north"].truth.mist_l == 0.0
    rig.strike((make_fault("valve_open", 0.0),))
    run(rig, 0.1)
    assert rig.benches["north"].truth.mist_l == pytest.approx(360 * 0.012)


def test_lid_and_watering_reach_the_bench(rig):
    run(rig, 2, {"mat1": "60", "mat2": "60"})
    before_c = rig.base_c("north", "left")
    rig.strike((make_fault("lid_open", 0.0), make_fault("watering", 0.0, size=8.0)))
    assert rig.benches["north"].model.lid_open
    assert rig.base_c("north", "left") < before_c - 0.5
    rig.strike(())
    assert not rig.benches["north"].model.lid_open


def test_probe_fault_strikes_the_probe_it_names(rig):
    rig.strike((make_fault("probe_silent", 0.0, target="north.right.base2"),))
    assert "base2" not in heard(rig)
    rig.strike((make_fault("humidity_stuck", 0.0),))
    values = heard(rig)
    assert values["rh"] == 100.0
    assert "base2" in values


def test_fault_with_nothing_to_strike_says_what_there_is(rig):
    with pytest.raises(FaultError, match=r"north\.left\.base1"):
        rig.strike((make_fault("probe_silent", 0.0, target="south.base9"),))


def test_power_cut_drops_every_relay(rig):
    run(rig, 0.05, {"mat1": "60"})
    rig.power(False)
    assert not rig.boards["board"].relay_on("mat1")


def test_faster_bench_leaves_the_boards_in_their_own_time(site):
    rig = Rig(site, WeatherSource("steady"), UTC_S, pace=10.0)
    rig.boards["board"].receive(encode("order", 1, {"mat1": "30"}))
    for step in range(60):
        rig.advance(10.0, UTC_S + 10 * step)
    held = rig.benches["north"].truth.bays["left"]
    assert held.mat_j == pytest.approx(120.0 * 300.0)


def test_a_site_with_nodes_has_a_board_for_each(broker_site):
    rig = Rig(broker_site, WeatherSource(), UTC_S)
    assert "broker/north" in rig.boards
    assert any(name.endswith(".house") for name in rig.left_out)


def test_rehearsed_site_has_every_probe_on_a_channel_under_its_old_name(broker_site):
    rehearsed = as_rehearsed(broker_site)
    rig = Rig(rehearsed, WeatherSource(), UTC_S)
    assert rig.left_out == []
    assert set(rig.boards) == {"broker"}
    assert "north.house" in rig.probes
    names = [name for bench in rehearsed.benches.values() for bay in bench.bays.values()
             for name in [bay.mat.channel]]  # fmt: skip
    assert len(names) == len(set(names))


def test_bench_read_every_twenty_seconds_moves_on_in_longer_steps_to_the_same_end(demo, demo_text):
    seldom = Rig(as_rehearsed(demo), WeatherSource("spring_bright"), UTC_S)
    text = demo_text.replace("every_s = 20", "every_s = 10")
    often = Rig(as_rehearsed(loads(text, "often.toml")), WeatherSource("spring_bright"), UTC_S)
    for rig in (seldom, often):
        run(rig, 4, {"mat1": "60"})
        run(rig, 10 / 3600, {"mist": "6", "mat1": "0"})
        run(rig, 1 / 3)
    books = [rig.benches["north"].model.balance for rig in (seldom, often)]
    truths = [rig.benches["north"].truth for rig in (seldom, often)]
    assert books[0].mat_j == pytest.approx(books[1].mat_j)
    assert books[0].given_kg == pytest.approx(books[1].given_kg) == pytest.approx(0.06)
    assert truths[0].bays["left"].mat_j == truths[1].bays["left"].mat_j
    assert truths[0].mist_l == truths[1].mist_l
    assert seldom.base_c("north", "left") == pytest.approx(often.base_c("north", "left"), abs=0.02)
