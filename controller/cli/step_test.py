"""A step test of one bay on the live bench, through the acts any grower may ask for.

Cool a little, heat to a little above the start, let go and watch. Heat is held in short stretches
that are renewed, so that it goes back to automatic by itself within HOLD_S should this program or
its terminal die. The daemon's guards have the last word throughout.
"""

from collections import deque
from collections.abc import Callable, Mapping
from math import inf, isnan
from typing import Any, Final, NamedTuple, Protocol

from controller.decide.aims import BayAims
from controller.records import Act, ActDone, ActKind

HOLD_S: Final = 1200.0
RENEW_S: Final = 600.0
LOOK_S: Final = 30.0
LOST_S: Final = 120.0
"""Without a fresh picture of the bench for so long, the test ends."""
LOW_C: Final = 10.0
HIGH_C: Final = 27.0
COOL_K: Final = 0.8
COOL_LONGEST_S: Final = 3600.0
GOAL_K: Final = 1.5
"""Where the base is expected to end up, above where it began ..."""
MOST_K: Final = 2.0
"""... and what it never passes with the mat held on."""
ALARM_K: Final = 1.9
"""The alarms for a cold and a hot base are 2 K from the target."""
BELOW_CEILING_K: Final = 1.0
ROOM_K: Final = 1.0
HELD_LONGEST_S: Final = 3 * 3600.0
AFTER_S: Final = 3600.0
"""Watched after the mat is let go. Together at most four hours."""
SLOPE_S: Final = 600.0
STEADY_K: Final = 1.0

Picture = Mapping[str, Any]


class Stopped(RuntimeError):
    """The test ended early, heat is automatic again; the text says why."""


class NotReleased(Stopped):
    """The test ended, and nobody confirmed that heat is automatic again."""


class Bedside(Protocol):
    """What the test needs of the world, so that it can be run in virtual time."""

    def mono_s(self) -> float:
        """Seconds on a clock that never jumps."""

    def wait(self, span_s: float) -> None: ...

    def look(self) -> Picture | None:
        """The running daemon's latest picture (controller/live.py); None when nobody keeps it."""

    def ask(self, act: Act) -> ActDone | None:
        """Ask the daemon; None when it did not answer."""


class Bounds(NamedTuple):
    """All degC. start_c: base now.  low_c: cooled to.  goal_c: expected end.  most_c: never above.

    delay_s: heat on its way when the mat is let go raises the base for about so long.
    rate_k_s: rise at full heat before losses, as expected, K/s; 0 when nothing is expected.
    window_s: of the relay; a mat held on may have to wait for the next.
    """

    start_c: float
    low_c: float
    goal_c: float
    most_c: float
    delay_s: float
    window_s: float
    rate_k_s: float = 0.0


class Step(NamedTuple):
    """Where the test is. phase: "cool", "heat", "watch".  phase_s, total_s: passed so far."""

    phase: str
    phase_s: float
    total_s: float
    base_c: float
    mat_on: bool


def bounds(aims: BayAims, base_c: float, delay_s: float) -> Bounds:
    """How far the test of a bay may go from `base_c`, degC. delay_s: of the base, as known so far.

    Within what raises no alarm. A bay that rests has no limits of its own: the program's hold.
    """
    most_c = min(base_c + MOST_K, aims.ceiling_c - BELOW_CEILING_K)
    low_c = base_c - COOL_K
    if not isnan(aims.target_c):
        most_c = min(most_c, aims.hot_above_c, max(aims.target_c + ALARM_K, aims.good_high_c))
        low_c = max(low_c, aims.slow_below_c, aims.target_c - ALARM_K)
    goal_c = min(base_c + GOAL_K, most_c)
    return Bounds(base_c, min(low_c, base_c), goal_c, most_c, delay_s, aims.window_s, aims.rate_k_s)


def hindrances(picture: Picture, place: str, limits: Bounds, last_hour_k: float) -> list[str]:
    """Why the test can't be made now, in a grower's words; empty when it can.

    last_hour_k: highest minus lowest base of the last hour, NaN when it is not on record.
    """
    bench, _, bay = place.partition(".")
    found = []
    held = picture["benches"][bench]["bays"][bay]
    base_c = held["base_c"]
    if base_c is None or held["mode"] != "normal":
        return [f"not every base probe of {place} can be read ({held['why']}); see to that first"]
    if not LOW_C <= base_c <= HIGH_C:
        found.append(f"the base is at {base_c:.1f} °C; {LOW_C:g} to {HIGH_C:g} °C is asked for")
    elif limits.most_c - base_c < ROOM_K:
        found.append(
            f"the base is at {base_c:.1f} °C and may not pass {limits.most_c:.1f} °C; a test needs "
            f"{ROOM_K:g} K of room. Wait until it is cooler"
        )
    if isnan(last_hour_k):
        found.append("the last hour of the base is not on record; wait for an hour")
    elif last_hour_k > STEADY_K:
        found.append(
            f"the base is not steady: it moved by {last_hour_k:.1f} K within the last hour, and "
            f"{STEADY_K:g} K is the most. Wait until it holds, best after dark"
        )
    found += [f"an alarm stands: {text}" for text in standing_alarms(picture, place)]
    return found


