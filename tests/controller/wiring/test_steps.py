"""Planted faults on a simulated bench are found, and nothing is left on."""

import contextlib

import pytest

from controller.wiring import steps
from controller.wiring.hands import LEASE_S, Echo
from controller.wiring.heard import link_told
from controller.wiring.steps import mist_verdict, relay_verdict
from sensors.lines import encode
from sensors.messages import NO_SEQ, Arrival, Message
from simulator.faults import make_fault


def swapped(text, one, other):
    return text.replace(one, "@").replace(other, one).replace("@", other)


# -- listening --------------------------------------------------------------------------------


def test_every_probe_is_told_with_value_age_and_flag(on_bench):
    bench = on_bench()
    with bench.hands() as hands:
        steps.listen(hands, bench.book)
    heard = bench.steps("heard")
    assert list(heard) == ["north.left.base1", "north.right.base2", "north.air", "north.rh"]
    assert {one.verdict for one in heard.values()} == {"good"}
    base_c = bench.rig.base_c("north", "left")
    shown = heard["north.left.base1"].seen
    assert abs(float(shown.split()[0]) - base_c) < 0.3
    assert "s old (board base1)" in shown
    assert bench.steps("link")["link board"].verdict == "good"
    assert "base1" in bench.steps("link")["link board"].seen
    assert bench.clock.now().mono_s < 30.0, "it does not wait once all were heard"


def test_probe_that_is_not_heard_and_one_that_fails_are_faults(on_bench):
    bench = on_bench(faults=(("probe_silent", "north.left.base1"), ("probe_85", "north.air")))
    with bench.hands() as hands:
        steps.listen(hands, bench.book)
    heard = bench.steps("heard")
    assert heard["north.left.base1"].verdict == "fault"
    assert "not heard (board base1)" in heard["north.left.base1"].seen
    assert heard["north.air"].verdict == "fault"
    assert "85" in heard["north.air"].seen
    assert heard["north.right.base2"].verdict == "good"


def test_channel_that_nobody_named_is_told_with_the_line_to_add(on_bench, texts):
    truth = texts.head + texts.bay("left", "mat1", "base1", "base9")
    text = texts.head + texts.bay("left", "mat1", "base1")
    bench = on_bench(text, truth)
    with bench.hands() as hands:
        steps.listen(hands, bench.book)
    unknown = bench.steps("unknown")
    assert list(unknown) == ["board base9"]
    line = '{ link = "board", channel = "base9", kind = "base_temperature" }'
    assert line in unknown["board base9"].seen
    assert texts.bay("left", "mat1", "base1", "base9").count(line) == 1, "the line is sound"


def test_relay_that_nobody_named_is_told_as_a_relay(on_bench, texts):
    bench = on_bench(texts.head + texts.bay("left", "mat1", "base1"), texts.two_bays)
    with bench.hands() as hands:
        steps.listen(hands, bench.book)
    seen = bench.steps("unknown")["board mat2"].seen
    assert 'mat = { link = "board", channel = "mat2", power_w = ... }' in seen


def test_wire_that_carries_nothing_is_a_fault(on_bench):
    bench = on_bench()
    bench.rig.boards["board"].lines = list
    with bench.hands() as hands:
        steps.listen(hands, bench.book, 20.0)
        assert bench.steps("link")["link board"].verdict == "fault"
        bench.links["board"].cut()
        steps.listen(hands, bench.book, 20.0)
    assert "cut" in bench.steps("link")["link board"].seen


# -- relays -----------------------------------------------------------------------------------


def test_relays_are_pulsed_one_at_a_time_and_briefly(on_bench):
    bench = on_bench()
    with bench.hands() as hands:
        steps.relays(hands, bench, bench.book)
        assert bench.is_off()
    relays = bench.steps("relay")
    assert bench.asked == list(relays) == ["north.left.mat", "north.right.mat", "north.mister"]
    assert {one.verdict for one in relays.values()} == {"good"}
    on = [{k for k, v in fields.items() if float(v)} for _, fields in bench.orders]
    assert all(len(one) <= 1 for one in on)
    assert set().union(*on) == {"mat1", "mat2", "mist"}
    longest = {k: max(float(f.get(k, 0)) for _, f in bench.orders) for k in ("mat1", "mist")}
    assert longest == {"mat1": 5.0, "mist": 3.0}
    assert bench.rig.benches["north"].truth.bursts == 1


