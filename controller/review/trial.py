"""Minute records of one bay made ready for a fit, and what is wrong with them."""

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from config.shares import percent

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MINUTE_S: Final = 60
LEAD_S: Final = 3 * 3600
"""What the mat did so long before the trial may still be on its way to the probe."""
SHORTEST_MIN: Final = 90
READINGS_LEAST: Final = 30
LONGEST_MIN: Final = 24 * 60
BEFORE_MIN: Final = (60, 20)
"""Between so many minutes before the trial the base must have been seen."""
GAP_MIN: Final = 10
RISE_LEAST_K: Final = 0.7
NOISE_TIMES: Final = 10.0
"""The rise must stand out from the jitter of the minutes by this factor."""
JUMP_K: Final = 0.8
JUMP_MIN: Final = 5
"""No mat within this program's bounds (8 K an hour) moves the base so far in so short a time."""
DUTY_LEAST: Final = 0.3
DUTY_MIN: Final = 40
"""Change of the mat's share, taken over a relay window, that makes a step."""
TOP_MOVE_K: Final = 2.0
TOP_SHARE: Final = 0.5
"""The mat itself warms the air under a cover; half as much as the base is not held against it."""


class Trial(NamedTuple):
    """Minutes of one bay, each array (n,), a minute apart, the first at UTC second `begin_s`.

    base_c, top_c: means, degC, NaN where not known.  duty: share of the minute that the mat was
    ordered on, 0..1.  lead: minutes at the front that only say what heat was on its way; the trial
    begins after them.
    """

    begin_s: int
    base_c: Floats
    top_c: Floats
    duty: Floats
    lead: int

    @property
    def t_s(self) -> Floats:
        """Seconds since the trial began, of the middle of each minute; negative in the lead."""
        return MINUTE_S * (np.arange(len(self.duty), dtype=np.float64) - self.lead + 0.5)

    @property
    def minutes(self) -> int:
        return len(self.duty) - self.lead


def trial_of(
    base: tuple[Ints, Ints],
    top: tuple[Ints, Ints],
    mat: tuple[Ints, Ints],
    from_s: float,
    to_s: float,
) -> Trial:
    """Records from `from_s` to `to_s` (UTC s) as a trial, with LEAD_S of what went before.

    base, top: (UTC second of each minute, thousandths of a degree).  mat: (UTC second, milliseconds
    on).  A minute without a row of the mat is one with the mat off: ordered off, or not at all.
    Raises ValueError when `to_s` is not after `from_s`.
    """
    first_s, end_s = int(from_s) // MINUTE_S * MINUTE_S, int(to_s) // MINUTE_S * MINUTE_S
    if end_s <= first_s:
        raise ValueError("a trial ends after it began")
    begin_s, lead = first_s - LEAD_S, LEAD_S // MINUTE_S
    count = lead + (end_s - first_s) // MINUTE_S

    def spread(times_s: Ints, values: Ints, missing: float) -> Floats:
        found = np.full(count, missing)
        index = (times_s - begin_s) // MINUTE_S
        inside = (index >= 0) & (index < count)
        found[index[inside]] = values[inside] / 1000.0
        return found

    duty: Floats = np.clip(spread(*mat, 0.0) / MINUTE_S, 0.0, 1.0)
    return Trial(begin_s, spread(*base, np.nan), spread(*top, np.nan), duty, lead)


def smooth(values: Floats, minutes: int) -> Floats:
    """Running mean over so many minutes, (n - minutes + 1,); all of them when there are fewer."""
    width = max(1, min(minutes, len(values)))
    return np.convolve(values, np.full(width, 1.0 / width), mode="valid")


def filled(values: Floats) -> Floats:
    """Straight lines across what is not known, (n,). Raises ValueError when nothing is known."""
    known = np.isfinite(values)
    if not known.any():
        raise ValueError("nothing is known of this series")
    place = np.arange(len(values))
    return np.interp(place, place[known], values[known])


def top_known(trial: Trial) -> bool:
    """Whether the top is known well enough to be counted in."""
    return bool(np.isfinite(trial.top_c[trial.lead :]).mean() > 0.9)


def rise_k(trial: Trial) -> float:
    """Highest minus lowest base of the trial, K, five-minute means."""
    return float(np.ptp(smooth(filled(trial.base_c[trial.lead :]), 5)))


