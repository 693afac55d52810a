"""The checker finds nothing in a sound run, and each planted violation by its own invariant."""

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from copy import deepcopy
from math import inf, nan
from pathlib import Path

import pytest
from check_records import rows_of
from checker import INVARIANTS, judge
from evidence import Due, Evidence, Order, Turn, Usage
from watched import Watched

MAT, MISTER, BAY = "north.left.mat", "north.mister", "north.left"


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Evidence:
    """Five hours of a warm bench with a batch on it and half an hour without controller."""
    play = Watched(tmp_path_factory.mktemp("sound"))
    play.start()
    play.stick()
    play.play(2.0)
    play.kill()
    play.play(0.5)
    play.restart()
    play.play(2.5)
    run = play.finish(returns_s=3.0 * 3600.0)
    run.allowed = run.latched = frozenset({"controller_away"})
    run.twin = deepcopy(run.orders)
    run.committed = rows_of(run.journal)
    threads = frozenset({"loop", "recorder"})
    run.usage = [Usage(day, 60_000.0 + 50.0 * (day % 3), 20, threads) for day in range(30)]
    return run


@pytest.fixture
def run(sound: Evidence, tmp_path: Path) -> Evidence:
    """A copy of the sound run, to be spoilt."""
    spoilt = deepcopy(sound)
    spoilt.journal = tmp_path / "bench.db"
    with (
        closing(sqlite3.connect(sound.journal)) as old,
        closing(sqlite3.connect(spoilt.journal)) as new,
    ):
        old.backup(new)  # a copy of the file would lack what is still in the log
    return spoilt


def test_a_sound_run_breaks_no_invariant(sound: Evidence) -> None:
    assert judge(sound) == []
    assert len(INVARIANTS) == 13
    # What the invariants look at is there to be looked at.
    assert sum(turn.on for turn in sound.turns) > 20
    assert len(sound.shown) > 5
    assert all(sound.committed.values()) or not sound.committed["act"]


def change(run: Evidence, *statements: str) -> None:
    """Change the journal as no program of ours would."""
    with closing(sqlite3.connect(run.journal)) as conn:
        for (name,) in conn.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'"):
            conn.execute(f"DROP TRIGGER {name}")
        conn.execute("PRAGMA ignore_check_constraints = ON")
        for statement in statements:
            conn.execute(statement)
        conn.commit()


def relay_stays_on(run: Evidence) -> None:
    off = next(i for i, turn in enumerate(run.turns) if turn.relay == MAT and not turn.on)
    run.turns[off] = run.turns[off]._replace(t_s=run.turns[off].t_s + 61.0)


def relay_on_without_an_order(run: Evidence) -> None:
    off = next(i for i, turn in enumerate(run.turns) if turn.relay == MAT and not turn.on)
    run.turns.insert(off + 1, Turn(run.turns[off].t_s + 2.0, MAT, True))


def order_lost_and_relay_on_all_the_same(run: Evidence) -> None:
    """The lease is renewed only after it has run out."""
    on = next(t.t_s for t in run.turns if t.relay == MAT and t.on)
    run.orders[:] = [o for o in run.orders if not on < o.t_s < on + 60.0]


def heat_at_the_ceiling(run: Evidence) -> None:
    look = run.looks[300]
    run.looks[300] = look._replace(hottest_c={BAY: 32.5})
    _order(run, look.t_s, MAT, 30.0)


def heat_of_a_truly_hot_bay(run: Evidence) -> None:
    for index in range(300, 330):
        look = run.looks[index]
        run.looks[index] = look._replace(true_c={BAY: 33.0})
    _order(run, run.looks[329].t_s, MAT, 30.0)


def heat_while_tripped(run: Evidence) -> None:
    look = run.looks[300]
    change(
        run,
        "INSERT INTO alarm_change (at_ms, alarm, place, was, state, priority, text, by, note, run)"
        f" VALUES ({int(look.utc_s * 1000) - 5}, 'base_overheat', '{BAY}', 'NORM', 'UNACK', 1,"
        " 'hot', '', '', 1)",
    )
    run.allowed |= {"base_overheat"}
    run.latched |= {"base_overheat"}
    run.shown.clear()
    _order(run, run.looks[301].t_s, MAT, 30.0)


def _order(run: Evidence, t_s: float, relay: str, lease_s: float) -> None:
    for order in run.orders:
        if order.t_s == t_s:
            order.leases_s[relay] = lease_s
    run.twin = deepcopy(run.orders)


def burst_too_long(run: Evidence) -> None:
    _burst(run, 5000.0, 70.0)


def quarter_of_an_hour_passed(run: Evidence) -> None:
    for number in range(18):
        _burst(run, 5000.0 + 120.0 * number, 59.0)


def day_budget_passed(run: Evidence) -> None:
    run.bounds["north"] = (60.0, 0.25, 10.0)


def _burst(run: Evidence, t_s: float, span_s: float) -> None:
    run.turns += [Turn(t_s, MISTER, True), Turn(t_s + span_s, MISTER, False)]
    run.turns.sort(key=lambda turn: turn.t_s)
    # Orders allow it, each of them renewed, so that its length alone is wrong.
    run.orders += [Order(t_s + k, {MISTER: 2.0}) for k in range(int(span_s))]
    run.orders.sort(key=lambda order: order.t_s)
    with closing(sqlite3.connect(run.journal)) as conn:
        conn.execute(
            "UPDATE relay_minute SET starts = starts + 1 WHERE t = (SELECT min(t) FROM "
            "relay_minute) AND relay = (SELECT id FROM relay WHERE name = ?)",
            (MISTER,),
        )
        conn.commit()
    run.twin = deepcopy(run.orders)


