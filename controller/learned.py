"""What a bay's heat loop has learned, from the state that the journal keeps."""

import time
from math import isnan
from typing import Any

from config.model import Site
from controller.decide import build_aims, learn
from controller.decide.aims import BayAims
from controller.decide.drift import latest_c
from controller.decide.state import BayState
from controller.decide.state import load as load_state
from controller.journal.reader import Reader
from sensors.clock import Now


def known(reader: Reader, site: Site, place: str) -> tuple[BayAims, BayState]:
    """What the bay aims at, and what the running or last controller remembers of it."""
    bench, _, bay = place.partition(".")
    now = Now(time.time(), 0.0)
    aims = build_aims(site, reader.batches(only_open=True), now)
    saved = reader.last_state()
    state = BayState() if saved is None else load_state(saved.json, now).bays.get((bench, bay))
    return aims.bays[bench, bay], state or BayState()


def figures(aims: BayAims, state: BayState) -> dict[str, Any]:
    """rate_k_h: rise of the base at full heat.  delay_min: until it shows.  duty_per_k: share of
    full heat that holds a kelvin of base over top.  expected_*: the same, of the mat's power and
    area.  drift_c: where the base would go without heat, of the last half hour.  None: not known.
    """
    drift_c = latest_c(state.drift)
    return {
        "rate_k_h": _known(3600.0 * state.rate_k_s),
        "delay_min": _known(state.delay_s / 60.0),
        "duty_per_k": _known(state.holding_duty_per_k, 3),
        "expected_rate_k_h": round(3600.0 * aims.rate_k_s, 2),
        "expected_delay_min": round(aims.delay_s / 60.0),
        "expected_duty_per_k": round(learn.expected_duty_per_k(aims), 3),
        "drift_c": _known(drift_c, 1),
    }


def _known(value: float, places: int = 2) -> float | None:
    return None if isnan(value) else round(value, places)


def told(aims: BayAims, state: BayState) -> list[str]:
    """The same in words."""
    found = figures(aims, state)
    lines = []
    if found["rate_k_h"] is not None:
        lines.append(
            f"full heat lifts the base by {found['rate_k_h']:.1f} K an hour, "
            f"{found['delay_min']:.0f} min late (expected of this mat: "
            f"{found['expected_rate_k_h']:.1f} K, {found['expected_delay_min']} min)"
        )
    if found["duty_per_k"] is not None:
        lines.append(
            f"{100 * found['duty_per_k']:.1f} % of full heat holds each kelvin of base over top "
            f"(expected: {100 * found['expected_duty_per_k']:.1f} %)"
        )
    if found["drift_c"] is not None:
        lines.append(f"without heat the base would now drift towards {found['drift_c']:.1f} °C")
    if aims.tuned:
        lines.append("heat settings are the bench file's, so the learned rise is not used for them")
    return lines or ["nothing yet; the first warm-up from cold and the first nights teach it"]
