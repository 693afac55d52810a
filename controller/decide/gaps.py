"""What a gap between two steps does to the state."""

from math import inf, nan

from config.bounds import LEASE_LONGEST_S
from controller.decide.changing import changed
from controller.decide.state import State


def after_gap(state: State, mono_s: float) -> State:
    """Relays have dropped by themselves; what was being timed or followed begins anew."""
    bays = {}
    for key, bay in state.bays.items():
        since_s = _lapsed_s(state.last_s, mono_s) if bay.on else min(bay.since_s, mono_s)
        bays[key] = changed(
            bay,
            {
                "on": False, "since_s": since_s, "derivative": 0.0, "mean_c": nan,
                "mean_before_c": nan, "full_since_s": inf, "trip_since_s": inf,
                "rise_since_s": inf, "window_start_s": -inf, "pulsed": False,
            },
        )  # fmt: skip
    return changed(state, {"bays": bays, "sums": {}, "trails": {}})


def _lapsed_s(last_s: float, mono_s: float) -> float:
    """When the lease of a relay that was on ran out, at the latest; now, when that is not known."""
    return min(mono_s, last_s + LEASE_LONGEST_S) if last_s <= mono_s else mono_s
