"""What a target held flat would have taken, beside what the bay was given.

The bay is taken as one store of heat (lumped capacity, e.g. Incropera & DeWitt, Fundamentals of
Heat and Mass Transfer, ch. 5, from memory). The difference between the base that was and the one
that a flat target would have had obeys that store alone, whatever sun, air and mist did to both:

    d(difference)/dt = rate x (flat heat - given heat) - difference / tau

so weather need not be known. What must be known is how much heat holds a kelvin; it is fitted to
the dark hours of the bay's own records, in which the house alone draws heat from it.
"""

from math import exp, sqrt
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from controller.review.warmth import Bools, Ints

SLOT_MIN: Final = 30
BLOCK_MIN: Final = 240
"""Dark hours are looked at in blocks so long, which are many relay windows."""
BLOCKS_LEAST: Final = 12
DUTY_LEAST: Final = 0.03
DUTY_MOST: Final = 0.97
"""A mat nearer to its ends than this does not hold, it only tries."""
OVER_LEAST_K: Final = 3.0
LIFT_ERROR: Final = 0.12
"""Share by which one store misjudges a layered bench: the largest miss of 28 fits to simulated
benches with a known answer was 10 %. Adds to the fit's own standard error."""
ERROR_MOST: Final = 0.3
"""With more doubt than this nothing is said."""
KNOWN_LEAST: Final = 0.8
"""Of the time must be on record, else nothing is said."""
SLOTS_LEAST: Final = 96
EVEN: Final = 5
"""A flat target takes its heat evenly: means over so many slots lie nearest to what simulated twins
that held it really took."""
Floats = NDArray[np.float64]
Series = tuple[Ints, Ints]


class Minutes(NamedTuple):
    """Every minute of a stretch, each array (n,), the first at UTC second `begin_s`.

    base_c, house_c: degC, NaN where not known.  duty: share of the minute that the mat was on.
    """

    begin_s: int
    base_c: Floats
    house_c: Floats
    duty: Floats


class Losses(NamedTuple):
    """lift_k: what full heat holds the base above the house.  error: share, about one standard
    error.  blocks: of dark hours that say so.
    """

    lift_k: float
    error: float
    blocks: int


class Flat(NamedTuple):
    """t_s: (n,) UTC second at which each known half hour began.  given_s, flat_s: (n,) seconds of
    full heat in it, as given and as the flat target would have taken.  left_s: seconds of full heat
    that the flat target would hold stored at the end over what is.  known_share: 0..1.
    """

    t_s: Ints
    given_s: Floats
    flat_s: Floats
    left_s: float
    known_share: float


