"""The steps of a check of the wires, each of which ends in a line of the record."""

from collections.abc import Callable, Sequence
from math import inf
from typing import Final, Literal, NamedTuple, Protocol

from config.model import mister_id, probe_id
from controller.journal.care import Step, Verdict
from controller.review import heat_pulse as pulses
from controller.review import mat_verdicts
from controller.review.mist_pulse import AFTER_S, BEFORE_S, BURST_S, DELAY_S, judge_mist
from controller.wiring.hands import Echo, Hands, Unsafe, flux_w_m2
from controller.wiring.heard import Told, link_told, probe_told, unknown_told
from sensors.clock import Clock

LISTEN_S: Final = 60.0
GREETED_S: Final = 15.0
"""Listened for at least, so that channels nobody named are heard too."""
MAT_PULSE_S: Final = 5.0
MIST_PULSE_S: Final = 3.0
AFTER_HEAT_S: Final = 180.0

Saw = Literal["yes", "no", ""]
"""What a person saw; "" for nobody looked."""


class Person(Protocol):
    """Whoever stands at the bench, or the answers that were given beforehand."""

    def agrees(self, place: str, question: str) -> bool:
        """Whether a relay may be switched now."""
        ...

    def saw(self, place: str, question: str) -> Saw: ...

    def tell(self, text: str) -> None: ...


class Book:
    """The record as it grows. Each line is told as it is written."""

    def __init__(self, clock: Clock, tell: Callable[[Step], None]) -> None:
        self.steps: list[Step] = []
        self._clock = clock
        self._tell = tell

    def add(self, step: str, place: str, seen: str, verdict: Verdict) -> None:
        row = Step(self._clock.now().utc_s, step, place, seen, verdict)
        self.steps.append(row)
        self._tell(row)

    def extend(self, step: str, told: Sequence[Told]) -> None:
        for one in told:
            self.add(step, *one)


def listen(hands: Hands, book: Book, span_s: float = LISTEN_S) -> None:
    """Listen until every probe was heard, or for `span_s`, and write down what was."""
    began_s = hands.clock.now().mono_s
    wanted = {one.place for one in probe_told(hands)}

    def enough() -> bool:
        waited_s = hands.clock.now().mono_s - began_s
        return waited_s >= min(GREETED_S, span_s) and wanted <= hands.readings.keys()

    hands.watch(span_s, enough)
    book.extend("link", link_told(hands))
    book.extend("heard", probe_told(hands))
    book.extend("unknown", unknown_told(hands))


# -- relays -----------------------------------------------------------------------------------


def relays(hands: Hands, person: Person, book: Book) -> None:
    """Hold each relay on for some seconds, one at a time, and ask what was seen."""
    for relay, words in hands.relays():
        on_s = MIST_PULSE_S if relay.endswith(".mister") else MAT_PULSE_S
        if not person.agrees(relay, f"Switch {words} on for {on_s:g} s?"):
            book.add("relay", relay, "not switched: nobody agreed to it", "skipped")
            continue
        echo = hands.pulse(relay, on_s)
        saw = person.saw(relay, f"Did {words}, and nothing else, go on and off again?")
        book.add("relay", relay, *relay_verdict(echo, saw))


def relay_verdict(echo: Echo, saw: Saw) -> tuple[str, Verdict]:
    """What a pulse of one relay showed, in words."""
    if not echo.taken:
        return "the order did not go out: see its link above", "fault"
    if echo.before:
        return "its board says it is on though it is ordered off", "fault"
    if echo.after:
        return "its board says it stays on: pull the plug of what it switches", "fault"
    if saw == "no":
        said = "its board says it went on and off" if echo.during else "its board says nothing"
        return f"{said}, but it was not seen: wrong relay, wrong channel, fuse or supply", "fault"
    if echo.during is False:
        return "its board says it did not go on: see its channel, and the board's longest", "fault"
    if echo.during is None:
        if saw == "yes":
            return "seen to go on and off; its device reports nothing", "good"
        return "ordered on and off; its device reports nothing and nobody looked", "unsure"
    if saw == "yes":
        return "on and off, by its board and by eye", "good"
    return "on and off by its board; nobody looked", "unsure"


# -- mats -------------------------------------------------------------------------------------


class MatPlan(NamedTuple):
    """A mat to be tried. longest_s: held on at most."""

    bench: str
    bay: str
    flux_w_m2: float
    height_mm: float
    longest_s: float

    @property
    def place(self) -> str:
        return f"{self.bench}.{self.bay}"


def mat_plans(hands: Hands) -> list[MatPlan]:
    found = []
    for bench, bay in hands.bays():
        held = hands.site.benches[bench].bays[bay]
        heights = [
            one.height_mm or pulses.HEIGHT_MM
            for one in held.probes
            if one.kind == "base_temperature"
        ]
        height_mm = max(heights, default=pulses.HEIGHT_MM)
        flux = flux_w_m2(held)
        longest_s = pulses.longest_s(flux, height_mm)
        found.append(MatPlan(bench, bay, flux, height_mm, longest_s))
    return found


