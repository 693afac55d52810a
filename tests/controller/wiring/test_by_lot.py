"""Benches, hours and faults drawn by lot: how often the check of the mats is right.

Run with `-m benchmark -s`; takes some minutes.
"""

from collections import Counter
from random import Random

import pytest

ROUNDS = 12


def swapped(text, one, other):
    return text.replace(one, "@").replace(other, one).replace("@", other)


def cases(texts):
    """Name -> (bench file, truth, faults, verdict by mat)."""
    one = texts.head + texts.bay("left", "mat1", "base1", "base3")
    two = texts.two_bays
    three = texts.head + texts.bay("left", "mat1", "base1") + texts.bay("mid", "mat2", "base2")
    three += texts.bay("right", "mat3", "base3")
    dead = (("mat_dead", "north.left.mat"),)
    round_ = swapped(swapped(three, "base1", "base2"), "base2", "base3")
    good, fault = "good", "fault"
    return {
        "one bay, right": (one, "", (), [good]),
        "one bay, dead mat": (one, "", dead, [fault]),
        "two bays, right": (two, "", (), [good, good]),
        "two bays, swapped": (two, swapped(two, "base1", "base2"), (), [fault, fault]),
        "two bays, one mat dead": (two, "", dead, [fault, good]),
        "three bays, right": (three, "", (), [good, good, good]),
        "three bays, wired round": (three, round_, (), [fault, fault, fault]),
    }


@pytest.mark.benchmark
@pytest.mark.timeout(1800)
def test_verdicts_by_lot(on_bench, texts):
    from controller.wiring import steps

    lot = Random(11)
    tally = {name: Counter() for name in cases(texts)}
    for _ in range(ROUNDS):
        hour, warm_hours = lot.uniform(0.0, 24.0 * 15), lot.choice([0.0, 24.0])
        preset = lot.choice(["propagator", "bench", "bay"])
        for name, (text, truth, faults, wanted) in cases(texts).items():
            bench = on_bench(text, truth, faults, hour=hour, preset=preset, warm_hours=warm_hours)
            with bench.hands() as hands:
                steps.mats(hands, bench, bench.book)
            found = [step.verdict for step in bench.steps("mat").values()]
            unsure = {"unsure", "skipped"} & {*found}
            tally[name]["right" if found == wanted else "unsure" if unsure else "wrong"] += 1
    for name, counts in tally.items():
        print(f"{name:26} {dict(counts)}")
    whole = sum(tally.values(), Counter())
    assert whole["wrong"] == 0
    assert whole["right"] >= 0.9 * whole.total()
