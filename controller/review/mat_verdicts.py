"""What pulses of heat showed of mats and base probes, in words: right, swapped, dead, astray."""

from collections.abc import Sequence
from statistics import median
from typing import Final, Literal, NamedTuple

import numpy as np

from config.shares import percent
from controller.review.heat_pulse import LEAST_K, Answer, Trace

CLEAR_K: Final = 0.6
"""A rise that ends a pulse early when no other bay's comes near."""
NEAR: Final = 0.5
"""A probe that answers this much as strongly as the strongest lies over the mat as well."""
WEAK: Final = 0.4
ALONE_K_H: Final = 1.0
"""A base that rises so fast with its mat off has sun, or a mat that is on all the time."""

Found = Literal["right", "swapped", "dead", "part", "weak", "unclear"]


class MatVerdict(NamedTuple):
    """What a pulse showed. bay: the mat's.  warmed: bays whose probes answered, strongest first.

    silent: probes of the mat's own bay that did not answer though others did.  text: in words.
    """

    bay: str
    found: Found
    warmed: tuple[str, ...]
    silent: tuple[str, ...]
    text: str


def clear(found: Sequence[Answer]) -> bool:
    """Whether a pulse may end: one bay has answered plainly, and no other comes near it."""
    by_bay = _strongest(found)
    if not by_bay:
        return False
    (_, first), *others = by_bay
    return (
        first.warmed
        and first.felt_k >= CLEAR_K
        and all(other.felt_k < NEAR * first.felt_k for _, other in others)
    )


def _strongest(found: Sequence[Answer]) -> list[tuple[str, Answer]]:
    """The strongest answer of each bay, strongest first."""
    best: dict[str, Answer] = {}
    for one in found:
        if one.bay not in best or one.felt_k > best[one.bay].felt_k:
            best[one.bay] = one
    return sorted(best.items(), key=lambda item: -item[1].felt_k)


def judge(bay: str, found: Sequence[Answer], expected_k: float) -> MatVerdict:
    """What the answers of all probes to the pulse of the mat of `bay` mean.

    expected_k: rise that a probe at its height was due by the end of the pulse.
    """
    ranked = [(name, one) for name, one in _strongest(found) if one.warmed]
    first_k = ranked[0][1].felt_k if ranked else 0.0
    warmed = tuple(name for name, one in ranked if one.felt_k >= NEAR * first_k)
    own = [one for one in found if one.bay == bay]
    rises = ", ".join(f"{one.probe} {max(0.0, one.rise_k):.1f} K" for one in found)
    alone = _alone(bay, own)
    if not ranked:
        if any(one.felt_k + one.common_k >= LEAST_K for one in found):
            text = f"all bays rose alike ({rises} beside the others): sun? Do it again after dark"
            return MatVerdict(bay, "unclear", (), (), text)
        if expected_k < 2.0 * LEAST_K:
            text = f"the pulse was too short to tell ({rises}); do it again"
            return MatVerdict(bay, "unclear", (), (), text)
        text = (
            f"no probe rose ({rises}), {expected_k:.1f} K were due: the mat is dead, or its fuse, "
            f"cut-out, relay or plug is off, or no probe lies over it{alone}"
        )
        return MatVerdict(bay, "dead", (), (), text)
    silent = tuple(one.probe for one in own if one.felt_k < NEAR * first_k)
    if bay not in warmed:
        there = " and ".join(warmed)
        text = (
            f"with the mat named {bay} on, the probe named {there} warms ({rises}): the mats, or "
            f"the base probes, of {bay} and {there} are swapped; swap their channels"
        )
        return MatVerdict(bay, "swapped", warmed, silent, text)
    if len(warmed) > 1:
        others = " and ".join(name for name in warmed if name != bay)
        strays = ", ".join(
            one.probe for one in found if one.bay in warmed and one.bay != bay and one.warmed
        )
        text = (
            f"the mat of {bay} warms a probe of {others} as well ({rises}): {strays} lies over it; "
            "put it into its own bay, or swap its channel"
        )
        return MatVerdict(bay, "part", warmed, silent, text)
    if silent:
        text = (
            f"the mat warms its bay, but {', '.join(silent)} does not answer ({rises}): is it in "
            "the compost, over this mat, at cutting depth?"
        )
        return MatVerdict(bay, "part", warmed, silent, text)
    share = max(one.share for one in own)
    if share < WEAK:
        text = (
            f"the right bay warms, by {percent(share)} of what its watts let expect ({rises}): "
            "see power_w and area_m2, or part of the mat is dead"
        )
        return MatVerdict(bay, "weak", warmed, (), text)
    return MatVerdict(bay, "right", warmed, (), f"the right bay warms, and it alone ({rises})")


def _alone(bay: str, own: Sequence[Answer]) -> str:
    """What is said of a bay that rises by itself while its pulse shows nothing."""
    fastest = max((one.drift_k_h for one in own), default=0.0)
    if fastest < ALONE_K_H:
        return ""
    return (
        f". {bay} rises by {fastest:.1f} K/h by itself: sun, or a relay that is stuck on. Feel the "
        "mat with the relay off; if it is warm, pull its plug"
    )


def swaps(verdicts: Sequence[MatVerdict]) -> list[str]:
    """Pairs of bays that answered for each other, each in one sentence."""
    there = {one.bay: set(one.warmed) for one in verdicts if one.found == "swapped"}
    told = []
    for bay, warmed in there.items():
        for other in sorted(warmed):
            if bay in there.get(other, ()) and bay < other:
                told.append(
                    f"the probe named {bay} warms when the mat named {other} is on, and the other "
                    f"way round: swap them (the channels of their base probes, or of their mats)"
                )
    return told


class Alone(NamedTuple):
    """A probe that moves while every mat is off. drift_k_h: beside the probes of other bays."""

    probe: str
    bay: str
    drift_k_h: float


def rising_alone(traces: Sequence[Trace], from_s: float) -> list[Alone]:
    """Base probes that rise fast since `from_s`, with every mat ordered off."""
    drifts = []
    for trace in traces:
        kept = trace.times_s >= from_s
        if np.count_nonzero(kept) >= 6:
            slope = float(np.polyfit(trace.times_s[kept], trace.values_c[kept], 1)[0])
            drifts.append(Alone(trace.probe, trace.bay, slope * 3600.0))
    found = []
    for one in drifts:
        others = [other.drift_k_h for other in drifts if other.bay != one.bay]
        beside = one.drift_k_h - (median(others) if others else 0.0)
        if one.drift_k_h >= ALONE_K_H and beside >= ALONE_K_H:
            found.append(one)
    return found