def mats(hands: Hands, person: Person, book: Book) -> None:
    """Heat each mat for a while: the base probe of its bay must rise, and the most."""
    plans = []
    for plan in mat_plans(hands):
        watts = hands.site.benches[plan.bench].bays[plan.bay].mat.power_w
        asked = (
            f"Heat the mat of {plan.place} ({watts:g} W) for up to {plan.longest_s / 60:.0f} min?"
        )
        if person.agrees(f"{plan.place}.mat", asked):
            plans.append(plan)
        else:
            book.add("mat", f"{plan.place}.mat", "not heated: nobody agreed to it", "skipped")
    if not plans:
        return
    quiet_s = hands.clock.now().mono_s
    person.tell(f"All mats off for {pulses.QUIET_S / 60:.0f} min, to see what the base does alone.")
    hands.watch(pulses.QUIET_S)
    for alone in mat_verdicts.rising_alone(hands.traces(), quiet_s):
        book.add(
            "rest",
            alone.probe,
            f"rises by {alone.drift_k_h:.1f} K/h with every mat ordered off: a relay stuck on, or "
            "sun. Feel the mat with care; if it is warm, pull its plug",
            "fault",
        )
    done: list[pulses.Pulse] = []
    verdicts = []
    for plan in plans:
        verdict = _mat(hands, person, book, plan, done)
        if verdict is not None:
            verdicts.append(verdict)
    for told in mat_verdicts.swaps(verdicts):
        book.add("swapped", "base probes", told, "fault")


def _mat(
    hands: Hands, person: Person, book: Book, plan: MatPlan, done: list[pulses.Pulse]
) -> mat_verdicts.MatVerdict | None:
    place = f"{plan.place}.mat"
    person.tell(
        f"Heating the mat of {plan.place}; at most {plan.longest_s / 60:.0f} min. Ctrl-C ends it."
    )
    began_s = hands.clock.now().mono_s
    pulse = pulses.Pulse(plan.place, began_s, inf, plan.flux_w_m2)

    def clear() -> bool:
        answers = pulses.answers(hands.traces(), [*done, pulse])
        minutes = (hands.clock.now().mono_s - began_s) / 60.0
        if round(minutes) % 5 == 0:
            rises = ", ".join(f"{one.probe} {max(0.0, one.rise_k):.1f} K" for one in answers)
            person.tell(f"  {minutes:.0f} min: {rises}")
        return mat_verdicts.clear(answers)

    try:
        hands.heat(plan.bench, plan.bay, plan.longest_s, clear)
    except Unsafe as error:
        if hands.clock.now().mono_s - began_s > 60.0:
            done.append(pulse._replace(to_s=hands.clock.now().mono_s))
        book.add("mat", place, f"not heated to the end: {error}", error.verdict)
        return None
    pulse = pulse._replace(to_s=hands.clock.now().mono_s)
    done.append(pulse)
    hands.watch(AFTER_HEAT_S)
    on_s = pulse.to_s - pulse.from_s
    due_k = pulses.expected_rise_k(plan.flux_w_m2, plan.height_mm, on_s)
    found = mat_verdicts.judge(plan.place, pulses.answers(hands.traces(), done), due_k)
    verdict: Verdict = "fault"
    if found.found == "right":
        verdict = "good"
    elif found.found == "unclear":
        verdict = "unsure"
    book.add("mat", place, f"on for {on_s / 60:.0f} min: {found.text}", verdict)
    return found


# -- mist -------------------------------------------------------------------------------------


def mist(hands: Hands, person: Person, book: Book) -> None:
    """One burst of each mister: humidity must answer where it can, else somebody looks."""
    for name, bench in hands.site.benches.items():
        if bench.mister is None:
            continue
        place = mister_id(name)
        asked = f"Give one burst of {BURST_S:g} s on {name}? Stand clear of it."
        if not person.agrees(place, asked):
            book.add("mist", place, "no burst: nobody agreed to it", "skipped")
            continue
        probes = [probe_id(name, None, one) for one in bench.air.probes if one.kind == "humidity"]
        if probes:
            person.tell(f"Watching humidity for {BEFORE_S / 60:.0f} min first.")
            hands.watch(BEFORE_S)
        heard = [probe for probe in probes if hands.samples.get(probe)]
        at_s = hands.clock.now().mono_s
        echo = hands.pulse(place, BURST_S)
        saw = person.saw(place, "Did every nozzle mist, and stop again?")
        if heard:
            hands.watch(at_s + DELAY_S + AFTER_S - hands.clock.now().mono_s)
        found = judge_mist(hands.samples[heard[0]], at_s) if heard else None
        text = found.text if found is not None else "no humidity probe is heard"
        answered = None
        if found is not None and found.found in ("answered", "silent"):
            answered = found.found == "answered"
        book.add("mist", place, *mist_verdict(echo, answered, text, saw))


def mist_verdict(echo: Echo, answered: bool | None, text: str, saw: Saw) -> tuple[str, Verdict]:
    """answered: by humidity; None where it could not tell."""
    if not echo.taken:
        return "the order did not go out: see its link above", "fault"
    if echo.after:
        return f"its board says it stays on: shut the hand valve ({text})", "fault"
    if saw == "no":
        return f"not every nozzle was seen to mist and stop ({text})", "fault"
    if answered is False:
        return text, "fault"
    if saw == "yes":
        return f"{text}; every nozzle was seen to mist", "good"
    if answered:
        return f"{text}; nobody looked at each nozzle", "good"
    return f"{text}, and nobody looked: do it again beside the bench", "unsure"
