"""The bench in side section, drawn in place: house, cover, top, leaves, compost, mat.

Height on the page is height on the bench; from left to right is temperature. So each probe stands
at its own height over its own temperature, and the line through them shows at one look whether the
foot is warmer than the top.
"""

from collections.abc import Sequence
from itertools import pairwise
from math import isfinite
from typing import Final, NamedTuple

from controller.draw.markup import Element, element
from controller.page.figures import LEAF, LEAF_OTHER, Scale, scale_for
from controller.page.words import GAP, measured, number

HEIGHT: Final = 430
HOUSE_Y: Final = 40
COVER_Y: Final = 78
TOP_Y: Final = 176
SOIL_Y: Final = 262
MAT_Y: Final = 352
DEEP_MM: Final = 60.0
"""Compost as deep as it is drawn; a probe without a height stands at cutting depth."""
USUAL_MM: Final = 25.0
CUTTINGS: Final = (7, 17, 27, 37, 47, 57, 67, 77, 87)
"""Where cuttings stand, per cent of the width."""


class BaseProbe(NamedTuple):
    """value_c: NaN when not usable.  height_mm above the mat."""

    name: str
    value_c: float
    height_mm: float


class Cut(NamedTuple):
    """What the section shows. Temperatures degC, NaN where not known.

    wet: whether leaves are reckoned wet, None with no leaves.  rooted: whether roots are drawn.
    heat_on: mat ordered on.  no_house, no_top: said where the value is not known.
    """

    house_c: float
    top_c: float
    base_c: float
    bases: Sequence[BaseProbe]
    good: tuple[float, float]
    target_c: float
    top_hot_c: float
    wet: bool | None
    rooted: bool
    heat_on: bool
    cuttings: bool
    no_house: str
    no_top: str


def section(cut: Cut, told: str) -> Element:
    """The drawing. told: the same in words, for those who do not see it."""
    values = [cut.house_c, cut.top_c, cut.base_c, *(probe.value_c for probe in cut.bases)]
    scale = scale_for(values, 3.0, 33.0)
    made = element(
        "svg", element("title", told), class_="section", width="100%", height=HEIGHT, role="img"
    )
    made.append(_ground(cut))
    made.extend(_plants(cut))
    made.extend(_scale_marks(scale))
    made.extend(_wanted(cut, scale))
    made.extend(_line(cut, scale))
    made.extend(_names(cut))
    made.extend(_points(cut, scale))
    return made


def _ground(cut: Cut) -> Element:
    """Cover, compost in its layers, mat and slats, stretched to the width."""
    layers = (
        (SOIL_Y, 30, "soil one"),
        (SOIL_Y + 30, 32, "soil two"),
        (SOIL_Y + 62, 28, "soil three"),
    )
    return element(
        "svg",
        element("path", d=f"M12 {SOIL_Y}C20 {COVER_Y} 180 {COVER_Y - 14} 500 {COVER_Y - 14}"
                          f"S980 {COVER_Y} 988 {SOIL_Y}", class_="cover"),
        *(element("rect", x=0, y=y, width=1000, height=tall, class_=look)
          for y, tall, look in layers),
        element("path", d=f"M0 {SOIL_Y}H1000", class_="edge"),
        element("rect", x=0, y=MAT_Y + 4, width=1000, height=12,
                class_="mat on" if cut.heat_on else "mat"),
        *(element("rect", x=40 + 190 * i, y=MAT_Y + 20, width=120, height=7, class_="slat")
          for i in range(5)),
        width="100%", height=HEIGHT, viewBox=f"0 0 1000 {HEIGHT}", preserveAspectRatio="none",
    )  # fmt: skip


def _plants(cut: Cut) -> list[Element]:
    """A row of cuttings; with drops while their leaves are reckoned wet, with roots once found."""
    if not cut.cuttings:
        return []
    found = []
    for index, share in enumerate(CUTTINGS):
        tall = 74 + (index * 37) % 16
        top = SOIL_Y - tall
        parts = [element("path", d=f"M0 {SOIL_Y + 40}C2 {SOIL_Y} -2 {SOIL_Y - 40} 0 {top}",
                         class_="stalk")]  # fmt: skip
        for y, size in ((top + 2, 1.5), (top + 26, 1.2)):
            for leaf in (LEAF, LEAF_OTHER):
                parts.append(
                    element(
                        "path", d=leaf, class_="leaf", transform=f"translate(0 {y}) scale({size})"
                    )
                )
        if cut.wet:
            parts += [element("path", d="M0 -5C4 0 3 4 0 4S-4 0 0 -5Z", class_="drop",
                              transform=f"translate({x} {y})")
                      for x, y in ((-13, top + 6), (14, top + 12), (-8, top + 34))]  # fmt: skip
        if cut.rooted:
            roots = (
                f"M0 {SOIL_Y + 40}q-6 6 -9 16M0 {SOIL_Y + 40}q1 9 -2 20M0 {SOIL_Y + 40}q6 6 9 15"
            )
            parts.append(element("path", d=roots, class_="root"))
        found.append(element("svg", *parts, x=f"{share}%", overflow="visible", width=1, height=1))
    return found