def nan_in_control(run: Evidence) -> None:
    run.looks[100] = run.looks[100]._replace(numbers=(nan, 0.0))


def endless_lease(run: Evidence) -> None:
    _order(run, run.looks[-1].t_s, MAT, inf)


def nan_in_the_saved_state(run: Evidence) -> None:
    with closing(sqlite3.connect(run.journal)) as conn:
        (text,) = conn.execute("SELECT json FROM state").fetchone()
    spoilt = json.dumps({**json.loads(text), "mono_s": nan})
    change(run, f"UPDATE state SET json = '{spoilt}'")


def nan_on_the_page(run: Evidence) -> None:
    run.shown[2].picture["benches"]["north"]["bays"]["left"]["base_c"] = nan


def warmth_over_a_gap(run: Evidence) -> None:
    """The half hour without a controller is counted as if it had been measured."""
    to_s = run.away[0][1]
    for index, look in enumerate(run.looks):
        if look.t_s > to_s - run.tick_s:
            more = {number: sum2 + int(0.45 * 10 * 7.2e6) for number, sum2 in look.warmth.items()}
            run.looks[index] = look._replace(warmth=more)


def warmth_from_failed_data(run: Evidence) -> None:
    run.blind.append((3600.0, 6600.0, BAY))


def alarm_never_came(run: Evidence) -> None:
    run.dues = (Due("probe_silent", "north.left.base1", 3600.0, 3700.0),)


def alarm_without_cause(run: Evidence) -> None:
    run.allowed = frozenset()


def alarm_row_lost(run: Evidence) -> None:
    change(
        run,
        "UPDATE alarm_change SET was = 'ACKED' WHERE id = (SELECT min(id) FROM alarm_change)",
    )
    run.committed.clear()


def decision_row_lost(run: Evidence) -> None:
    change(run, "DELETE FROM decision WHERE id = (SELECT max(id) FROM decision)")
    run.committed.clear()


def cause_left_out(run: Evidence) -> None:
    change(run, "UPDATE decision SET text = '' WHERE id = 2")
    run.committed.clear()


def start_of_a_relay_not_written(run: Evidence) -> None:
    change(run, "UPDATE relay_minute SET starts = 0")


def committed_row_lost(run: Evidence) -> None:
    change(run, "DELETE FROM minute WHERE t = (SELECT min(t) FROM minute)")


def cycle_late(run: Evidence) -> None:
    run.looks[:] = [look for look in run.looks if not 1000.0 < look.t_s < 1040.0]


def cycle_slow(run: Evidence) -> None:
    run.looks[50] = run.looks[50]._replace(took_s=21.0)


def memory_grows(run: Evidence) -> None:
    run.usage = [one._replace(rss_kb=one.rss_kb + 300.0 * one.days) for one in run.usage]


def files_stay_open(run: Evidence) -> None:
    run.usage = [one._replace(files=20 + int(one.days)) for one in run.usage]


def thread_died(run: Evidence) -> None:
    run.usage = [
        one._replace(threads=one.threads - {"recorder"} if one.days > 20 else one.threads)
        for one in run.usage
    ]


def wall_clock_mattered(run: Evidence) -> None:
    assert run.twin is not None
    run.twin[500].leases_s[MAT] += 10.0


def stays_degraded(run: Evidence) -> None:
    run.looks[-1] = run.looks[-1]._replace(modes={**run.looks[-1].modes, BAY: "D2"})


def alarm_stays(run: Evidence) -> None:
    run.latched = frozenset()
    change(run, "UPDATE alarm_change SET state = 'UNACK' WHERE id = (SELECT max(id) FROM "
                "alarm_change)")  # fmt: skip
    run.committed.clear()
    run.shown.clear()


def page_hides_an_alarm(run: Evidence) -> None:
    run.shown[-1].picture["alarms"].clear()


def page_shows_another_mode(run: Evidence) -> None:
    run.shown[3].picture["benches"]["north"]["bays"]["left"]["mode"] = "D1"


PLANTED: list[tuple[str, Callable[[Evidence], None]]] = [
    ("I1", relay_stays_on),
    ("I1", relay_on_without_an_order),
    ("I1", order_lost_and_relay_on_all_the_same),
    ("I2", heat_at_the_ceiling),
    ("I2", heat_of_a_truly_hot_bay),
    ("I2", heat_while_tripped),
    ("I3", burst_too_long),
    ("I3", quarter_of_an_hour_passed),
    ("I3", day_budget_passed),
    ("I4", nan_in_control),
    ("I4", endless_lease),
    ("I4", nan_in_the_saved_state),
    ("I4", nan_on_the_page),
    ("I5", warmth_over_a_gap),
    ("I5", warmth_from_failed_data),
    ("I6", alarm_never_came),
    ("I6", alarm_without_cause),
    ("I7", alarm_row_lost),
    ("I7", decision_row_lost),
    ("I7", cause_left_out),
    ("I7", start_of_a_relay_not_written),
    ("I8", committed_row_lost),
    ("I9", cycle_late),
    ("I9", cycle_slow),
    ("I10", memory_grows),
    ("I10", files_stay_open),
    ("I10", thread_died),
    ("I11", wall_clock_mattered),
    ("I12", stays_degraded),
    ("I12", alarm_stays),
    ("I13", page_hides_an_alarm),
    ("I13", page_shows_another_mode),
]


@pytest.mark.parametrize(
    ("invariant", "plant"), PLANTED, ids=[f"{i} {plant.__name__}" for i, plant in PLANTED]
)
def test_a_planted_violation_is_found(
    run: Evidence, invariant: str, plant: Callable[[Evidence], None]
) -> None:
    plant(run)
    assert invariant in {found.invariant for found in judge(run)}
    assert {i for i, _ in PLANTED} == set(INVARIANTS)