def noise_k(trial: Trial) -> float:
    """Jitter of one minute's mean, K: from second differences, which a smooth course leaves out.

    By their median, times 1.4826 as for normal noise, so that the kink at a step does not count.
    """
    known = trial.base_c[trial.lead :]
    known = known[np.isfinite(known)]
    if len(known) < 3:
        return 0.0
    return float(1.4826 * np.median(np.abs(np.diff(known, 2))) / np.sqrt(6.0))


def flaws(trial: Trial) -> list[str]:
    """What makes these records unfit to learn from, in a grower's words; empty when nothing does.

    Limits are this program's own, found by trial on simulated benches; no published source.
    """
    base = trial.base_c[trial.lead :]
    known = np.isfinite(base)
    count = int(known.sum())
    if trial.minutes < SHORTEST_MIN or count < READINGS_LEAST:
        return [
            f"{trial.minutes} minutes, {count} of them with a reading of the base; "
            f"{SHORTEST_MIN} minutes and {READINGS_LEAST} readings are the least from which an "
            "answer can be told"
        ]
    found = []
    if trial.minutes > LONGEST_MIN:
        found.append("the stretch is longer than a day; choose one warm-up or one test of it")
    before = trial.base_c[max(0, trial.lead - BEFORE_MIN[0]) : trial.lead - BEFORE_MIN[1]]
    if not np.isfinite(before).any():
        found.append(
            "the hour before is not on record, so nobody knows what the base was coming from; "
            "begin an hour later"
        )
    gap = _longest_gap(known)
    if gap > GAP_MIN:
        found.append(
            f"{gap} minutes without a reading of the base; see the probe or the link, then try "
            "again"
        )
    rise, noise = rise_k(trial), noise_k(trial)
    if rise < RISE_LEAST_K:
        found.append(
            f"the base moved by {rise:.2f} K only; {RISE_LEAST_K} K is the least. On a night on "
            "which the mat is at its limit wait for a milder one"
        )
    elif rise < NOISE_TIMES * noise:
        found.append(
            f"readings jitter by {noise:.2f} K from minute to minute, too much for a rise of "
            f"{rise:.1f} K; see how the probe sits and its lead"
        )
    found += _jumped(base, noise)
    found += _unstepped(trial)
    found += _top_moved(trial, rise)
    return found


def _longest_gap(known: NDArray[np.bool_]) -> int:
    """Most minutes in a row that are not known."""
    edges = np.flatnonzero(np.concatenate([[True], known, [True]]))
    return int(np.diff(edges).max()) - 1


def _jumped(base: Floats, noise: float) -> Sequence[str]:
    level = filled(base)
    moved = level[JUMP_MIN:] - level[:-JUMP_MIN]
    worst = int(np.argmax(np.abs(moved)))
    if abs(moved[worst]) <= max(JUMP_K, NOISE_TIMES * noise):
        return ()
    return (
        f"the base jumped by {moved[worst]:+.1f} K within {JUMP_MIN} minutes, "
        f"{worst + JUMP_MIN} minutes in, as no mat moves it: watering, an opened lid or a lifted "
        "probe. Leave the bay alone and try again",
    )


def _unstepped(trial: Trial) -> Sequence[str]:
    # A step at the very beginning counts: a warm-up is a step from a mat that was off.
    share = smooth(trial.duty[trial.lead - DUTY_MIN :], DUTY_MIN)
    if float(np.ptp(share)) >= DUTY_LEAST:
        return ()
    if share.min() > 1.0 - DUTY_LEAST:
        return (
            "the mat was at its limit all the time, so nothing tells its part from the house's; "
            "wait for a milder night",
        )
    return (
        f"the mat's share of the time hardly changed ({percent(share.min())} to "
        f"{percent(share.max())}), so there is no step to see the answer to; "
        "choose a warm-up, or let a test be made",
    )


def _top_moved(trial: Trial, rise: float) -> Sequence[str]:
    if not top_known(trial):
        return ()
    moved = float(np.ptp(smooth(filled(trial.top_c[trial.lead :]), 10)))
    if moved <= max(TOP_MOVE_K, TOP_SHARE * rise):
        return ()
    return (
        f"the air at the leaves moved by {moved:.1f} K meanwhile; more than {TOP_MOVE_K:g} K, and "
        "more than half as much as the base, hides the mat's part. Try again after dark, in "
        "settled weather",
    )
