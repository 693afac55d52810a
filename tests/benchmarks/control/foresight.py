"""What a controller that knew the whole weather beforehand could do: a linear program.

The bench is not linear (evaporation), so it is linearised about a run that has really been
simulated, with the case's own weather and mist: base = base of that run + answer to the difference
in heat. The answer is a state-space model of a few modes, found from the simulated step response of
the same bench near its working point by the eigensystem realisation algorithm (Juang & Pappa 1985,
J. Guidance 8(5): 620-627, from memory). The program's heat is then played on the real simulated
bench; the program is solved again about that run. Every figure of "perfect foresight" is taken from
such a played run, so an error of the linear model can only make foresight look worse, never better
than it could be; `Check` says how large that error is.
"""

from dataclasses import dataclass
from random import Random
from typing import Final, NamedTuple

import numpy as np
from course import HIGH_C, HOT_C, LOW_C, TARGET_C, TICK_S, Case, Course, Floats
from rivals import Replay, play
from scipy import optimize, sparse  # type: ignore[import-untyped]

from simulator.bench import BenchModel
from simulator.film import saturation_kpa
from simulator.rig import DEPTH_MM
from simulator.weather import Weather

SLOT_S: Final = 600.0
"""Heat is constant for so long."""
SLOT_TICKS: Final = round(SLOT_S / TICK_S)
SLOT_MIN: Final = round(SLOT_S / 60.0)
SETTLE_S: Final = 8 * 86400.0
ANSWER_S: Final = 4 * 86400.0
STEP_DUTY: Final = 0.1
HOUSE_C: Final = 12.0
MODES: Final = 3
"""Three follow the step response of every preset to 0.01 K, and are real; more may not be."""
WATERED_S: Final = 3600.0


@dataclass(frozen=True)
class Linear:
    """Answer of the base to heat, slot by slot: z' = a z + b duty, base = c z + d duty; K.

    hold_duty: what holds the target in the working point.  step_k: step response to the whole mat,
    at the end of each slot.
    """

    a: Floats
    b: Floats
    c: Floats
    d: float
    hold_duty: float
    step_k: Floats

    def answer_k(self, duty: Floats) -> Floats:
        """Change of the base at the end of each slot."""
        z = np.zeros(len(self.b))
        out = np.empty(len(duty))
        for k, value in enumerate(duty):
            out[k] = self.c @ z + self.d * value
            z = self.a @ z + self.b * value
        return out


class Check(NamedTuple):
    """Errors of the linear model against the simulated bench under chance heat, K.

    one_step: RMS, one slot ahead.  day: RMS, 24 h ahead.  day_move: RMS move of the base that had
    to be foretold.
    """

    one_step: float
    day: float
    day_move: float


class Best(NamedTuple):
    """Played runs of perfect foresight.

    track: nearest to the target (and least heat among equals).  floor: least heat that keeps the
    low end of the band.  band: least outside the band.  cool: least above 23 degC, never below the
    band for it.  left_k: largest difference between what the
    last linear program foresaw and what was played, after the warm-up.
    """

    track: Course
    floor: Course
    band: Course
    cool: Course
    left_k: float


# -- the linear bench -----------------------------------------------------------------------------


def _run(model: BenchModel, duty: float, span_s: float, dt_s: float = 30.0) -> Floats:
    """Base at the end of each slot in steady weather without sun, compost kept watered, degC."""
    place = model.at_height(DEPTH_MM)
    house = Weather(HOUSE_C, 0.75 * saturation_kpa(HOUSE_C), 0.0)
    per_slot = round(SLOT_S / dt_s)
    out = []
    for slot in range(round(span_s / SLOT_S)):
        if slot % round(WATERED_S / SLOT_S) == 0:
            for bay in model.bays:
                bay.water_kg_m2 = 0.95 * model.params.water_kg_m2
        for _ in range(per_slot):
            model.advance(dt_s, (duty,), 0.0, house)
        out.append(model.base_c(0, place))
    return np.array(out)


