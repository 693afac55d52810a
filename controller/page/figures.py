"""Small drawings beside a value: where it stands between its limits, and how the bench leans.

Places along a scale are shares of the width, so that a drawing fills a phone as well as a desk and
its text keeps its size. Shapes tell what colour would: nothing here needs to be seen in colour.
"""

from collections.abc import Sequence
from math import isfinite
from typing import Final, NamedTuple

from controller.draw.markup import Element, element
from controller.page.words import GAP, number

LEAF: Final = "M0 0C-9 -3 -11 -11 -9 -17C-3 -16 1 -9 0 0Z"
LEAF_OTHER: Final = "M0 0C9 -3 11 -11 9 -17C3 -16 -1 -9 0 0Z"
ROOT: Final = "M0 0C-2 4 -6 5 -8 9M0 0C0 4 -1 7 -2 11M0 0C1 4 4 6 5 10M0 0C3 3 7 3 10 6"
"""A cutting, drawn by hand in px about the end of its stem."""
NARROW_PX: Final = 288.0
LETTER_PX: Final = 7.4
"""Width of the narrowest drawing, and of a letter of its labels at most, on the mean."""


class Scale(NamedTuple):
    """A range of values along the width."""

    low: float
    high: float

    def at(self, value: float) -> str:
        """A value as a share of the width, kept within it."""
        return f"{100 * min(1.0, max(0.0, self.share(value))):.2f}%"

    def share(self, value: float) -> float:
        """Where a value lies: 0 at the low end, 1 at the high one."""
        return (value - self.low) / (self.high - self.low)

    def wide(self, low: float, high: float) -> str:
        """Width of a stretch."""
        left, right = (min(self.high, max(self.low, one)) for one in (low, high))
        return f"{max(0.0, 100 * (right - left) / (self.high - self.low)):.2f}%"


def scale_for(values: Sequence[float], least: float, most: float) -> Scale:
    """A scale from `least` to `most`, widened to hold every known value."""
    known = [value for value in values if isfinite(value)]
    return Scale(min([least, *(value - 1.0 for value in known)]),
                 max([most, *(value + 1.0 for value in known)]))  # fmt: skip


class Limit(NamedTuple):
    """A limit on a rail: its value, and a word for it."""

    value: float
    word: str


def rail(
    value: float,
    scale: Scale,
    *,
    good: tuple[float, float] | None = None,
    target: float | None = None,
    limits: Sequence[Limit] = (),
    told: str,
    unit: str,
    digits: int = 0,
) -> Element:
    """A value on a rule, with its good stretch, its target and its limits.

    told: the same in words, for those who do not see it.  unit: of the limits.
    """
    made = element(
        "svg",
        element("title", told),
        element("line", x1="0", x2="100%", y1=17, y2=17, class_="rule"),
        class_="rail",
        width="100%",
        height=44,
        role="img",
    )
    if good is not None:
        made.append(
            element(
                "rect", x=scale.at(good[0]), width=scale.wide(*good), y=11, height=12, class_="good"
            )
        )
    for limit in limits:
        if scale.low < limit.value < scale.high:
            x = scale.at(limit.value)
            made.append(element("line", x1=x, x2=x, y1=6, y2=28, class_="limit"))
            text = f"{limit.word} {number(limit.value, digits)}{GAP}{unit}"
            made.append(element("text", text, x=x, y=42, class_=_side(limit.value, scale, text)))
    if target is not None and isfinite(target):
        made.append(_at(scale.at(target), 17, element("path", d="M-5 -13H5L0 -6Z", class_="aim")))
    if isfinite(value):
        mark = element("path", d="M0 -8L7 0L0 8L-7 0Z", class_="here")
        made.append(_at(scale.at(value), 17, mark))
    else:
        made.append(element("text", "no reading", x="50%", y=13, class_="middle"))
    return made