def test_no_pulse_is_longer_than_a_lease_whoever_asks_for_it(on_bench):
    bench = on_bench()
    with bench.hands() as hands:
        hands.pulse("north.mister", 600.0)
    on_s = [at_s for at_s, fields in bench.orders if float(fields["mist"])]
    assert on_s[-1] - on_s[0] < LEASE_S


def test_relay_that_no_one_agreed_to_is_left_alone(on_bench):
    bench = on_bench()
    bench.agrees = lambda place, _: place == "north.mister"
    with bench.hands() as hands:
        steps.relays(hands, bench, bench.book)
    assert [one.verdict for one in bench.steps("relay").values()] == ["skipped", "skipped", "good"]
    assert not any(float(fields["mat1"]) for _, fields in bench.orders)


def test_relay_that_its_device_says_did_not_go_on_is_a_fault(on_bench, monkeypatch):
    """A contact that is read back and stays open, whatever the eye believes to have seen."""
    bench = on_bench()
    with bench.hands() as hands:
        link = hands._links["board"]
        poll = link.poll

        def open_contact():
            """A device that is asked over and over, such as a unit on a Modbus line."""
            others = [one for one in poll() if "mat1" not in one.message.fields]
            said = Message("relay", NO_SEQ, {"mat1": "0/0"})
            return [*others, Arrival(said, bench.clock.now().mono_s)]

        monkeypatch.setattr(link, "poll", open_contact)
        steps.relays(hands, bench, bench.book)
    relays = bench.steps("relay")
    assert relays["north.left.mat"].verdict == "fault"
    assert "did not go on" in relays["north.left.mat"].seen


def test_one_wire_that_is_cut_is_not_held_against_the_relays_of_another(on_bench, texts):
    text = texts.head + texts.bay("left", "mat1", "base1")
    other = '\n[links.other]\nkind = "memory"\n' + texts.bay("b", "mat9", "base9", link="other")
    bench = on_bench(text + other)
    with bench.hands() as hands:
        bench.links["other"].cut()
        steps.relays(hands, bench, bench.book)
    relays = {place: (one.verdict, one.seen) for place, one in bench.steps("relay").items()}
    assert relays["north.left.mat"] == ("good", "on and off, by its board and by eye")
    assert relays["north.mister"][0] == "good"
    assert relays["north.b.mat"] == ("fault", "the order did not go out: see its link above")


def test_relay_that_goes_on_by_itself_while_a_person_thinks_is_told(on_bench):
    bench = on_bench()

    def goes_on_meanwhile(place, _):
        if place == "north.left.mat":
            line = encode("relay", 3000, {"mat1": "1/20"})
            bench.links["board"].feed(line, bench.clock.now().mono_s)
        return True

    bench.agrees = goes_on_meanwhile
    with bench.hands() as hands:
        steps.relays(hands, bench, bench.book)
    seen = bench.steps("relay")["north.left.mat"].seen
    assert seen == "its board says it is on though it is ordered off"


@pytest.mark.parametrize("broken", ["board", "other"])
def test_every_link_is_stopped_though_one_of_them_fails_to(on_bench, texts, monkeypatch, broken):
    other = '\n[links.other]\nkind = "memory"\n' + texts.bay("b", "mat9", "base9", link="other")
    bench = on_bench(texts.head + texts.bay("left", "mat1", "base1") + other)

    def fails():
        raise OSError("the port is gone")

    monkeypatch.setattr(bench.links[broken], "stop", fails)
    with pytest.raises(OSError, match="the port is gone"), bench.hands():
        pass
    (left,) = bench.links.keys() - {broken}
    assert not bench.links[left].health().up


def test_part_of_a_link_that_is_not_well_is_told(on_bench, monkeypatch):
    bench = on_bench()
    with bench.hands() as hands:
        hands.watch(20.0)
        link = hands._links["board"]
        health = link.health()._replace(note="unit 2 does not answer")
        monkeypatch.setattr(link, "health", lambda: health)
        (told,) = link_told(hands)
    assert told.verdict == "fault"
    assert told.seen.endswith("; unit 2 does not answer")


def test_board_without_that_channel_says_so(on_bench, texts):
    text = texts.head + texts.bay("left", "mat7", "base1")
    bench = on_bench(text, texts.head + texts.bay("left", "mat1", "base1"))
    bench.saw = lambda *_: ""
    with bench.hands() as hands:
        steps.relays(hands, bench, bench.book)
    assert bench.steps("relay")["north.left.mat"].verdict != "good"