def standing_alarms(picture: Picture, place: str) -> list[str]:
    """Alarms of priority 1 and 2 that concern a bay: its own, its probes', its bench's, the links'.

    Those of priority 3, such as a cut-out not declared, wait for the morning and so may this.
    """
    bench = place.partition(".")[0]
    others = [f"{bench}.{bay}" for bay in picture["benches"][bench]["bays"]]
    others += [name for name in picture["benches"] if name != bench]
    others = [name for name in others if name != place]
    found = []
    for alarm in picture["alarms"]:
        where = str(alarm["place"])
        elsewhere = any(where == other or where.startswith(f"{other}.") for other in others)
        elsewhere = elsewhere or (where == "site" and alarm["alarm"] != "journal_failing")
        stands = alarm["state"] in ("UNACK", "ACKED", "LATCH_UNACK", "LATCH_ACK")
        if stands and not elsewhere and alarm["priority"] <= 2:
            found.append(f"{alarm['alarm']} at {where}. {alarm['text']}".rstrip())
    return found


def run(
    bedside: Bedside, place: str, limits: Bounds, by: str, tell: Callable[[Step], None]
) -> None:
    """Make the test; returns when the records hold it all.

    tell: called at every look.  Raises Stopped when it can't go on. However it ends, Ctrl-C
    included, heat is released; NotReleased when that was not confirmed.
    """
    test = _Test(bedside, place, limits, by, tell)
    try:
        test.cool()
        test.heat()
    finally:
        test.release()
    test.watch()


class _Test:
    def __init__(
        self,
        bedside: Bedside,
        place: str,
        limits: Bounds,
        by: str,
        tell: Callable[[Step], None],
    ) -> None:
        self._bedside, self._place, self._limits, self._by = bedside, place, limits, by
        self._tell = tell
        self._began_s = self._phase_s = bedside.mono_s()
        self._seen_s = self._began_s
        self._held_s = -inf
        self._value = ""
        self._recent: deque[tuple[float, float]] = deque()

    def cool(self) -> None:
        """Mat off until the base has fallen a little, so that no heat is on its way."""
        self._begin()
        while self._passed() < COOL_LONGEST_S:
            self._hold("off")
            if self._look("cool").base_c <= self._limits.low_c:
                return

    def heat(self) -> None:
        """Mat on until the base is as good as where it shall end up."""
        self._begin()
        limits = self._limits
        idle_since_s = last_s = self._bedside.mono_s()
        on_s = 0.0
        while self._bedside.mono_s() - self._began_s < HELD_LONGEST_S:
            self._hold("on")
            step = self._look("heat")
            now_s = self._bedside.mono_s()
            if step.mat_on:
                idle_since_s = now_s
                on_s += now_s - last_s
            elif now_s - idle_since_s > limits.window_s + LOST_S:
                raise Stopped(f"the mat does not go on: {self._why()}")
            last_s = now_s
            ahead_c = step.base_c + self._slope_k_s() * limits.delay_s
            # Heat that left the mat within the delay is still to come, whatever the slope says yet.
            most_c = step.base_c + limits.rate_k_s * min(on_s, limits.delay_s)
            if ahead_c >= limits.goal_c or most_c >= limits.most_c:
                return

    def watch(self) -> None:
        """Heat is automatic; the answer still comes."""
        self._begin()
        while self._passed() < AFTER_S:
            self._look("watch")

    def release(self) -> None:
        if not self._value:
            return
        self._value = ""
        act = Act(ActKind.RELEASE, self._place, self._by, note="step test")
        if self._bedside.ask(act) is None:
            raise NotReleased(
                "warmfoot did not answer to the release; the hold ends by itself within "
                f"{HOLD_S / 60:.0f} min. See `warmfoot status`"
            )

    def _begin(self) -> None:
        self._phase_s = self._bedside.mono_s()
        self._held_s = -inf

    def _passed(self) -> float:
        return self._bedside.mono_s() - self._phase_s

    def _hold(self, value: str) -> None:
        now_s = self._bedside.mono_s()
        if now_s - self._held_s < RENEW_S:
            return
        self._value = value  # asked for, even if the answer is lost
        act = Act(
            ActKind.HOLD_HEAT, self._place, self._by, span_s=HOLD_S, value=value, note="step test"
        )
        answer = self._bedside.ask(act)
        if answer is None:
            raise Stopped("warmfoot did not answer; is it running? `warmfoot status`")
        if not answer.done:
            raise Stopped(answer.text)
        self._held_s = now_s

    def _look(self, phase: str) -> Step:
        """Wait a little and look; the newest state, or an error that ends the test."""
        while True:
            self._bedside.wait(LOOK_S)
            picture = self._bedside.look()
            now_s = self._bedside.mono_s()
            if picture is not None:
                break
            if now_s - self._seen_s > LOST_S:
                raise Stopped("no running warmfoot shows the bench any more")
        self._seen_s = now_s
        bay = self._bay(picture)
        alarms = standing_alarms(picture, self._place)
        if alarms:
            raise Stopped(f"an alarm: {alarms[0]}")
        if bay["base_c"] is None or bay["mode"] != "normal":
            raise Stopped(f"a base probe failed: {bay['why']}")
        step = Step(
            phase,
            self._passed(),
            now_s - self._began_s,
            float(bay["base_c"]),
            bay["mat"]["ordered"] == "on",
        )
        self._recent.append((now_s, step.base_c))
        while self._recent[0][0] < now_s - SLOPE_S:
            self._recent.popleft()
        self._tell(step)
        return step

    def _slope_k_s(self) -> float:
        """Rise of the last ten minutes, K/s; never below 0."""
        (first_s, first_c), (last_s, last_c) = self._recent[0], self._recent[-1]
        if last_s - first_s < SLOPE_S / 2:
            return 0.0
        return max(0.0, (last_c - first_c) / (last_s - first_s))

    def _bay(self, picture: Picture) -> Mapping[str, Any]:
        bench, _, bay = self._place.partition(".")
        found: Mapping[str, Any] = picture["benches"][bench]["bays"][bay]
        return found

    def _why(self) -> str:
        picture = self._bedside.look()
        return "no picture of the bench" if picture is None else str(self._bay(picture)["why"])