def _scale_marks(scale: Scale) -> list[Element]:
    """Faint uprights every five degrees, named at the foot."""
    found = []
    first = int(-(-scale.low // 5)) * 5
    for value in range(first, int(scale.high) + 1, 5):
        x = scale.at(value)
        found.append(element("line", x1=x, x2=x, y1=22, y2=MAT_Y + 54, class_="upright"))
        text = f"{number(value, 0)}{GAP}°C" if value % 10 == 0 else number(value, 0)
        found.append(element("text", text, x=x, y=HEIGHT - 6, class_="middle"))
    return found


def _wanted(cut: Cut, scale: Scale) -> list[Element]:
    """The good band at cutting depth, the target, and the limit of the top."""
    y = _height(USUAL_MM)
    found = [
        element("rect", x=scale.at(cut.good[0]), width=scale.wide(*cut.good), y=y - 16, height=32,
                class_="good")
    ]  # fmt: skip
    if isfinite(cut.target_c):
        x = scale.at(cut.target_c)
        found.append(element("line", x1=x, x2=x, y1=y - 16, y2=y + 16, class_="aimline"))
    if isfinite(cut.top_hot_c):
        x = scale.at(cut.top_hot_c)
        found.append(element("line", x1=x, x2=x, y1=TOP_Y - 26, y2=TOP_Y + 26, class_="limit"))
        found.append(
            element(
                "text", f"hot {cut.top_hot_c:g}{GAP}°C", x=x, y=TOP_Y + 40, class_="middle name"
            )
        )
    return found


def _line(cut: Cut, scale: Scale) -> list[Element]:
    """House to top to base: the lean."""
    here = [
        (cut.house_c, HOUSE_Y, "faint"),
        (cut.top_c, TOP_Y, "stem"),
        (cut.base_c, _height(USUAL_MM), ""),
    ]
    found = []
    for (value, y, look), (other, other_y, _) in pairwise(here):
        if isfinite(value) and isfinite(other):
            found.append(element("line", x1=scale.at(value), x2=scale.at(other), y1=y, y2=other_y,
                                 class_=look))  # fmt: skip
    return found


def _names(cut: Cut) -> list[Element]:
    """What each height is, at the left edge."""
    words = [
        ("house" if isfinite(cut.house_c) else f"house: {cut.no_house}", HOUSE_Y - 8),
        ("cover", COVER_Y + 14),
        (f"{_top_name(cut)}{_wetness(cut.wet)}", TOP_Y - 42),
        ("compost", SOIL_Y + 18),
        ("mat, ordered on" if cut.heat_on else "mat, ordered off", MAT_Y + 40),
    ]
    return [element("text", text, x=6, y=y, class_="name") for text, y in words]


def _top_name(cut: Cut) -> str:
    return "top, at the leaves" if isfinite(cut.top_c) else f"top: {cut.no_top}"


def _wetness(wet: bool | None) -> str:
    if wet is None:
        return ""
    return ", reckoned wet" if wet else ", reckoned dry"


def _points(cut: Cut, scale: Scale) -> list[Element]:
    """Probes at their heights, each over its own temperature."""
    found = []
    for value, y in ((cut.house_c, HOUSE_Y), (cut.top_c, TOP_Y)):
        if isfinite(value):
            found += _point(value, y, scale)
    for probe in cut.bases:
        if isfinite(probe.value_c):
            found.append(element("circle", cx=scale.at(probe.value_c), cy=_height(probe.height_mm),
                                 r=4, class_="probe"))  # fmt: skip
    if isfinite(cut.base_c):
        found += _point(cut.base_c, _height(USUAL_MM), scale)
    if isfinite(cut.base_c) and isfinite(cut.top_c):
        found += _bracket(cut, scale)
    return found


def _point(value: float, y: float, scale: Scale) -> list[Element]:
    before = scale.share(value) > 0.68
    x = scale.at(value)
    text = measured(value, "°C")
    return [
        element("circle", cx=x, cy=y, r=7, class_="node"),
        element("text", text, x=x, y=y + 6, dx=-13 if before else 13,
                class_=f"value big {'before' if before else 'after'}"),
    ]  # fmt: skip


def _bracket(cut: Cut, scale: Scale) -> list[Element]:
    """Base minus top, as a measure drawn between the two."""
    y = SOIL_Y - 20
    left, right = sorted((cut.top_c, cut.base_c))
    x1, x2 = scale.at(left), scale.at(right)
    before = scale.share(right) > 0.66
    text = measured(cut.base_c - cut.top_c, "K", sign=True)
    return [
        element("line", x1=x1, x2=x2, y1=y, y2=y, class_="bracket"),
        element("line", x1=x1, x2=x1, y1=y - 6, y2=y + 6, class_="bracket"),
        element("line", x1=x2, x2=x2, y1=y - 6, y2=y + 6, class_="bracket"),
        element("text", text, x=x1 if before else x2, y=y + 6, dx=-10 if before else 10,
                class_=f"value big {'before' if before else 'after'}"),
    ]  # fmt: skip


def _height(mm: float) -> float:
    """Where a height above the mat, mm, is drawn."""
    return MAT_Y - min(1.0, max(0.0, mm / DEEP_MM)) * (MAT_Y - SOIL_Y)
