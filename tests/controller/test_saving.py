"""What is said to be saved, beside rehearsed twins that really held the flat target."""

from datetime import datetime
from pathlib import Path
from typing import NamedTuple

import pytest

from config.load import loads
from controller.journal.reader import open_reader
from controller.saving import Saving, in_words, saving_for, saving_of
from simulator.bench_params import PRESETS
from simulator.run import Rehearsal
from simulator.scenario import Scenario, Stick

DAYS = 5.25
DEAR = 1.2
BENCH_FILE = """
site = {{ name = "Twins", timezone = "Europe/Dublin", latitude_deg = 53.3, longitude_deg = -6.5 }}
links.board = {{ kind = "memory" }}
[benches.north]
recipe = "semi_ripe"
heat = {{ {heat} }}
air.probes = [
    {{ link = "board", channel = "air", kind = "air_temperature" }},
    {{ link = "board", channel = "rh", kind = "humidity" }},
    {{ link = "board", channel = "house", kind = "house_temperature" }},
]
[benches.north.bays.left]
probes = [{{ link = "board", channel = "base1", kind = "base_temperature" }}]
mat = {{ link = "board", channel = "mat1", power_w = {power_w}, area_m2 = {area_m2} }}
[tariff]
price_per_kwh = 0.3
windows = [{{ start = "17:00", end = "19:00", price_per_kwh = 1.2 }}]
"""
MAT = PRESETS["bay"].bays[0]


class Twin(NamedTuple):
    journal: Path
    site: object
    kwh: float
    cost: float
    stored_k: float


def play(folder: Path, name: str, heat: str) -> Twin:
    """What the mat took from the second evening on, and where the base was in the end."""
    text = BENCH_FILE.format(heat=heat, power_w=MAT.mat_w, area_m2=MAT.area_m2)
    site = loads(text, "twins.toml")
    scenario = Scenario(
        title=name, start=datetime.fromisoformat("2026-01-12T18:00:00"), days=DAYS,
        weather="winter_dull", seed=7, preset="bay",
        sticks=(Stick(0.0, "Trial shrub", "semi_ripe", "semi_ripe", "north", "left", "1", 100,
                      900.0, 900.0, 1, 0.0, {}),),
    )  # fmt: skip
    path = folder / f"{name}.db"
    kwh = cost = before_j = 0.0
    with Rehearsal(site, scenario, journal_path=path, tick_s=15.0, site_text=text) as play:
        while play.elapsed_s < DAYS * 86400.0:
            play.step()
            bench = play.rig.benches["north"]
            now_j = bench.truth.bays["left"].mat_j
            if play.elapsed_s > 86400.0:
                hour = play.clock.now().utc_s / 3600.0 % 24.0
                used = (now_j - before_j) / 3.6e6
                kwh += used
                cost += used * (DEAR if 17.0 <= hour < 19.0 else 0.3)
            before_j = now_j
        stored_k = bench.model.base_c(0, bench.place)
    return Twin(path, site, kwh, cost, stored_k)


@pytest.fixture(scope="module")
def twins(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Twin]:
    folder = tmp_path_factory.mktemp("twins")
    return {
        "flat": play(folder, "flat", "warm_early = false"),
        "low": play(folder, "low", 'ride = "low", warm_early = false'),
        "early": play(folder, "early", ""),
    }


def saved(twin: Twin) -> Saving:
    with open_reader(twin.journal) as reader:
        begin_s = reader.batches()[0].stuck_s
        found = saving_of(reader, twin.site, "north.left", begin_s + 86400.0, 4e9)
    assert found is not None
    return found


def test_twin_that_held_it_saved_nothing(twins: dict[str, Twin]) -> None:
    found = saved(twins["flat"])
    assert found.target_c == pytest.approx(20.0)
    assert abs(found.kwh) < found.error_kwh
    assert found.given.kwh == pytest.approx(twins["flat"].kwh, rel=0.01)
    assert "about as many kWh, about as many EUR" in in_words(found)


def test_riding_low_saves_what_its_twin_took_more(twins: dict[str, Twin]) -> None:
    low, flat = twins["low"], twins["flat"]
    found = saved(low)
    stored_kwh = (flat.stored_k - low.stored_k) * MAT.mat_w / 3.6e6 / (1.9 / 3600.0)
    true_kwh = flat.kwh - low.kwh - stored_kwh
    assert true_kwh > 0.06 * flat.kwh
    assert found.kwh == pytest.approx(true_kwh, abs=found.error_kwh)
    assert found.kwh == pytest.approx(true_kwh, rel=0.1)
    assert found.cost == pytest.approx(flat.cost - low.cost, rel=0.2)
    assert f"about {found.kwh:.1f} kWh saved (give or take" in in_words(found)


def test_meeting_dear_hours_saves_money_and_no_heat(twins: dict[str, Twin]) -> None:
    early, flat = twins["early"], twins["flat"]
    found = saved(early)
    true_cost = flat.cost - early.cost
    assert true_cost > 0.04 * flat.cost
    assert found.cost == pytest.approx(true_cost, rel=0.15)
    assert abs(found.kwh) < 0.01 * flat.kwh
    assert "EUR saved" in in_words(found)
    assert f"about {found.cost / 2:.2f} EUR" in in_words(found, 0.5)


def test_batch_is_judged_over_its_own_stay(twins: dict[str, Twin]) -> None:
    twin = twins["low"]
    with open_reader(twin.journal) as reader:
        batch = reader.batches()[0]
        found = saving_for(reader, twin.site, batch, 4e9)
        early = saving_for(reader, twin.site, batch, batch.stuck_s + 86400.0)
        nowhere = saving_of(reader, twin.site, "north.right", 0.0, 4e9)
    assert found is not None
    assert found.known_share > 0.95
    assert found.given.kwh > saved(twin).given.kwh
    assert early is None  # a day says too little
    assert nowhere is None
