"""Duty into on and off: one pulse per window, begun at the window's start.

A pulse ends as soon as the duty asks for no more of it, and no second one begins in the same
window, so a relay switches on at most once per window however the duty moves.
"""

from typing import Final, NamedTuple

from controller.decide.aims import BayAims
from controller.decide.state import BayState

_new: Final = tuple.__new__


class Pulse(NamedTuple):
    """on: relay wanted on now.  start_s: of the window.  left_s: of the pulse.

    pulsed: the window's pulse has ended.
    """

    on: bool
    start_s: float
    left_s: float
    pulsed: bool


def pulse(aims: BayAims, state: BayState, mono_s: float) -> Pulse:
    """The pulse wanted at `mono_s`, from the duty and on/off times in `state`.

    Windows are counted from monotonic zero, shifted by the bay's stagger, so that bays do not
    start together and a restart finds the same windows.
    """
    window_s = aims.window_s
    start_s, pulsed = state.window_start_s, state.pulsed
    if not 0.0 <= mono_s - start_s < window_s:
        shift_s = aims.stagger * window_s
        start_s = (mono_s - shift_s) // window_s * window_s + shift_s
        if start_s > mono_s:  # rounding at the very edge
            start_s -= window_s
        pulsed = False
    on_s = state.duty * window_s
    shortest_s = aims.shortest_s
    if shortest_s > window_s / 2.0:
        shortest_s = window_s / 2.0
    if on_s < shortest_s:
        on_s = 0.0
    elif window_s - on_s < shortest_s:
        on_s = window_s
    elapsed_s = mono_s - start_s
    on = elapsed_s < on_s
    left_s = on_s - elapsed_s
    held_s = mono_s - state.since_s
    if state.on:
        if not on and 0.0 <= held_s < shortest_s:
            on, left_s = True, shortest_s - held_s
        pulsed = pulsed or not on
    elif on and (pulsed or 0.0 <= held_s < shortest_s):
        on = False
    return _new(Pulse, (on, start_s, left_s if on else 0.0, pulsed))
