"""Rows of the matrix: wires, power, clocks, disks, files, people, programs."""

import os
import sqlite3
from collections.abc import Callable, Generator
from contextlib import closing
from typing import Final
from unittest.mock import patch

from cases import BASE1, BAY, BENCH, COLD, DRY, LINK, SITE, Case
from evidence import Due, Order
from watched import Watched, bench_text

from controller.records import ActKind
from sensors.lines import LINE_BYTES

AWAY: Final = frozenset({"controller_away"})
HERE: Final = "tests/"


def garbage(play: Watched) -> Generator[float, None, None]:
    """Half a line, a line without its end, noise, and a megabyte without a newline."""
    yield 1.0
    lines = play.rig.boards["board"].lines
    for number in range(120):
        now_s = play.clock.now().mono_s
        half = lines()
        if half:
            text = half[0].encode()
            play.board.feed(text[: len(text) // 2], now_s)
        play.board.feed(b"5\n21.\n" if number % 2 else os.urandom(200), now_s)
        yield play.tick_s / 3600.0
    play.board.feed(b"x" * 1_000_000, play.clock.now().mono_s)
    assert len(play.board._assembler._held) <= LINE_BYTES, "more is held than a line may have"
    seen = [look.hottest_c[BAY] for look in play.found.looks if look.hottest_c[BAY] > -1e9]
    assert max(seen) - min(seen) < 5.0, "noise was taken for a temperature"
    play.found.returns_s = play.elapsed_s + 900.0
    yield 2.0


def orders_lost(play: Watched) -> Generator[float, None, None]:
    """The wire carries readings and no orders: what was on ends with its lease."""
    yield 0.2
    receive, play.board.on_line = play.board.on_line, None
    yield 0.1
    assert not play.rig.boards["board"].relay_on("mat1")
    play.found.rebooted = frozenset(play.relays.values())  # the program cannot know
    yield 0.4
    play.board.on_line = receive
    play.found.returns_s = play.elapsed_s + 600.0
    yield 2.0


def delayed(play: Watched) -> Generator[float, None, None]:
    """Five minutes' lines held back and let through at once, again and again."""
    yield 1.0
    feed = play.board.feed
    held: list[str | bytes] = []
    play.board.feed = lambda data, _mono_s: held.append(data)  # type: ignore[method-assign]
    for _ in range(6):
        yield 1.0 / 12.0
        for data in held:
            feed(data, play.clock.now().mono_s)
        held.clear()
    play.board.feed = feed  # type: ignore[method-assign]
    play.found.returns_s = play.elapsed_s + 900.0
    yield 1.0


def killed_often(play: Watched) -> Generator[float, None, None]:
    """Ten restarts in five minutes."""
    yield 1.0
    for _ in range(10):
        play.kill()
        yield 10.0 / 3600.0
        play.restart()
        first = len(play.found.orders)
        yield 20.0 / 3600.0
        assert set(play.found.orders[first - 1].leases_s.values()) == {0.0}, "not off at first"
    with closing(sqlite3.connect(play.journal_path)) as conn:
        ends = conn.execute("SELECT count(*) FROM run WHERE reason LIKE '%kill%' OR reason LIKE "
                            "'%power%' OR reason LIKE '%without%'").fetchone()[0]  # fmt: skip
    assert ends >= 10, "the journal does not tell of the restarts"
    play.found.returns_s = play.elapsed_s + 600.0
    yield 1.0


def clock_steps(play: Watched) -> Generator[float, None, None]:
    """Two hours on, four back, to 1970 and home; heat is that of a run without.

    Mist goes by the sun, so by the clock, and cools the top; it is held off in both.
    """
    _without_mist(play)
    yield 1.0
    from_s = play.elapsed_s
    for step_s in (7200.0, -14400.0, 7200.0):
        play.clock.step_utc(step_s)
        yield 0.4
    home_s = play.clock.now().utc_s
    play.clock.step_utc(-home_s)
    yield 0.25
    play.clock.step_utc(home_s)
    yield 1.0
    play.found.same = (from_s, from_s + 3600.0)
    play.found.twin = _twin(play, _without_mist)
    play.found.alike = frozenset(play.found.mats.values())


def _without_mist(play: Watched) -> None:
    play.ask(ActKind.HOLD_MIST, BENCH, span_s=12 * 3600.0, value="off")


def _twin(play: Watched, begin: Callable[[Watched], None] | None = None) -> list[Order]:
    """The orders of the same hours with a clock that goes right."""
    folder = play.journal_path.parent / "twin"
    folder.mkdir()
    twin = Watched(folder)
    twin.start()
    twin.stick()
    if begin is not None:
        begin(twin)
    twin.play((play.elapsed_s - twin.elapsed_s) / 3600.0)
    return twin.finish().orders


def stale_boot(play: Watched) -> Generator[float, None, None]:
    """A boot without a clock chip: five hours slow until the time server answers."""
    yield 1.0
    play.kill()
    yield 0.5
    play.clock.step_utc(-5 * 3600.0)
    play.clock.trusted = False
    play.restart()
    play.clock.trusted = False
    yield 1.0
    assert play.kept.decision is not None
    play.clock.step_utc(5 * 3600.0)
    play.clock.trusted = True
    yield 1.0
    play.kept.recorder.flush()
    with closing(sqlite3.connect(play.journal_path)) as conn:
        (fixes,) = conn.execute("SELECT count(*) FROM time_fix").fetchone()
        times = [t for (t,) in conn.execute("SELECT DISTINCT t FROM minute ORDER BY t")]
    assert fixes == 1, f"{fixes} re-datings"
    assert times[0] >= play.found.utc0_s - 60.0, "rows of the wrong clock are left"
    play.found.returns_s = play.elapsed_s + 900.0
    yield 1.0


def changed_night(play: Watched) -> Generator[float, None, None]:
    """Ten hours over the change: warmth is that of ten hours, whatever a clock calls them."""
    yield 10.0
    play.kept.recorder.flush()
    ((number, sum2),) = play.found.looks[-1].warmth.items()
    warmth = play.kept.warmths.warmth(number)
    assert warmth is not None
    assert 10 * 3600 - 300 <= warmth.covered_s <= 10 * 3600, f"{warmth.covered_s} s covered"
    above = [min(look.true_c[BAY], 40.0) for look in play.found.looks]
    most = sum(above) / len(above) * 10.0
    assert 0.0 < sum2 / 7.2e6 < most, f"{sum2 / 7.2e6:.1f} degree-hours of {most:.0f} at most"
    play.found.returns_s = play.elapsed_s


def cut_over_the_change(play: Watched) -> Generator[float, None, None]:
    """The power fails for three hours of the night in which the clocks change."""
    yield 4.5
    play.kill()
    yield 3.0
    play.restart()
    yield 2.5
    play.kept.recorder.flush()
    ((number, _),) = play.found.looks[-1].warmth.items()
    warmth = play.kept.warmths.warmth(number)
    assert warmth is not None
    assert 7 * 3600 - 600 <= warmth.covered_s <= 7 * 3600, f"{warmth.covered_s} s covered"
    play.found.returns_s = play.elapsed_s + 4 * 3600.0
    yield 5.0


def far_clock(play: Watched) -> Generator[float, None, None]:
    """The time server says 2100, and after two hours what is true."""
    yield 1.0
    true_s = play.clock.now().utc_s
    play.clock.step_utc(4_102_444_800.0 - true_s)
    yield 2.0
    play.clock.step_utc(true_s - 4_102_444_800.0)
    play.found.returns_s = play.elapsed_s + 1800.0
    yield 1.0


def disk_full(play: Watched) -> Generator[float, None, None]:
    """The disk is full for three hours; orders are those of a run with room."""
    yield 1.0
    play.kept.recorder.flush()
    conn = play.kept.recorder._journal._db.conn  # type: ignore[union-attr]
    pages = conn.execute("PRAGMA page_count").fetchone()[0]
    conn.execute(f"PRAGMA max_page_count = {pages}")
    play._shown_s = play.elapsed_s + 4 * 3600.0  # the page is ahead of a journal that is full
    began_s = play.elapsed_s
    yield 3.0
    conn.execute("PRAGMA max_page_count = 1000000")
    due = Due("journal_failing", SITE, began_s, play.elapsed_s)
    play.found.dues = (due,)
    play.found.twin = _twin(play)
    play.found.same = (0.0, play.elapsed_s)
    play._shown_s = play.elapsed_s
    play.found.returns_s = play.elapsed_s + 1200.0
    yield 2.0


def hold_forgotten(play: Watched) -> Generator[float, None, None]:
    """Heat held off for three hours and forgotten."""
    yield 0.5
    play.ask(ActKind.HOLD_HEAT, BAY, span_s=3 * 3600.0, value="off")
    yield 3.0
    assert not any(o.leases_s["north.left.mat"] for o in play.found.orders[-900:])
    play.found.returns_s = play.elapsed_s + 3600.0
    yield 6.0


def shelved_for_a_week(play: Watched) -> Generator[float, None, None]:
    """Somebody acknowledges and shelves whatever there is, for a week, and holds for a day."""
    yield 3.0
    for held in list(play.kept.state.alarms):
        play.ask(ActKind.SHELVE, held[1], alarm=held[0], span_s=7 * 86400.0, note="quiet")
    shelved = [k for k, a in play.kept.state.alarms.items() if a.state == "SHLVD"]
    priorities = [play.kept.state.alarms[key].priority for key in shelved]
    assert 1 not in priorities, "an alarm of priority 1 was shelved for a week"
    play.ask(ActKind.HOLD_HEAT, BAY, span_s=86400.0, value="on")
    done = play.kept.decision.acts[-1] if play.kept.decision else None
    assert done is not None
    assert "12 h is the longest" in done.text, done.text
    yield 1.0


def stage_fails(play: Watched) -> Generator[float, None, None]:
    """An exception in each stage for five minutes, one after the other."""
    yield 0.5

    def broken(*_: object, **__: object) -> None:
        raise MemoryError("planted")

    for stage in (
        "controller.decide.step.mist",
        "controller.decide.heat.think",
        "controller.decide.step.alarms",
        "controller.loop.Driver.send",
        "controller.loop.MinuteBook.sample",
        "controller.loop.MinuteBook.close",
        "controller.loop.WarmthBook.add",
        "controller.loop.Intake.take",
        "controller.loop.build_aims",
    ):
        with patch(stage, broken):
            yield 5.0 / 60.0
        yield 1.0 / 60.0
    with closing(sqlite3.connect(play.journal_path)) as conn:
        play.kept.recorder.flush()
        told = {p for (p,) in conn.execute("SELECT place FROM event WHERE kind = 'fault'")}
    assert {"decision", "orders", "samples", "last minute", "warmth"} <= told, (
        f"told of {sorted(told)}"
    )
    play.found.returns_s = play.elapsed_s + 1800.0
    yield 2.0


def hot_day(play: Watched) -> Generator[float, None, None]:
    """By noon of a hot day the water budget is spent; then humidity is lost as well."""
    yield 5.0
    bursts = play.rig.benches["north"].truth.bursts
    yield 4.0
    codes = {look.codes["north.mister"] for look in play.found.looks}
    assert codes & {"mist_budget", "mist_survival_budget"}, "the budget was never spent"
    after = play.rig.benches["north"].truth.bursts - bursts
    assert after >= 8, f"{after} bursts in four hours of a hot day"


ROWS: Final = (
    Case("26", "link", "USB unplugged and put back", "process", "open again by itself, relays off",
         held_by=HERE + "flows/daemon/test_life.py::"
         "test_plug_pulled_and_put_back_and_heat_goes_on"),
    Case("27", "link", "half lines, noise, a megabyte without an end", "wire",
         "no value of it, memory bounded", script=garbage,
         allowed=frozenset({"link_lost", "probe_silent", "relay_disagrees"})),
    Case("27b", "link", "wire cut for half an hour", "wire", "off within the lease, told",
         ("link_lost@1+1/0.5",), 4.0, (("link_lost", LINK, 0.3, 2),), COLD | {"probe_silent"},
         back_min=60),
    Case("27c", "link", "three lines in four garbled", "wire", "control goes on",
         ("link_garbage@1+1/2=0.75",), 5.0, (), frozenset({"probe_silent", "link_lost"}),
         back_min=30),
    Case("27d", "link", "no order gets through", "wire", "off within the lease",
         script=orders_lost, allowed=frozenset({"relay_disagrees"})),
    Case("27e", "link", "lines five minutes late, in bursts", "wire", "no alarm beyond the link",
         script=delayed, allowed=frozenset({"link_lost", "probe_silent", "relay_disagrees"})),
    Case("27f", "link", "a board that takes no bytes", "wire", "the loop does not wait",
         held_by=HERE + "contracts/test_links_serial.py::"
         "test_a_board_that_takes_nothing_never_holds_up_the_loop"),
    Case("29", "link", "broker restarted", "process", "readings resume, no old order comes back",
         held_by=HERE + "flows/daemon/test_broker.py::"
         "test_broker_restarted_and_readings_and_orders_resume_and_no_old_order_comes_back"),
    Case("30", "link", "Modbus: a unit dies", "wire", "told; the others go on; off before on",
         held_by=HERE + "flows/daemon/test_modbus_line.py::"
         "test_a_unit_that_dies_leaves_the_others_and_is_off_before_it_is_on"),
    Case("30b", "link", "Modbus: exceptions", "wire", "told in words, an order refused is counted",
         held_by=HERE + "contracts/test_links_modbus.py::"
         "test_an_exception_is_told_in_words_and_an_order_refused_is_counted"),
    Case("30c", "link", "Modbus: garbled answers", "wire", "no number of it; off before on",
         held_by=HERE + "flows/daemon/test_modbus_line.py::"
         "test_garbled_answers_bring_no_number_and_no_order"),
    Case("30d", "link", "Modbus: line unplugged", "process", "down; off before on",
         held_by=HERE + "flows/daemon/test_modbus_line.py::test_line_unplugged_and_put_back"),
    Case("36b", "power", "SIGKILL, over Modbus", "process",
         "nothing committed lost; a relay without a watch stays on, of which an alarm stands",
         held_by=HERE + "flows/daemon/test_modbus_line.py::test_killed_over_modbus"),
    Case("32", "link", "exception in a callback", "wire", "the link lives on",
         held_by=HERE + "contracts/test_links_mqtt.py::"
         "test_an_error_while_taking_a_message_does_not_end_the_link"),
    Case("33", "link", "second program with the same client id", "wire", "named",
         held_by=HERE + "contracts/test_links_mqtt.py::"
         "test_a_second_program_with_the_same_client_id_is_named"),
    Case("33b", "link", "broker that answers nothing, connection open", "process",
         "nothing unsent comes to life afterwards",
         held_by=HERE + "contracts/test_links_mqtt.py::"
         "test_nothing_unsent_comes_to_life_after_a_break"),
    Case("33c", "link", "access list that stops orders", "process", "said until it is over",
         held_by=HERE + "contracts/test_links_mqtt.py::"
         "test_orders_that_an_access_list_stops_are_told_until_they_get_through"),
    Case("34", "link", "retained old reading", "wire", "shown, never acted on",
         held_by=HERE + "sensors/test_intake.py::"
         "test_retained_value_is_shown_and_never_acted_on"),
    Case("35", "attack", "forged order, retained order", "wire", "put right in a tick; ignored",
         held_by=HERE + "flows/daemon/test_killed.py::"
         "test_forged_order_lasts_until_the_next_tick_and_a_retained_one_does_nothing"),
    Case("36", "power", "SIGKILL, on a real wire", "process", "nothing committed lost",
         held_by=HERE + "flows/daemon/test_killed.py::test_killed_over_serial"),
    Case("37b", "power", "whole process frozen", "process", "relays off by lease, then heat again",
         held_by=HERE + "flows/daemon/test_killed.py::"
         "test_frozen_process_lets_the_relays_go_and_heats_again_when_it_is_let_go_on"),
    Case("38", "power", "cut during a commit", "disk", "opens clean, only the cut lot is gone",
         held_by=HERE + "faults/test_torn_log.py::test_log_cut_anywhere_opens_clean"),
    Case("46", "disk", "n-th write or sync fails", "disk", "rows wait, none lost",
         held_by=HERE + "faults/test_nth_call.py"),
    Case("47", "disk", "damaged page at the start", "disk", "kept aside, a new one begun",
         held_by=HERE + "faults/test_disk.py::test_damaged_page_at_the_start"),
    Case("49", "disk", "8 s for each sync", "disk", "ticks in time",
         held_by=HERE + "faults/test_disk.py::test_eight_seconds_a_sync_hold_up_no_tick"),
    Case("49b", "disk", "minutes to open the journal", "disk", "heat does not wait for it",
         held_by=HERE + "faults/test_disk.py::"
         "test_heat_does_not_wait_for_a_journal_that_is_slow_to_open"),
    Case("48b", "disk", "it, its -wal or its folder deleted in use", "disk",
         "written out again, no row lost",
         held_by=HERE + "faults/test_disk.py::"
         "test_journal_deleted_while_running_is_written_out_again"),
    Case("48c", "disk", "another file moved into its place", "disk", "written out again, both kept",
         held_by=HERE + "faults/test_disk.py::"
         "test_journal_replaced_while_running_is_written_out_again_and_the_other_file_kept"),
    Case("48d", "disk", "the lock's file deleted", "disk", "a second daemon is still refused",
         held_by=HERE + "controller/test_daemon.py::"
         "test_second_daemon_is_refused_also_after_the_locks_file_was_deleted"),
    Case("50", "disk", "two years of data", "disk", "start in 10 s, picture in 1 s, thinning works",
         held_by=HERE + "faults/test_disk.py::test_two_years_of_minutes"),
    Case("37", "power", "hang of any stage", "process", "no sign of life to the manager",
         held_by=HERE + "flows/daemon/test_watchdog.py::"
         "test_stage_that_stops_ends_the_signs_of_life"),
    Case("39", "power", "ten restarts in five minutes", "process", "off first, no burst of relays",
         script=killed_often),
    Case("40", "power", "six hours without power", "simulator", "told; nothing counted over it",
         ("power_cut@1+6/6",), 20.0, (("controller_away", SITE, 359, 362),), COLD, AWAY,
         back_min=420),
    Case("41", "clock", "steps of hours, and 1970", "clock", "heat as without, rows marked",
         script=clock_steps,
         allowed=DRY | {"clock_stepped", "clock_untrusted", "mist_hold_left_on"}),
    Case("42", "clock", "boot without a clock, set late", "clock", "rows re-dated",
         script=stale_boot, allowed=AWAY | {"clock_stepped", "clock_untrusted"},
         latched=AWAY | {"clock_stepped"}),
    Case("43", "clock", "spring and autumn nights", "clock", "each clock time once",
         held_by=HERE + "flows/test_clock_change.py"),
    Case("43b", "clock", "spring night, warmth", "clock", "that of the true hours",
         script=changed_night, start="2026-03-28T22:00"),
    Case("43c", "clock", "autumn night, warmth", "clock", "that of the true hours",
         script=changed_night, start="2026-10-24T22:00"),
    Case("43d", "clock", "power cut over the spring change", "process", "warmth of the true hours",
         script=cut_over_the_change, start="2026-03-28T20:00", allowed=AWAY | COLD, latched=AWAY,
         weather="winter_dull"),
    Case("43e", "clock", "power cut over the autumn change", "process", "warmth of the true hours",
         script=cut_over_the_change, start="2026-10-24T20:00", allowed=AWAY | COLD, latched=AWAY,
         weather="winter_dull"),
    Case("41b", "clock", "the year 2100 for two hours", "clock", "heat goes on, rows marked",
         script=far_clock, allowed=DRY | {"clock_stepped", "clock_untrusted"}),
    Case("44", "clock", "suspend", "clock", "nothing summed over it",
         held_by=HERE + "flows/test_jump_in_time.py::test_nothing_is_summed_over_a_suspend"),
    Case("45", "disk", "full for three hours", "disk", "told, control as without, no row lost",
         script=disk_full),
    Case("48", "disk", "held by another program", "disk", "rows wait, ticks in time",
         held_by=HERE + "flows/test_one_fault_stays_one.py::"
         "test_journal_locked_by_another_program_does_not_delay_a_tick"),
    Case("51", "config", "bench file missing, empty, half written", "config", "line and key named",
         held_by=HERE + "config/test_broken_files.py"),
    Case("53", "config", "changed while running", "process", "whole or not at all",
         held_by=HERE + "flows/daemon/test_life.py::"
         "test_new_bench_file_is_taken_whole_and_a_bad_one_not_at_all"),
    Case("54", "config", "recipe of a running batch spoilt", "disk", "the others go on",
         held_by=HERE + "flows/test_one_fault_stays_one.py::"
         "test_batch_with_a_spoilt_recipe_holds_up_no_other"),
    Case("55", "user", "hold forgotten", "act", "told, ends by itself", script=hold_forgotten,
         allowed=COLD | {"hold_left_on", "heat_hold_left_on"}),
    Case("58", "user", "everything shelved for a week", "act", "bounds hold",
         ("mister_blocked@1+1/6",), script=shelved_for_a_week,
         allowed=DRY | {"mist_no_answer", "base_hot"},
         start="2026-05-10T09:00", weather="hot_spell"),
    Case("60", "attack", "other names, other sites, forged acts", "page", "refused",
         held_by=HERE + "controller/page/test_security.py"),
    Case("64", "attack", "secrets looked for", "process", "in no log, record, picture or command",
         held_by=HERE + "flows/daemon/test_secrets.py::"
         "test_no_secret_is_in_log_journal_picture_or_process_list"),
    Case("66", "software", "exception in each stage", "process", "the others go on, told",
         script=stage_fails, allowed=COLD | {"link_lost", "probe_silent", "relay_disagrees"}),
    Case("67", "software", "SQLite does not take a setting", "process", "an error that names it",
         held_by=HERE + "controller/journal/test_writer.py::"
         "test_setting_that_sqlite_does_not_take_is_an_error"),
    Case("68", "alert", "route down, slow", "wire", "tried again, control unaffected",
         held_by=HERE + "controller/notify/test_worker.py"),
    Case("68b", "alert", "route that never answers", "wire", "told; the other route goes on",
         held_by=HERE + "controller/notify/test_worker.py::"
         "test_a_route_that_never_answers_fails_and_does_not_hold_up_the_other"),
    Case("72", "software", "nobody reads what the daemon says", "process", "heat does not wait",
         held_by=HERE + "flows/daemon/test_life.py::"
         "test_nobody_reads_what_the_daemon_says_and_heat_does_not_wait"),
    Case("73", "software", "no thread left for page, alerts, housekeeping", "process",
         "heat goes on, told",
         held_by=HERE + "controller/test_daemon.py::"
         "test_machine_without_a_thread_left_for_page_and_alerts_does_not_leave_the_bench_cold"),
    Case("71", "combined", "hot day, budget spent, humidity lost", "simulator",
         "never without water by day", ("humidity_low@1+0/5", "probe_silent:north.rh@1+5/6"),
         script=hot_day, text=bench_text(bench="mist = { day_budget_s = 60, hour_budget_s = 40 }"),
         start="2026-06-20T09:00", weather="hot_spell",
         allowed=DRY | {"probe_silent", "mist_budget_spent", "mist_no_answer", "base_hot",
                        "base_sun_hot", "probe_implausible", "probe_frozen",
                        "cold_base_hot_top"}),
    Case("c4", "combined", "link lost as the power fails", "simulator", "back by itself",
         ("link_lost@1+1/3", "power_cut@1+2/1"), 10.0,
         (("link_lost", LINK, 0.3, 3),), COLD | AWAY | {"probe_silent"}, AWAY, back_min=240),
    Case("c5", "combined", "clock jumps while a probe is silent", "simulator", "both told",
         ("clock_step@1+2=9000", f"probe_silent:{BASE1}@1+1/3"), 8.0, (),
         frozenset({"clock_stepped", "probe_silent", "mat_weak"}), back_min=60),
)  # fmt: skip