def lean(
    top_c: float,
    base_c: float,
    *,
    good: tuple[float, float],
    target_c: float,
    slow_c: float,
    hot_c: float,
    top_hot_c: float,
    no_top: str,
    told: str,
) -> Element:
    """How the bench leans: one cutting, its leaves over the top's temperature and its foot over the
    base's, on one scale. Foot to the right of the leaves is what the whole machine is for."""
    scale = scale_for([top_c, base_c], 3.0, 33.0)
    made = element(
        "svg", element("title", told), class_="lean", width="100%", height=150, role="img"
    )
    for y, words in ((44, "top"), (112, "base")):
        made.append(element("line", x1="0", x2="100%", y1=y, y2=y, class_="rule"))
        made.append(element("text", words, x="0", y=y - 6, class_="side"))
    made.append(
        element("rect", x=scale.at(good[0]), width=scale.wide(*good), y=103, height=18,
                class_="good")
    )  # fmt: skip
    for value, y, word in (
        (top_hot_c, 44, "hot"),
        (slow_c, 112, "slow"),
        (hot_c, 112, "hot"),
    ):
        if isfinite(value) and scale.low < value < scale.high:
            x = scale.at(value)
            made.append(element("line", x1=x, x2=x, y1=y, y2=y + 10, class_="limit"))
            text = f"{word} {value:g}{GAP}°C"
            made.append(element("text", text, x=x, y=y + 23, class_=_side(value, scale, text)))
    if isfinite(target_c):
        aim = element("path", d="M-5 -17H5L0 -10Z", class_="aim")
        made.append(_at(scale.at(target_c), 112, aim))
    made.extend(_cutting(top_c, base_c, scale, no_top))
    return made


def _cutting(top_c: float, base_c: float, scale: Scale, no_top: str) -> list[Element]:
    found = []
    top_known, base_known = isfinite(top_c), isfinite(base_c)
    if top_known and base_known:
        found.append(
            element("line", x1=scale.at(top_c), x2=scale.at(base_c), y1=44, y2=112, class_="stem")
        )
    for known, value, y, parts, words in (
        (top_known, top_c, 44, _leaves(), f"top: {no_top}"),
        (base_known, base_c, 112, _roots(), "base: no reading"),
    ):
        if known:
            found.append(_at(scale.at(value), y, *parts))
            before = scale.share(value) > 0.72
            if parts[0].get("class") == "root" and top_known and top_c > base_c:
                before = scale.share(value) > 0.28  # the stem leans over what stands after it
            side = "before" if before else "after"
            dx = -14 if side == "before" else 14
            label = f"{number(value)}{GAP}°C"
            x = scale.at(value)
            found.append(element("text", label, x=x, y=y - 9, dx=dx, class_=f"value {side}"))
        else:
            found.append(element("text", words, x="50%", y=y - 6, class_="middle"))
    return found


def _leaves() -> tuple[Element, ...]:
    return (
        element("path", d=LEAF, class_="leaf"),
        element("path", d=LEAF_OTHER, class_="leaf"),
        element("circle", r=4, class_="node"),
    )


def _roots() -> tuple[Element, ...]:
    return (element("path", d=ROOT, class_="root"), element("circle", r=4, class_="node"))


def _at(x: str, y: float, *parts: Element) -> Element:
    """Parts drawn in px about a place whose x is a share of the width."""
    return element("svg", *parts, x=x, y=y, overflow="visible", width=1, height=1)


def _side(value: float, scale: Scale, text: str) -> str:
    """Which side a label under a mark may run to without leaving a drawing of NARROW_PX."""
    share, half = scale.share(value), len(text) * LETTER_PX / 2 / NARROW_PX
    return "after" if share < half else "before" if share > 1 - half else "middle"


def shape(priority: int) -> Element:
    """The sign of a priority: triangle 1, diamond 2, ring 3. Told apart without colour."""
    drawn = {
        1: element("path", d="M10 1L19 18H1Z"),
        2: element("path", d="M10 1L19 10L10 19L1 10Z"),
    }.get(priority, element("circle", cx=10, cy=10, r=7.5, class_="ring"))
    word = {1: "1", 2: "2"}.get(priority, "3")
    return element(
        "svg",
        drawn,
        element("text", word, x=10, y=15.5 if priority == 1 else 14.5),
        class_=f"sign p{priority}",
        width=20,
        height=20,
        aria_hidden="true",
    )