@pytest.mark.parametrize(
    ("echo", "saw", "verdict", "words"),
    [
        (Echo(False, True, False, True), "yes", "good", "by eye"),
        (Echo(False, True, False, True), "", "unsure", "nobody looked"),
        (Echo(False, True, False, True), "no", "fault", "was not seen"),
        (Echo(True, True, False, True), "yes", "fault", "ordered off"),
        (Echo(False, True, True, True), "yes", "fault", "stays on"),
        (Echo(False, False, False, True), "", "fault", "did not go on"),
        (Echo(None, None, None, True), "yes", "good", "reports nothing"),
        (Echo(None, None, None, True), "", "unsure", "nobody looked"),
        (Echo(None, None, None, False), "yes", "fault", "did not go out"),
    ],
)
def test_what_board_and_eye_say_is_weighed(echo, saw, verdict, words):
    text, found = relay_verdict(echo, saw)
    assert (found, words in text) == (verdict, True), text


# -- mats -------------------------------------------------------------------------------------


def heated(bench):
    with bench.hands() as hands:
        steps.mats(hands, bench, bench.book)
        assert bench.is_off()
    return {place: (one.verdict, one.seen) for place, one in bench.steps("mat").items()}


@pytest.mark.parametrize(("preset", "hour"), [("bench", 0.0), ("bench", 4.0), ("bay", 13.0)])
def test_right_wiring_is_called_right(on_bench, preset, hour):
    bench = on_bench(preset=preset, hour=hour)
    for verdict, seen in heated(bench).values():
        assert (verdict, "the right bay warms" in seen) == ("good", True), seen
    assert not bench.steps("swapped")
    assert not bench.steps("rest")


@pytest.mark.parametrize(("preset", "hour"), [("bench", 0.0), ("bench", 4.0), ("bay", 13.0)])
def test_swapped_probes_are_found_and_named(on_bench, texts, preset, hour):
    truth = swapped(texts.two_bays, "base1", "base2")
    bench = on_bench(truth=truth, preset=preset, hour=hour)
    found = heated(bench)
    assert [verdict for verdict, _ in found.values()] == ["fault", "fault"]
    assert (
        "with the mat named north.left on, the probe named north.right warms"
        in (found["north.left.mat"][1])
    )
    (told,) = bench.steps("swapped").values()
    assert "probe named north.left warms when the mat named north.right is on" in told.seen
    assert "swap them" in told.seen


@pytest.mark.parametrize(("preset", "hour"), [("bench", 12.0), ("propagator", 24.1)])
def test_three_bays_wired_right_and_wired_round(on_bench, texts, preset, hour):
    """The heat of the first pulse is still on its way when the third begins."""
    text = texts.head + texts.bay("left", "mat1", "base1") + texts.bay("mid", "mat2", "base2")
    text += texts.bay("right", "mat3", "base3")
    right = heated(on_bench(text, preset=preset, hour=hour))
    assert [verdict for verdict, _ in right.values()] == ["good"] * 3, right
    truth = swapped(swapped(text, "base1", "base2"), "base2", "base3")
    round_ = heated(on_bench(text, truth, preset=preset, hour=hour))
    named = {place: seen.partition("probe named ")[2].split()[0] for place, (_, seen) in
             round_.items()}  # fmt: skip
    assert named == {
        "north.left.mat": "north.right",
        "north.mid.mat": "north.left",
        "north.right.mat": "north.mid",
    }


def test_dead_mat_is_found_and_the_other_one_is_not_blamed(on_bench):
    found = heated(on_bench(faults=(("mat_dead", "north.left.mat"),)))
    assert found["north.left.mat"][0] == "fault"
    assert "no probe rose" in found["north.left.mat"][1]
    assert "dead" in found["north.left.mat"][1]
    assert found["north.right.mat"][0] == "good"


def test_probe_that_lies_in_the_other_bay_is_named(on_bench, texts):
    text = texts.head + texts.bay("left", "mat1", "base1", "base3") + texts.bay(
        "right", "mat2", "base2"
    )  # fmt: skip
    truth = texts.head + texts.bay("left", "mat1", "base1") + texts.bay(
        "right", "mat2", "base2", "base3"
    )  # fmt: skip
    found = heated(on_bench(text, truth))
    assert found["north.left.mat"][0] == found["north.right.mat"][0] == "fault"
    assert "north.left.base3 does not answer" in found["north.left.mat"][1]
    assert "north.left.base3 lies over it" in found["north.right.mat"][1]


