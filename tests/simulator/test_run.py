"""A rehearsal joins the simulated site and a controller by the wire's own text."""

from itertools import pairwise
from typing import ClassVar

import pytest

from config.recipes import recipe_for
from controller.journal.batches import BatchBook
from controller.journal.reader import open_reader
from controller.journal.writer import Journal
from sensors.messages import Message
from simulator.bench_parts import WET_SHARE
from simulator.faults import make_fault
from simulator.run import Rehearsal
from simulator.scenario import parse_scenario

SHORT = parse_scenario(
    'title = "t"\nstart = 2026-03-02T07:00:00\ndays = 1\nweather = "spring_mixed"\n', "t.toml"
)


class FakeController:
    """Keeps mat1 on while base1 is below 20, by text alone; remembers what it was told."""

    made: ClassVar[list] = []

    def __init__(self, site, *, clock, links, **_):
        self.site, self.clock, self.links = site, clock, links
        self.heard, self.stopped, self.nows = [], [], []
        self.base_c = 99.0
        self.seq = 0
        FakeController.made.append(self)

    def start(self):
        for link in self.links.values():
            link.start()

    def tick(self):
        self.nows.append(self.clock.now())
        link = self.links["board"]
        for arrival in link.poll():
            self.heard.append(arrival.message)
            if arrival.message.word == "probe":
                self.base_c = float(arrival.message.fields.get("base1", "99"))
        lease = "30" if self.base_c < 20.0 else "0"
        self.seq += 1
        link.send(Message("order", self.seq, {"mat1": lease, "mist": "0"}))

    def stop(self, reason):
        self.stopped.append(reason)


@pytest.fixture
def rehearse(site, tmp_path):
    FakeController.made = []

    def make(*faults, **more):
        more.setdefault("days", 0.25)
        played = SHORT._replace(faults=faults)
        return Rehearsal(
            site, played, journal_path=tmp_path / "t.db", builder=FakeController, **more
        )

    return make


def test_orders_reach_the_board_and_warm_the_bay(rehearse):
    with rehearse(days=1) as rehearsal:
        truth = rehearsal.run()
    assert rehearsal.rig.base_c("north", "left") == pytest.approx(20.0, abs=1.0)
    assert truth.benches["north"].bays["left"].energy_kwh > 0.5
    assert truth.ticks == 8640
    assert FakeController.made[0].stopped == ["the rehearsal ended"]


def test_both_clocks_run_with_the_bench(rehearse):
    with rehearse(tick_s=5.0) as rehearsal:
        rehearsal.run()
    nows = FakeController.made[0].nows
    assert nows[-1].utc_s - nows[0].utc_s == pytest.approx(0.25 * 86400 - 5.0)
    assert nows[0].utc_s == SHORT.start_utc_s(rehearsal.site) + 5.0


def test_same_seed_plays_the_same_and_another_does_not(rehearse):
    def course(seed):
        with rehearse(seed=seed) as rehearsal:
            rehearsal.run()
        return [m for m in FakeController.made[-1].heard if m.word == "probe"]

    assert course(1) == course(1) != course(2)


def test_power_cut_ends_the_controller_and_a_new_one_comes_up(rehearse):
    with rehearse(make_fault("power_cut", 3600.0, hours=1.0)) as rehearsal:
        rehearsal.run()
    first, second = FakeController.made
    assert first.stopped == []
    assert second.nows[0].mono_s < 60.0
    assert second.nows[0].utc_s - first.nows[-1].utc_s == pytest.approx(3610.0, abs=20.0)
    assert second.heard[0].word == "hello"


def test_no_heat_flows_without_power(rehearse):
    with rehearse(make_fault("power_cut", 3600.0, hours=1.0)) as rehearsal:
        while rehearsal.elapsed_s < 3700.0:
            rehearsal.step()
        held = rehearsal.rig.benches["north"].truth.bays["left"]
        before_j = held.mat_j
        while rehearsal.elapsed_s < 7100.0:
            assert rehearsal.step() is None
        assert held.mat_j == before_j


def test_lost_link_carries_nothing_and_the_board_drops_its_relays(rehearse):
    with rehearse(make_fault("link_lost", 3600.0, hours=0.5)) as rehearsal:
        while rehearsal.elapsed_s < 3700.0:
            rehearsal.step()
        heard = len(FakeController.made[0].heard)
        for _ in range(120):
            rehearsal.step()
        assert len(FakeController.made[0].heard) == heard
        assert not rehearsal.rig.boards["board"].relay_on("mat1")
        while rehearsal.elapsed_s < 5500.0:
            rehearsal.step()
        assert len(FakeController.made[0].heard) > heard


def test_garbled_lines_are_refused_and_the_rest_come_through(rehearse):
    with rehearse(make_fault("link_garbage", 100.0, hours=1.0, size=0.5)) as rehearsal:
        for _ in range(300):
            rehearsal.step()
        health = rehearsal.links["board"].health()
    assert health.rejected > 50
    assert health.heard > 100
    assert FakeController.made[0].heard[-1].fields.keys() <= {
        "base1",
        "base2",
        "air",
        "rh",
        "house",
    }


def test_clock_step_moves_the_wall_clock_once(rehearse):
    with rehearse(make_fault("clock_step", 600.0, size=-3600.0)) as rehearsal:
        for _ in range(120):
            rehearsal.step()
    nows = FakeController.made[0].nows
    steps = [b.utc_s - a.utc_s for a, b in pairwise(nows)]
    assert steps.count(-3590.0) == 1
    assert steps.count(10.0) == len(steps) - 1
    assert nows[-1].mono_s == 1200.0


