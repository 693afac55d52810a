"""A wire that breaks: relays let go, the grower is told, and all goes on when it is mended."""


def test_cut_wire_ends_with_relays_off_within_the_lease_and_an_alarm(played):
    play = played(start="2026-02-10T08:00", weather="frost")
    play.play(2.0)
    board = play.rig.boards["board"]
    assert board.relay_on("mat1")
    play.links["board"].cut()
    cut_s = play.utc_s
    went_off_s = play.play_until(lambda: not board.relay_on("mat1"), 0.05)
    assert went_off_s <= 60.0
    took_s = play.play_until(lambda: play.alarm("link_lost", "board") == "UNACK", 0.1)
    # A closed wire counts at once; the table's delay is 30 s.
    assert went_off_s + took_s == 30.0 + play.tick_s
    play.play(0.5)
    assert not board.relay_on("mat1")
    # Its probes' own alarms are hidden behind it.
    assert play.alarm("probe_silent", "north.left.base1") in ("NORM", "DSUPR")
    assert play.controller.decision.bays[0].mode == "D2"

    play.links["board"].mend()
    play.play_until(lambda: play.controller.decision.bays[0].mode == "normal", 0.05)
    play.play_until(lambda: board.relay_on("mat1"), 0.2)
    # Back for the table's 120 s.
    play.play_until(lambda: play.alarm("link_lost", "board") == "RTNUN", 0.1)
    states = [(was, to) for _, was, to in play.alarm_rows("link_lost", cut_s)]
    assert states == [("NORM", "UNACK"), ("UNACK", "RTNUN")]


def test_open_wire_that_says_nothing_is_lost_after_three_intervals_and_its_delay(played):
    play = played(start="2026-02-10T08:00", weather="spring_mixed")
    play.play(1.0)
    link = play.links["board"]
    feed, link.feed = link.feed, lambda _data, _mono_s: None
    last_heard_s = play.utc_s
    play.play_until(lambda: play.alarm("link_lost", "board") == "UNACK", 0.1)
    assert link.health().up
    # 60 s at least, then more than it: the first tick beyond is the seventh; then 30 s.
    assert play.utc_s - last_heard_s == 60.0 + play.tick_s + 30.0
    link.feed = feed
    play.play_until(lambda: play.alarm("link_lost", "board") == "RTNUN", 0.1)


def test_half_the_lines_garbled_and_control_goes_on(played):
    play = played(start="2026-02-10T08:00", weather="spring_mixed")
    play.play(10.0)
    play._garbled = 0.5
    play.play(3.0)
    assert play.links["board"].health().rejected > 300
    assert play.controller.decision.bays[0].mode in ("normal", "D1")
    assert abs(play.base_c - play.controller.decision.bays[0].target_c) < 1.0
