"""Mats that share a supply too small for all of them at once."""

from controller.decide import guards
from controller.decide.aims import Aims
from controller.decide.changing import changed
from controller.decide.state import BayState
from controller.records import Reason

Key = tuple[str, str]
_NO_BAY = BayState()


def share_supply(
    aims: Aims,
    before: dict[Key, BayState],
    bays: dict[Key, BayState],
    lefts_s: dict[Key, float],
    mono_s: float,
) -> bool:
    """Turn off, in `bays` and `lefts_s`, what each bench's supply cannot carry at this instant.

    before: the bays of the step before.  lefts_s: seconds left of each bay's pulse.  True when
    anything was turned off.
    """
    cut = False
    for name, plan in aims.site.benches.items():
        if plan.supply_w is not None:
            cut |= _share(aims, before, bays, lefts_s, name, plan.supply_w, mono_s)
    return cut


def _share(
    aims: Aims,
    before: dict[Key, BayState],
    bays: dict[Key, BayState],
    lefts_s: dict[Key, float],
    bench: str,
    supply_w: float,
    mono_s: float,
) -> bool:
    keys = [key for key in bays if key[0] == bench and bays[key].on]
    if sum(aims.bays[key].power_w for key in keys) <= supply_w:
        return False
    claims = []
    for key in keys:
        held = before.get(key, _NO_BAY)
        claims.append(
            guards.Claim(
                aims.bays[key].power_w, bays[key].duty, held.on, held.since_s,
                aims.bays[key].window_s,
            )
        )  # fmt: skip
    for key, allowed in zip(keys, guards.within_supply(claims, supply_w, mono_s), strict=True):
        if not allowed:
            held = before.get(key, _NO_BAY)
            since_s = mono_s if held.on else held.since_s
            reason = Reason("supply", (round(supply_w),))
            bays[key] = changed(bays[key], {"on": False, "since_s": since_s, "reason": reason})
            lefts_s[key] = 0.0
    return True