def test_probe_in_the_air_is_named(on_bench, texts):
    text = texts.head + texts.bay("left", "mat1", "base1", "base3") + texts.bay(
        "right", "mat2", "base2"
    )  # fmt: skip
    found = heated(on_bench(text, faults=(("probe_in_air", "north.left.base3"),)))
    assert found["north.left.mat"][0] == "fault"
    assert "north.left.base3 does not answer" in found["north.left.mat"][1]
    assert found["north.right.mat"][0] == "good"


def test_welded_relay_is_found_by_a_base_that_rises_with_all_mats_off(on_bench):
    bench = on_bench(
        faults=(("relay_welded", "north.left.mat"),), before_s=2 * 3600.0, warm_hours=0.0
    )
    heated(bench)
    told = bench.steps("rest")["north.left.base1"]
    assert told.verdict == "fault"
    assert "with every mat ordered off: a relay stuck on" in told.seen


def test_base_near_its_trip_is_not_heated_and_a_welded_relay_is_thought_of(on_bench, texts):
    """No cut-out is declared, so the trip is 27 °C."""
    text = texts.two_bays.replace(', cutout = "declared", cutout_c = 35', "")
    welded = (("relay_welded", "north.left.mat"),)
    bench = on_bench(text, faults=welded, before_s=14 * 3600.0)
    assert bench.rig.base_c("north", "left") > 24.5
    found = heated(bench)
    for verdict, seen in found.values():
        assert (verdict, "no mat is switched on here above 24 °C" in seen) == ("fault", True)
    assert not any(float(fields["mat1"]) for _, fields in bench.orders)


def test_one_bay_without_a_cut_out_sets_the_trip_of_all(on_bench, texts):
    """Nobody knows yet which probe lies over which mat."""
    declared = on_bench(texts.two_bays).hands()
    mixed = on_bench(texts.two_bays.replace(', cutout = "declared", cutout_c = 35', "", 1)).hands()
    assert (declared.trip_c(), mixed.trip_c()) == (30.0, 27.0)


def test_bay_whose_base_is_not_heard_is_not_heated(on_bench):
    bench = on_bench(faults=(("probe_silent", "north.left.base1"),))
    found = heated(bench)
    assert found["north.left.mat"][0] == "skipped"
    assert "nothing would tell how warm it gets" in found["north.left.mat"][1]
    assert found["north.right.mat"][0] == "good"
    assert not any(float(fields["mat1"]) for _, fields in bench.orders)


def test_mat_whose_orders_do_not_go_out_is_not_called_dead(on_bench, texts):
    other = '\n[links.other]\nkind = "memory"\n'
    mat = 'mat = { link = "board", channel = "mat1"'
    text = texts.head + texts.bay("left", "mat1", "base1").replace(
        mat, mat.replace("board", "other")
    )
    bench = on_bench(text + other)
    bench.at[300.0] = bench.links["other"].cut
    began_s = bench.clock.now().mono_s
    found = heated(bench)
    assert found["north.left.mat"][0] == "fault"
    assert "orders to north.left.mat do not go out: see its link" in found["north.left.mat"][1]
    assert bench.clock.now().mono_s - began_s < 800.0


def test_heat_ends_when_its_probe_falls_silent_on_the_way(on_bench):
    bench = on_bench()
    fault = make_fault("probe_silent", 0.0, None, "north.left.base1")
    bench.at[1200.0] = lambda: bench.rig.strike((fault,))
    assert heated(bench)["north.left.mat"][0] == "skipped"
    on_s = [at_s for at_s, fields in bench.orders if float(fields["mat1"])]
    assert 1200.0 < max(on_s) < 1200.0 + 180.0 + 35.0


@pytest.mark.parametrize("how", ["answered", "unsafe", "broken"])
def test_a_mat_is_ordered_off_the_moment_its_heat_ends(on_bench, how):
    """Not with the next round of orders: a question to somebody may come before that."""
    bench = on_bench()

    def ends():
        if how == "broken":
            raise RuntimeError("a fault in the judgement")
        return how == "answered"

    with bench.hands() as hands:
        hands.watch(30.0)
        if how == "unsafe":
            silent = make_fault("probe_silent", 0.0, None, "north.left.base1")
            bench.at[200.0] = lambda: bench.rig.strike((silent,))
        ended = contextlib.nullcontext() if how == "answered" else pytest.raises(RuntimeError)
        with ended:
            hands.heat("north", "left", 600.0, ends)
        assert any(float(fields["mat1"]) for _, fields in bench.orders)
        assert set(bench.orders[-1][1].values()) == {"0"}


