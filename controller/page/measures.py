"""One value as it is always shown: number, judgement, age, a rule with its limits, and its past."""

from collections.abc import Sequence
from math import isfinite, nan
from typing import NamedTuple

from controller.draw.markup import Element, element
from controller.page.figures import Limit, rail, scale_for
from controller.page.words import age, last_known, measured, number, youngest_s
from sensors.readings import ProbeView


class Measure(NamedTuple):
    """What is told of a value.

    key: id of its live parts.  verdict: how it stands, in words.  note: what it is held against.
    views: the probes it is taken from, for its age.  good, target, limits: in its unit.
    least, most: shown at least.
    """

    key: str
    name: str
    value: float
    unit: str
    verdict: str
    note: str
    views: Sequence[ProbeView]
    good: tuple[float, float] | None = None
    target: float = nan
    limits: tuple[tuple[float, str], ...] = ()
    least: float = 0.0
    most: float = 1.0
    digits: int = 1
    signed: bool = False


def measure(one: Measure, past: Element | None, *more: Element) -> Element:
    """A value with its rule and its trend. more: under it, not brought up to date by itself."""
    known = isfinite(one.value)
    scale = scale_for([one.value] if known else [], one.least, one.most)
    limits = [Limit(value, word) for value, word in one.limits if isfinite(value)]
    told = _told(one, limits)
    rule = rail(
        one.value,
        scale,
        good=one.good,
        target=one.target,
        limits=limits,
        told=told,
        unit=one.unit,
        digits=one.digits if one.digits > 1 else 0 if all(v == round(v) for v, _ in limits) else 1,
    )
    return element(
        "div",
        element(
            "div",
            element("h3", one.name),
            element("p", *_value(one), class_="reading"),
            element("p", element("b", f"{one.verdict}. ") if one.verdict else None, one.note,
                    class_="note"),
            rule,
            id=one.key,
            data_live="",
        ),
        element("div", past, id=f"{one.key}-past", data_live="") if past is not None else None,
        *more,
        class_="measure",
    )  # fmt: skip


def _value(one: Measure) -> list[Element]:
    """The number and its age; struck out with the word "stale" when it is only the last one."""
    if isfinite(one.value):
        text = measured(one.value, one.unit, one.digits, sign=one.signed)
        made = [element("span", text, class_="number")]
        if one.views:
            made.append(element("span", f" {age(youngest_s(one.views))} ago", class_="quiet"))
        return made
    raw, seconds = last_known(one.views)
    if isfinite(raw) and not one.signed:
        return [
            element("s", measured(raw, one.unit, one.digits), class_="number old"),
            element("span", f" stale, {age(seconds)} old", class_="quiet"),
        ]
    return [element("span", "no reading", class_="number old")]


def _told(one: Measure, limits: Sequence[Limit]) -> str:
    """The rule in words."""
    parts = [f"{one.name} {measured(one.value, one.unit, one.digits, sign=one.signed)}"]
    if one.good is not None:
        low, high = (number(edge, one.digits) for edge in one.good)
        parts.append(f"good from {low} to {high}")
    if isfinite(one.target):
        parts.append(f"target {number(one.target, one.digits)}")
    parts += [f"{limit.word} at {number(limit.value, one.digits)}" for limit in limits]
    return ", ".join(parts)
