"""A cold night is held at base; a mat that dies in it is reported in time."""

from controller.journal.reader import open_reader
from controller.records import ActKind
from simulator.faults import make_fault

COLD_K, BACK_K, DELAY_S = 2.0, 1.5, 900.0
DEAD = make_fault("mat_dead", 0.0, target="north.left.mat")


def test_cold_night_is_held_within_the_good_band(played):
    play = played(start="2026-02-10T10:00", weather="winter_clear", tick_s=20.0)
    play.play(12.0)
    night, house = [], []
    for _ in range(9 * 180):
        play.step()
        night.append(play.base_c)
        house.append(play.rig.weather.house_c)
    aims = play.controller.aims.bays["north", "left"]
    assert min(house) < 5.0
    assert aims.good_low_c <= min(night)
    assert max(night) <= aims.good_high_c
    assert abs(sum(night) / len(night) - aims.target_c) < 1.0


def test_frost_beyond_the_mat_is_called_its_limit_and_not_a_fault(played):
    play = played(start="2026-02-10T10:00", weather="frost", tick_s=20.0)
    play.play(20.0)
    assert play.alarm("mat_at_limit", "north.left") == "UNACK"
    assert play.alarm_rows("mat_dead") == []
    assert play.controller.decision.bays[0].reason.code == "full"


class Watched:
    """Steps a play on and notes when the base as read went under its limit, and came back."""

    def __init__(self, play):
        self.play = play
        self.under_since_s = self.back_since_s = None

    def step(self):
        decision = self.play.step()
        base_c = self.play.controller.snapshot.benches["north"].bays["left"].base_c
        below_k = decision.bays[0].target_c - base_c
        if below_k > COLD_K:
            self.under_since_s = self.under_since_s or self.play.utc_s
        elif self.play.alarm("base_cold", "north.left") == "NORM":
            self.under_since_s = None
        if below_k <= BACK_K:
            self.back_since_s = self.back_since_s or self.play.utc_s
        else:
            self.back_since_s = None

    def until(self, state, within_h):
        begun_s = self.play.elapsed_s
        while self.play.alarm("base_cold", "north.left") != state:
            assert self.play.elapsed_s - begun_s < within_h * 3600
            self.step()
        return self.play.utc_s


def test_dead_mat_raises_base_cold_to_the_tick_and_it_clears_to_the_tick(played):
    play = played(start="2026-03-02T08:00", weather="spring_mixed")
    play.play(12.0)
    play.settle("base_cold", "north.left")
    struck_s = play.utc_s
    play.strike(DEAD)
    watch = Watched(play)

    raised_s = watch.until("UNACK", within_h=6)
    assert raised_s - watch.under_since_s == DELAY_S
    assert play.base_c < play.controller.decision.bays[0].target_c - COLD_K + 0.2
    dead = [at_s for at_s, _, to in play.alarm_rows("mat_dead") if to == "UNACK"]
    assert dead, "the alarm of the mat itself says why"
    assert struck_s + 3600 <= dead[0] <= raised_s + 3600

    play.strike()
    cleared_s = watch.until("RTNUN", within_h=8)
    assert cleared_s - watch.back_since_s == DELAY_S

    play.settle("base_cold", "north.left")
    acked_s = play.utc_s
    assert play.alarm_rows("base_cold", struck_s + 1) == [
        (raised_s, "NORM", "UNACK"),
        (cleared_s, "UNACK", "RTNUN"),
        (acked_s, "RTNUN", "NORM"),
    ]


def test_alarm_seen_in_time_goes_by_itself_when_the_base_is_warm_again(played):
    play = played(start="2026-03-02T08:00", weather="spring_mixed", tick_s=20.0)
    play.play(12.0)
    play.settle("base_cold", "north.left")
    struck_s = play.utc_s
    play.strike(DEAD)
    play.play_until(lambda: play.alarm("base_cold", "north.left") == "UNACK", 6)
    heat_before = play.controller.decision.orders
    play.ask(ActKind.ACKNOWLEDGE, "north.left", alarm="base_cold")
    assert play.alarm("base_cold", "north.left") == "ACKED"
    assert [o.relay for o in play.controller.decision.orders] == [o.relay for o in heat_before]
    assert play.controller.decision.orders[0].lease_s > 0 < heat_before[0].lease_s
    play.strike()
    play.play_until(lambda: play.alarm("base_cold", "north.left") == "NORM", 8)
    states = [(was, to) for _, was, to in play.alarm_rows("base_cold", struck_s + 1)]
    assert states == [("NORM", "UNACK"), ("UNACK", "ACKED"), ("ACKED", "NORM")]
    with open_reader(play.journal_path) as reader:
        acts = [r for r in reader.alarms(from_s=struck_s + 1) if r.change.by == "Aoife"]
    assert [r.change.alarm for r in acts] == ["base_cold"]