def test_progress_is_told_and_a_trace_is_kept_when_asked(rehearse):
    told = []
    with rehearse(keep_trace=True) as rehearsal:
        rehearsal.run(told.append)
    assert told[-1] <= 0.25
    assert len(told) >= 6
    assert len(rehearsal.trace) == 360
    assert rehearsal.trace[-1].base_c[0] > rehearsal.trace[-1].base_c[1]


# -- with the real controller -----------------------------------------------------------------


def test_real_controller_holds_the_base_and_keeps_the_leaves_alive(demo, demo_text, tmp_path):
    played = parse_scenario(
        'title = "t"\nstart = 2026-03-02T07:00:00\ndays = 2\nweather = "spring_mixed"\n'
        '[[batches]]\nplant = "Fuchsia hybrids"\nkind = "softwood"\ncount = 60\nhour = 1\n'
        'test_from_day = 1\n[[entries]]\nbatch = 1\nhour = 30\nkind = "looked"\nnote = "firm"\n',
        "t.toml",
    )
    with Rehearsal(demo, played, journal_path=tmp_path / "r.db", site_text=demo_text) as rehearsal:
        for _ in range(8640):
            rehearsal.step()
        second_day = []
        for _ in range(8640):
            rehearsal.step()
            second_day.append(rehearsal.rig.base_c("north", "left"))
        truth = rehearsal.truth()
    assert sum(second_day) / len(second_day) == pytest.approx(22.0, abs=1.0)
    assert max(second_day) < 26.0
    assert truth.benches["north"].bursts > 10
    assert truth.lots[1].alive == 60


def test_one_callused_batch_alone_dries_every_day_and_is_dry_by_night(demo, demo_text, tmp_path):
    """From callus on leaves dry at least once a day and at night (common practice, no source)."""
    played = SHORT._replace(days=3.0, warm_hours=24.0)
    file = tmp_path / "r.db"
    with Rehearsal(
        demo, played, journal_path=file, site_text=demo_text, keep_trace=True
    ) as rehearsal:
        begin_s = rehearsal.clock.now().utc_s
        with Journal.open(file, site=rehearsal.site, durable=False) as journal:
            book = BatchBook(journal, rehearsal.site, lambda: begin_s)
            recipe = recipe_for("softwood", "Fuchsia hybrids")
            batch = book.stick(
                "Fuchsia hybrids", "softwood", "north", "left", 60, begin_s, recipe=recipe
            )
            book.enter(batch.number, "weaned", {"phase": "callus"}, begin_s, "Aoife")
        truth = rehearsal.run()
    params = rehearsal.rig.benches["north"].model.params
    wet = [r.film_kg_m2 > WET_SHARE * params.film_kg_m2 * params.leaf_area for r in rehearsal.trace]
    assert truth.benches["north"].bursts > 20
    for day in range(3):
        daytime, night = (
            wet[day * 1440 : day * 1440 + 660],
            wet[day * 1440 + 780 : day * 1440 + 1320],
        )
        assert 60 < sum(daytime) < 630  # wetted, and dry for half an hour at least
        assert sum(night) < 60


def test_leases_outlast_long_ticks_so_that_heat_never_lapses_between_them(
    demo, demo_text, tmp_path
):
    """From a cold start the mat is on all the time, whatever tick the bench file names."""
    quick = demo.model_copy(update={"site": demo.site.model_copy(update={"tick_s": 2.0})})
    file = tmp_path / "r.db"
    with Rehearsal(
        quick, SHORT, journal_path=file, site_text=demo_text, days=0.1, tick_s=30.0
    ) as rehearsal:
        begin_s = rehearsal.clock.now().utc_s
        with Journal.open(file, site=rehearsal.site, durable=False) as journal:
            recipe = recipe_for("softwood", "Fuchsia hybrids")
            book = BatchBook(journal, rehearsal.site, lambda: begin_s)
            book.stick("Fuchsia hybrids", "softwood", "north", "left", 60, begin_s, recipe=recipe)
        truth = rehearsal.run()
    given_j = truth.benches["north"].bays["left"].mat_j
    power_w = demo.benches["north"].bays["left"].mat.power_w
    assert given_j == pytest.approx(power_w * 0.1 * 86400.0, rel=0.05)


def test_real_controller_comes_back_after_a_power_cut(demo, demo_text, tmp_path):
    played = SHORT._replace(faults=(make_fault("power_cut", 7200.0, hours=0.5),))
    with Rehearsal(
        demo, played, journal_path=tmp_path / "r.db", site_text=demo_text, days=0.3
    ) as rehearsal:
        first = rehearsal.controller
        rehearsal.run()
        assert rehearsal.controller is not first
        held = rehearsal.rig.benches["north"].truth.bays["left"]
        assert held.mat_j > 0
        assert rehearsal.rig.base_c("north", "left") > 14.0
    begin_s = played.start_utc_s(demo)
    with open_reader(tmp_path / "r.db") as reader:
        gaps = reader.gaps(begin_s, begin_s + 0.3 * 86400)
    longest = max(gaps, key=lambda gap: gap[1] - gap[0])
    assert longest[0] == pytest.approx(begin_s + 7200.0, abs=120.0)
    assert longest[1] == pytest.approx(begin_s + 9000.0, abs=120.0)
