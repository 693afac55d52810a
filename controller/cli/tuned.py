"""From a stretch of records to the heat settings of a bay, and how they are shown."""

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np

from config.model import Site, mat_id
from config.shares import percent
from controller.cli.common import local
from controller.decide import learn
from controller.decide.tuning import RATE_HIGH_K_S, RATE_LOW_K_S, Gains, bench_gains
from controller.faces import Rows, console, say
from controller.gather import place_means
from controller.journal.reader import Reader
from controller.learned import known
from controller.review.identify import Fit, doubts, fit
from controller.review.trial import Trial, flaws, trial_of


class Tuning(NamedTuple):
    """What a stretch of records says. model: None when it is too poor to fit at all.

    wrong: why no settings are drawn from it.  before: settings in force, after: proposed.
    """

    place: str
    from_s: float
    to_s: float
    model: Fit | None
    wrong: list[str]
    before: Gains
    source: str
    after: Gains | None


def identify(reader: Reader, site: Site, place: str, from_s: float, to_s: float) -> Tuning:
    """What the records of a bay from `from_s` to `to_s` (UTC s) say of its heat settings."""
    trial = _trial(reader, place, from_s, to_s)
    aims, state = known(reader, site, place)
    before = learn.gains(aims, state)
    source = (
        "bench file" if aims.tuned else "learned" if state.rate_k_s > 0 else "expected of the mat"
    )
    wrong = flaws(trial)
    model = None
    if not wrong:
        model = fit(trial)
        wrong = doubts(model) or _outside(model)
    after = None if model is None or wrong else _gains(model, aims.window_s)
    return Tuning(place, from_s, to_s, model, wrong, before, source, after)


def _trial(reader: Reader, place: str, from_s: float, to_s: float) -> Trial:
    early_s = from_s - 4 * 3600
    bench, _, bay = place.partition(".")
    last_s = reader.last_minute_s()
    to_s = to_s if last_s is None else min(to_s, max(last_s + 60.0, from_s + 60.0))
    mat = reader.relays([mat_id(bench, bay)], early_s, to_s)[mat_id(bench, bay)]
    return trial_of(
        place_means(reader, place, "base_temperature", early_s, to_s),
        place_means(reader, bench, "air_temperature", early_s, to_s),
        (mat.t_s, mat.on_ms),
        from_s,
        to_s,
    )


def _outside(model: Fit) -> list[str]:
    rate_k_s = model.rate_k_s
    if RATE_LOW_K_S <= rate_k_s <= RATE_HIGH_K_S:
        return []
    return [
        f"at full heat the base would rise by {3600 * rate_k_s:.2f} K an hour; between "
        f"{3600 * RATE_LOW_K_S:g} and {3600 * RATE_HIGH_K_S:g} is believed of a rooting bench"
    ]


def _gains(model: Fit, window_s: float) -> Gains:
    """SIMC for the fitted plant, as `bench_gains` applies it; rounded as it is shown and written.

    The integral time never exceeds the time constant, as SIMC has it.
    """
    made = bench_gains(model.rate_k_s, model.theta_s, window_s)
    integral_s = min(made.integral_s, model.tau_s)
    return Gains(round(made.gain, 3), round(integral_s, -1), round(made.derivative_s, -1))


# -- showing ----------------------------------------------------------------------------------


def show(found: Tuning, site: Site) -> None:
    out = console()
    zone = site.site.zone
    say(
        out,
        f"{found.place}, {local(found.from_s, zone)} to {local(found.to_s, zone)}",
        style="bold",
    )
    model = found.model
    if model is not None:
        for line in _model_lines(model):
            say(out, f"  {line}")
    if found.after is None:
        return
    shown = Rows(out, "setting", f"now ({found.source})", "proposed", "what it means")
    for row in _rows(found.before, found.after):
        shown.add_row(*row)
    shown.show()


def _model_lines(model: Fit) -> list[str]:
    return [
        f"full heat raises the base by {3600 * model.rate_k_s:.2f} K an hour before losses, give "
        f"or take {percent(model.rate_error)}",
        f"it begins to show after {model.theta_s / 60:.0f} min, give or take "
        f"{model.theta_error_s / 60:.1f}",
        "time constant longer than this trial can tell; the settings do not hang on it"
        if model.straight
        else f"time constant {model.tau_s / 3600:.1f} h, lift at full heat {model.gain_k:.0f} K",
        f"the model misses the base by {model.rms_k:.3f} K (RMS) and explains "
        f"{percent(model.explained, 1)} of its course; it moved by {model.rise_k:.2f} K, "
        f"{model.rise_k / max(model.noise_k, 1e-4):.0f} times the jitter of a minute",
    ]


def _rows(before: Gains, after: Gains) -> list[tuple[str, str, str, str]]:
    return [
        (
            "gain_duty_per_k",
            f"{before.gain:.3f}",
            f"{after.gain:.3f}",
            f"{percent(after.gain)} of full heat more for each kelvin too cold",
        ),
        (
            "integral_s",
            f"{before.integral_s:.0f}",
            f"{after.integral_s:.0f}",
            f"what stays wrong is made up for over {after.integral_s / 60:.0f} min",
        ),
        (
            "derivative_s",
            f"{before.derivative_s:.0f}",
            f"{after.derivative_s:.0f}",
            f"looks {after.derivative_s / 60:.0f} min ahead along the base's slope",
        ),
    ]


def data(found: Tuning) -> dict[str, Any]:
    """The outcome as plain data."""
    model = found.model
    return {
        "place": found.place,
        "from_utc_s": found.from_s,
        "to_utc_s": found.to_s,
        "model": None
        if model is None
        else _finite(model._asdict() | {"rate_k_s": model.rate_k_s, "straight": model.straight}),
        "wrong": found.wrong,
        "before": _finite(settings(found.before)) | {"source": found.source},
        "after": None if found.after is None else settings(found.after),
    }


def _finite(numbers: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value if np.isfinite(value) else None for key, value in numbers.items()}


def settings(gains: Gains) -> dict[str, float]:
    return {
        "gain_duty_per_k": gains.gain,
        "integral_s": gains.integral_s,
        "derivative_s": gains.derivative_s,
    }
