"""Why the mister works or waits, in words for growers. {0}, {1} ...: the values of the Reason."""

from typing import Final

MIST_REASONS: Final[dict[str, str]] = {
    "mist_none": "this bench has no mister",
    "mist_rest": "no cuttings on this bench need mist",
    "mist_stuck": "mister locked off because it seemed stuck; look at the valve, then reset",
    "mist_share": "mister has worked a quarter of the last hour, the most it ever may; it waits",
    "mist_hand_burst": "burst asked for by hand, {0} s",
    "mist_hand_off": "mist held off by hand",
    "mist_hand_on": "mist held on by hand: bursts as close as the shortest gap allows",
    "mist_after_gap": "nothing was known for {0} min by day and leaves may be dry: one burst",
    "mist_dryness": "leaves have dried by {0} kPa min since the last burst; {1} kPa min earn one",
    "mist_schedule": "burst by the clock, as the bench file asks",
    "mist_interval": "clock not set: burst every {0} min of running time, as the bench file asks",
    "mist_cool_top": "top at {0} degC is above {1}, and the air is dry enough for mist to cool it",
    "mist_wait": "waiting: {0} kPa min of dryness earn a burst",
    "mist_gap": "a burst is due, but the shortest gap of {0} s is not over",
    "mist_weaned": "no bursts for dryness in this phase; cuttings learn to do without",
    "mist_night": "no mist by night, so that leaves stay dry",
    "mist_evening": "no mist within {0} min of sunset, so that leaves go dry into the night",
    "mist_afternoon": "leaves have not been dry once today; no mist until they are",
    "mist_budget": "water budget of this {0} is spent; waiting",
    "mist_survival_budget": "water budget of this {0} is spent, but unrooted leaves must not dry "
    "out: {1} s every {2} min",
    "mist_survival": "air temperature or humidity not known: timed mist, {0} s every {1} min",
    "mist_survival_wait": "air temperature or humidity not known: timed mist, next in its turn",
    "mist_blind": "air temperature or humidity not known, and these cuttings can wait",
}