def linear_bench(case: Case) -> Linear:
    """The linear model of the bench of a case, near its target under a house of 12 degC."""
    low, high = (
        _run(BenchModel(case.params, start_c=HOUSE_C), duty, SETTLE_S)[-1] for duty in (0.2, 0.4)
    )
    hold = float(np.clip(0.2 + 0.2 * (TARGET_C - low) / (high - low), 0.05, 0.85))
    stepped, held = (BenchModel(case.params, start_c=HOUSE_C) for _ in range(2))
    for model in (stepped, held):
        _run(model, hold, SETTLE_S)
    rise = _run(stepped, hold + STEP_DUTY, ANSWER_S) - _run(held, hold, ANSWER_S)
    step_k = rise / STEP_DUTY
    markov = np.diff(step_k, prepend=0.0)
    a, b, c = _realised(markov[1:], MODES)
    return Linear(a, b, c, float(markov[0]), hold, step_k)


def _realised(markov: Floats, order: int) -> tuple[Floats, Floats, Floats]:
    """State space (modal) whose impulse response is `markov`."""
    rows = min(len(markov) // 2, 280)
    index = np.arange(rows)[:, None] + np.arange(rows)[None, :]
    hankel, shifted = markov[index], markov[index + 1]
    u, s, vt = np.linalg.svd(hankel)
    u, s, vt = u[:, :order], np.sqrt(s[:order]), vt[:order]
    a = (u / s).T @ shifted @ (vt.T / s)
    b, c = s * vt[:, 0], u[0] * s
    values, vectors = np.linalg.eig(a)
    if np.abs(values.imag).max() > 0.0:  # heat only spreads: nothing in a bench swings by itself
        return _realised(markov, order - 1)
    # Each mode is scaled to a gain of one, which the linear program likes.
    b = np.linalg.solve(vectors, b)
    scale = b / (1.0 - values)
    return np.diag(values), b / scale, (c @ vectors) * scale


def chance_duty(slots: int, middle: float, seed: int = 3) -> Floats:
    """Heat that changes at chance every 10 min to 2 h, 0..1 about `middle`."""
    rng = Random(seed)
    out: list[float] = []
    while len(out) < slots:
        value = min(1.0, max(0.0, middle + rng.uniform(-0.4, 0.4)))
        out += [value] * rng.randint(1, 12)
    return np.array(out[:slots])


def check(case: Case, linear: Linear, mist_ml: Floats) -> Check:
    """Error of the linear model in the case's own weather and mist, under chance heat."""
    slots = case.ticks // SLOT_TICKS
    middle = linear.hold_duty
    chance = chance_duty(slots, middle)
    steady = play(case, Replay(ticked(np.full(slots, middle), case)), mist_ml)
    moved = play(case, Replay(ticked(chance, case)), mist_ml)
    true_k = slot_ends(moved) - slot_ends(steady)
    error_k = true_k - linear.answer_k(chance - middle)
    day = round(86400.0 / SLOT_S)

    def rms(values: Floats) -> float:
        return float(np.sqrt(np.mean(values**2)))

    ahead = day if slots > day else slots // 2
    return Check(
        rms(np.diff(error_k)),
        rms(error_k[ahead:] - error_k[:-ahead]),
        rms(true_k[ahead:] - true_k[:-ahead]),
    )


# -- the program ----------------------------------------------------------------------------------


def ticked(duty: Floats, case: Case) -> Floats:
    """Slots as ticks; what is left at the end goes on as the last slot."""
    shares = np.repeat(duty, SLOT_TICKS)
    return np.concatenate([shares, np.full(max(0, case.ticks - len(shares)), duty[-1])])


def slot_ends(course: Course) -> Floats:
    """Base at the end of each slot: mean of its last minute, degC."""
    return course.base_c[SLOT_MIN - 1 :: SLOT_MIN]


def slot_duty(course: Course) -> Floats:
    """Mean heat of each slot."""
    whole = len(course.share) // SLOT_TICKS * SLOT_TICKS
    means: Floats = course.share[:whole].reshape(-1, SLOT_TICKS).mean(axis=1)
    return means


@dataclass(frozen=True)
class Cost:
    """Of one slot. below, above: per kelvin outside low_c..high_c.  heat: per full slot."""

    low_c: float
    high_c: float
    below: float
    above: float
    heat: float


TRACK: Final = Cost(TARGET_C, TARGET_C, 1.0, 1.0, 1e-4)
FLOOR: Final = Cost(LOW_C, LOW_C, 1000.0, 0.0, 1.0)
COOL: Final = Cost(LOW_C + 0.05, HOT_C, 1000.0, 1.0, 1e-4)
BAND: Final = Cost(LOW_C + 0.05, HIGH_C - 0.05, 1.0, 1.0, 1e-4)


def solve(linear: Linear, base_c: Floats, duty: Floats, cost: Cost) -> tuple[Floats, Floats]:
    """(heat of each slot, foreseen base) of least cost about a played run.

    Variables: heat u, modes z, kelvins below and above. Raises RuntimeError when there is no
    answer.
    """
    n, m = len(duty), len(linear.b)
    eye = sparse.identity(n, format="csr")
    shift = sparse.eye(n, k=-1, format="csr")
    # z[k] = a z[k-1] + b (u - duty)[k-1]; z[0] = 0. Stored slot by slot.
    modes = sparse.identity(n * m, format="csr") - sparse.kron(shift, linear.a, format="csr")
    drive = -sparse.kron(shift, linear.b[:, None], format="csr")
    before = np.concatenate([[0.0], duty[:-1]])
    read = sparse.kron(eye, linear.c[None, :], format="csr")
    own = linear.d * eye
    none = sparse.csr_matrix((n * m, n))
    equal = sparse.hstack([drive, modes, none, none], format="csr")
    equal_to = -np.kron(before, linear.b)
    offset = base_c - linear.d * duty
    least = sparse.vstack(
        [
            sparse.hstack([-own, -read, -eye, sparse.csr_matrix((n, n))]),
            sparse.hstack([own, read, sparse.csr_matrix((n, n)), -eye]),
        ],
        format="csr",
    )
    bound = np.concatenate([offset - cost.low_c, cost.high_c - offset])
    costs = np.concatenate(
        [np.full(n, cost.heat), np.zeros(n * m), np.full(n, cost.below), np.full(n, cost.above)]
    )
    bounds = [(0.0, 1.0)] * n + [(None, None)] * (n * m) + [(0.0, None)] * (2 * n)
    for method, presolve in (
        ("highs", True), ("highs-ipm", True), ("highs-ds", False), ("highs-ipm", False),
    ):  # fmt: skip
        found = optimize.linprog(
            costs, A_ub=least, b_ub=bound, A_eq=equal, b_eq=equal_to, bounds=bounds,
            method=method, options={"presolve": presolve},
        )  # fmt: skip
        if found.status == 0:
            break
    if found.status != 0:
        raise RuntimeError(f"the linear program has no answer: {found.message}")
    u = np.clip(found.x[:n], 0.0, 1.0)
    z = found.x[n : n + n * m].reshape(n, m)
    return u, offset + z @ linear.c + linear.d * u


def best(case: Case, linear: Linear, about: Course) -> Best:
    """Perfect foresight of a case with the mist of `about`, a run in the same weather."""
    track, left_k = _played(case, linear, about, TRACK, rounds=3)
    floor, _ = _played(case, linear, track, FLOOR, rounds=2)
    band, _ = _played(case, linear, track, BAND, rounds=2)
    cool, _ = _played(case, linear, track, COOL, rounds=2)
    return Best(track, floor, band, cool, left_k)


def _played(
    case: Case, linear: Linear, about: Course, cost: Cost, rounds: int
) -> tuple[Course, float]:
    mist_ml = about.mist_ml
    left_k = 0.0
    for _ in range(rounds):
        duty, foreseen = solve(linear, slot_ends(about), slot_duty(about), cost)
        about = play(case, Replay(ticked(duty, case)), mist_ml)
        left_k = float(np.abs(slot_ends(about) - foreseen).max())
    return about, left_k