def test_no_mat_is_on_longer_than_a_clear_answer_takes(on_bench):
    bench = on_bench(faults=(("mat_dead", "north.left.mat"),))
    heated(bench)
    on_s = [at_s for at_s, fields in bench.orders if float(fields["mat1"])]
    assert max(on_s) - min(on_s) < 52.0 * 60.0
    assert max(float(fields["mat1"]) for _, fields in bench.orders) == 20.0
    both = [f for _, f in bench.orders if float(f["mat1"]) and float(f["mat2"])]
    assert both == []


def test_two_boards_with_their_mats_crossed(on_bench, texts):
    second = 'links.other = { kind = "memory" }\n'
    head = texts.head.replace("[benches.north]\n", second + "[benches.north]\n", 1)
    text = (
        head
        + texts.bay("left", "mat1", "base1")
        + texts.bay("left", "mat1", "base1", bench="south", link="other")
    )
    truth = swapped(
        text, '{ link = "board", channel = "base1"', '{ link = "other", channel = "base1"'
    )
    bench = on_bench(text, truth)
    found = heated(bench)
    assert set(found) == {"north.left.mat", "south.left.mat"}
    assert [verdict for verdict, _ in found.values()] == ["fault", "fault"]
    assert len(bench.steps("swapped")) == 1
    straight = heated(on_bench(text))
    assert [verdict for verdict, _ in straight.values()] == ["good", "good"]


# -- mist -------------------------------------------------------------------------------------


def misted(bench):
    with bench.hands() as hands:
        steps.mist(hands, bench, bench.book)
        assert bench.is_off()
    (row,) = bench.steps("mist").values()
    return row


@pytest.mark.parametrize("hour", [4.0, 12.0])
def test_burst_is_answered_by_humidity(on_bench, hour):
    bench = on_bench(hour=hour)
    bench.saw = lambda *_: ""
    row = misted(bench)
    assert (row.verdict, "humidity answers" in row.seen) == ("good", True), row.seen
    assert bench.rig.benches["north"].truth.bursts == 1


@pytest.mark.parametrize("hour", [4.0, 12.0])
def test_blocked_nozzle_is_silent(on_bench, hour):
    bench = on_bench(hour=hour, faults=(("mister_blocked", "north.mister"),))
    row = misted(bench)
    assert (row.verdict, "blocked nozzle" in row.seen) == ("fault", True), row.seen


def test_in_damp_air_the_eye_decides(on_bench):
    blocked = (("mister_blocked", "north.mister"),)
    bench = on_bench(hour=0.0, faults=blocked, preset="propagator")
    assert misted(bench).verdict == "good", "whoever looked saw mist"
    bench = on_bench(hour=0.0, faults=blocked, preset="propagator")
    bench.saw = lambda *_: ""
    row = misted(bench)
    assert (row.verdict, "too damp to answer" in row.seen) == ("unsure", True)


@pytest.mark.parametrize(
    ("echo", "answered", "saw", "verdict"),
    [
        (Echo(False, True, False, True), True, "no", "fault"),
        (Echo(False, True, True, True), True, "yes", "fault"),
        (Echo(False, None, None, False), None, "", "fault"),
        (Echo(False, True, False, True), None, "yes", "good"),
        (Echo(False, True, False, True), False, "yes", "fault"),
    ],
)
def test_mist_verdicts(echo, answered, saw, verdict):
    assert mist_verdict(echo, answered, "text", saw)[1] == verdict


# -- every way out ----------------------------------------------------------------------------


@pytest.mark.parametrize("error", [KeyboardInterrupt, RuntimeError])
def test_whatever_ends_it_everything_is_off(on_bench, error):
    bench = on_bench()

    def strike():
        raise error

    bench.at[900.0] = strike
    with pytest.raises(error), bench.hands() as hands:
        steps.mats(hands, bench, bench.book)
    assert [fields for _, fields in bench.orders][-1] == {"mat1": "0", "mat2": "0", "mist": "0"}
    assert any(float(fields["mat1"]) for _, fields in bench.orders), "it was on before"


def test_first_order_of_all_is_off(on_bench):
    bench = on_bench()
    with bench.hands():
        assert bench.orders[0][1] == {"mat1": "0", "mat2": "0", "mist": "0"}