def minutes_of(base: Series, house: Series, mat: Series, from_s: float, to_s: float) -> Minutes:
    """Records as minutes. base, house: (UTC s, thousandths) of usable minutes.  mat: (UTC s, ms
    on); a minute without a row was off, a row of more than a minute stands for an hour.
    """
    begin_s = int(from_s) // 60 * 60
    n = max(0, (int(to_s) - begin_s) // 60)
    duty = np.zeros(n)
    t_s, on_ms = mat
    for part, length in ((on_ms <= 60_000, 1), (on_ms > 60_000, 60)):
        first = (t_s[part] - begin_s) // 60
        for k in range(length):
            inside = (first + k >= 0) & (first + k < n)
            np.add.at(duty, first[inside] + k, on_ms[part][inside] / 60_000.0 / length)
    return Minutes(
        begin_s,
        _spread(base, begin_s, n),
        _spread(house, begin_s, n),
        np.clip(duty, 0.0, 1.0),
    )


def _spread(series: Series, begin_s: int, n: int) -> Floats:
    found = np.full(n, np.nan)
    t_s, milli = series
    place = (t_s - begin_s) // 60
    inside = (place >= 0) & (place < n)
    found[place[inside]] = milli[inside] / 1000.0
    return found


def losses(found: Minutes, dark: Bools, rate_k_s: float, delay_s: float) -> Losses | None:
    """How much heat holds a kelvin, from the dark hours; None where they do not say.

    dark: (n,) minutes without sun.  rate_k_s: rise of the base at full heat.  delay_s: until that
    shows. Least squares through the origin of heat, less what went into the base, on base minus
    house.
    """
    duty = _later(found.duty, delay_s)
    edges_c = _edges(found.base_c)
    over, held = [], []
    for first in range(0, len(duty) - BLOCK_MIN, BLOCK_MIN // 2):
        block = slice(first, first + BLOCK_MIN)
        over_k = found.base_c[block] - found.house_c[block]
        share = float(duty[block].mean())
        rise_k = float(edges_c[first + BLOCK_MIN] - edges_c[first])
        mean_k = float(over_k.mean())
        if (
            dark[block].all()
            and DUTY_LEAST < share < DUTY_MOST
            and mean_k > OVER_LEAST_K
            and rise_k == rise_k
        ):
            over.append(mean_k)
            held.append(share - rise_k / (rate_k_s * BLOCK_MIN * 60.0))
    if len(over) < BLOCKS_LEAST:
        return None
    x, y = np.array(over), np.array(held)
    per_k = float((x * y).sum() / (x * x).sum())
    if per_k <= 0.0:
        return None
    spread = sqrt(float(((y - per_k * x) ** 2).sum()) / (len(x) - 1) / float((x * x).sum()))
    # Blocks overlap by half, so that there are half as many that are independent.
    error = sqrt(LIFT_ERROR**2 + 2.0 * (spread / per_k) ** 2)
    return Losses(1.0 / per_k, error, len(x)) if error <= ERROR_MOST else None


def flat(
    found: Minutes, lift_k: float, rate_k_s: float, delay_s: float, target_c: Floats
) -> Flat | None:
    """The comparison; None where too little is on record.

    target_c: (n,) flat target of each minute, degC, NaN where none is wanted.
    """
    slots = len(found.duty) // SLOT_MIN
    if slots < SLOTS_LEAST:
        return None
    edges_c = _edges(found.base_c)[: slots * SLOT_MIN + 1 : SLOT_MIN]
    given = found.duty[: slots * SLOT_MIN].reshape(slots, SLOT_MIN).mean(axis=1)
    late = _later(found.duty, delay_s)[: slots * SLOT_MIN].reshape(slots, SLOT_MIN).mean(axis=1)
    padded = np.pad(late, 1, mode="edge")
    smooth = (padded[:-2] + 2.0 * padded[1:-1] + padded[2:]) / 4.0  # over a relay window
    wanted_c = target_c[SLOT_MIN - 1 : slots * SLOT_MIN : SLOT_MIN]
    known = np.isfinite(edges_c[1:]) & np.isfinite(edges_c[:-1]) & np.isfinite(wanted_c)
    if known.mean() < KNOWN_LEAST:
        return None
    kept = exp(-SLOT_MIN * 60.0 * rate_k_s / lift_k)
    full_k = lift_k * (1.0 - kept)
    more = np.zeros(slots)
    off_k = 0.0
    for k in np.flatnonzero(known):
        free_k = off_k * kept
        asked = (wanted_c[k] - edges_c[k + 1] - free_k) / full_k
        more[k] = min(1.0 - smooth[k], max(-smooth[k], asked))
        off_k = free_k + full_k * more[k]
    flat_duty = _sooner(_even(smooth + more), delay_s)
    seconds = SLOT_MIN * 60.0
    return Flat(
        found.begin_s + np.flatnonzero(known) * SLOT_MIN * 60,
        given[known] * seconds,
        flat_duty[known] * seconds,
        off_k / rate_k_s,
        float(known.mean()),
    )


def _even(duty: Floats) -> Floats:
    """The mean over EVEN slots, the sum kept."""
    weights = np.ones(EVEN)
    total = np.convolve(duty, weights, "same")
    parts = np.convolve(np.ones(len(duty)), weights, "same")
    mean: Floats = total / parts
    return mean


def _edges(base_c: Floats) -> Floats:
    """(n + 1,) base about the start of each minute: mean of the five before and after; NaN where
    none of them is known.
    """
    known = np.isfinite(base_c)
    sums = np.concatenate([[0.0], np.cumsum(np.where(known, base_c, 0.0))])
    counts = np.concatenate([[0], np.cumsum(known)])
    at = np.arange(len(base_c) + 1)
    first, last = np.maximum(at - 5, 0), np.minimum(at + 5, len(base_c))
    many = counts[last] - counts[first]
    mean: Floats = np.where(
        many > 0, (sums[last] - sums[first]) / np.maximum(many, 1), float("nan")
    )
    return mean


def _later(duty: Floats, delay_s: float) -> Floats:
    """Heat as it reaches the probe."""
    shift = min(round(delay_s / 60.0), len(duty))
    return np.concatenate([np.full(shift, duty[0] if len(duty) else 0.0), duty])[: len(duty)]


def _sooner(duty: Floats, delay_s: float) -> Floats:
    """Half hours of heat as they left the mat: the other way round, between half hours."""
    places = np.arange(len(duty)) + delay_s / 60.0 / SLOT_MIN
    moved: Floats = np.interp(places, np.arange(len(duty)), duty)
    return moved
