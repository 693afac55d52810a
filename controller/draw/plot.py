"""One plot of values over local time, as a figure for a page: caption and key in HTML, the picture
in SVG.

The picture has no fixed width. Lines are drawn in units of their own and stretched to the page;
text stands at shares of the width in a size of its own, so it is as legible on a phone as on paper.
What lines are told apart by is their dashes and weight as well as colour. Colours are in STYLE,
which the page gives once.
"""

from collections.abc import Sequence
from datetime import datetime
from math import inf
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from controller.draw.markup import Element, element, written
from controller.draw.paths import ACROSS, COLUMNS, Floats, line_path, runs, thinned
from controller.draw.ticks import MONTHS, time_ticks, value_ticks

NEAR: Final = 0.055
NEAR_JOINED: Final = 0.12
"""Labels of marks nearer than this share of the width become one, or where one already stands for
several: 15 and 33 px on the narrowest phone."""
LABEL_PX: Final = 16
"""Height of a line of text."""
LOOKS: Final = ("base", "top", "house", "vpd", "film", "humidity", "target", "mat", "rooted")
"""Looks of lines that STYLE knows."""


class Line(NamedTuple):
    """A line. t_s: (n,) UTC s, rising.  values: (n,), NaN where not known.

    look: one of LOOKS.  gap_s: the line is broken where a value is not known, and where the next
    sample is farther off than this.  stepped: a value holds until the next.
    """

    name: str
    t_s: Floats
    values: Floats
    look: str
    gap_s: float = inf
    stepped: bool = False


class Band(NamedTuple):
    """Where values are wanted: stretches (from UTC s, to UTC s, low, high)."""

    name: str
    stretches: Sequence[tuple[float, float, float, float]]


class Span(NamedTuple):
    """A stretch of time of its own shade, UTC s. look: "gap" (no record) or "night" or "due"."""

    from_s: float
    to_s: float
    look: str = "gap"


class Mark(NamedTuple):
    """Something that happened. text: a sign or two, shown; title: in words, for who asks."""

    at_s: float
    text: str
    title: str


class Plot(NamedTuple):
    """Values over a stretch of local time.

    from_s < to_s: UTC s.  low, high: the values shown at least; widened to what the lines have.
    decimals: of the extremes told in its description.  height_px: of the area without labels.
    """

    title: str
    unit: str
    from_s: float
    to_s: float
    zone: ZoneInfo
    lines: Sequence[Line]
    bands: Sequence[Band] = ()
    spans: Sequence[Span] = ()
    marks: Sequence[Mark] = ()
    low: float = inf
    high: float = -inf
    decimals: int = 1
    height_px: int = 150


SPAN_WORDS: Final = {"gap": "no record", "night": "night", "due": "due window"}

STYLE: Final = """
.plot{margin:0 0 1.2rem;break-inside:avoid}
.plot figcaption{font-size:15px;line-height:1.5;margin-bottom:.3rem}
.plot .key{white-space:nowrap;font-size:13px;margin-left:.9em}
.plot .key svg{vertical-align:middle;margin-right:.35em}
.plot>svg{display:block;overflow:visible;margin-left:42px;width:calc(100% - 62px)}
.plot text{font:13px/1 system-ui,sans-serif;fill:var(--plot-text,#222)}
.plot .y{text-anchor:end}.plot .x,.plot .m{text-anchor:middle}.plot .m{font-weight:700}
.plot .none{text-anchor:middle}
.plot path,.plot line{fill:none;stroke:var(--plot-text,#222);vector-effect:non-scaling-stroke}
.plot .grid{stroke:var(--plot-grid,#ccc)}.plot .frame{stroke:var(--plot-text,#222)}
.plot .band{fill:var(--plot-band,#d6e8cf);stroke:var(--plot-band-edge,#5c7f4e);stroke-dasharray:1 3}
.plot .gap{fill:var(--plot-gap,#e3e3e3);stroke:var(--plot-gap-edge,#666);stroke-dasharray:4 3}
.plot .night{fill:var(--plot-night,#eef0f6);stroke:none}
.plot .due{fill:var(--plot-due,#f6e6bf);stroke:var(--plot-due-edge,#8a6a13);stroke-dasharray:2 2}
.plot .mark{stroke:var(--plot-mark,#444);stroke-dasharray:1 2}
.plot .base{stroke:var(--plot-base,#a4262c);stroke-width:2}
.plot .top{stroke:var(--plot-top,#0b5cad);stroke-width:1.5;stroke-dasharray:7 3}
.plot .house{stroke:var(--plot-house,#555);stroke-width:1.5;stroke-dasharray:2 3}
.plot .target{stroke:var(--plot-target,#222);stroke-width:1.2;stroke-dasharray:10 3 2 3}
.plot .vpd{stroke:var(--plot-vpd,#7a4b00);stroke-width:1.8}
.plot .humidity{stroke:var(--plot-humidity,#00665e);stroke-width:1.5;stroke-dasharray:7 3}
.plot .film{stroke:var(--plot-film,#0b5cad);stroke-width:1.8}
.plot .mat{stroke:var(--plot-mat,#a4262c);stroke-width:1.5}
.plot .rooted{stroke:var(--plot-rooted,#2c6b1f);stroke-width:2.5}
"""


def figure(plot: Plot) -> str:
    """The plot as text of an HTML figure. Raises ValueError for a look that is not known."""
    return written(figure_element(plot))


def figure_element(plot: Plot) -> Element:
    """The plot as an HTML figure; as `figure`."""
    keys = [_key(line.name, line.look) for line in plot.lines]
    keys += [_key(band.name, "band") for band in plot.bands]
    keys += [_key(SPAN_WORDS[look], look) for look in dict.fromkeys(s.look for s in plot.spans)]
    caption = element(
        "figcaption",
        element("b", plot.title),
        f", {plot.unit}" if plot.unit else None,
        *keys,
    )
    return element("figure", caption, picture(plot), class_="plot")


def picture(plot: Plot) -> Element:
    """The picture alone, an <svg>; it is right only under STYLE, within an element of class plot.

    Its data-from-s, data-to-s (UTC s), data-low, data-high, data-top-px and data-height-px say what
    stands where, for a script that reads values off it.
    """
    for line in plot.lines:
        if line.look not in LOOKS:
            raise ValueError(f"no look {line.look!r}; there are {', '.join(LOOKS)}")
    if not plot.from_s < plot.to_s:
        raise ValueError(f"a plot from {plot.from_s} to {plot.to_s} shows nothing")
    lines = [_within(line, plot) for line in plot.lines]
    low, high = _range(plot, lines)
    above = LABEL_PX if plot.marks else 4
    made = element(
        "svg",
        element("title", _described(plot, lines)),
        role="img",
        xmlns="http://www.w3.org/2000/svg",
        width="100%",
        height=above + plot.height_px + LABEL_PX + 4,
        data_from_s=f"{plot.from_s:.0f}",
        data_to_s=f"{plot.to_s:.0f}",
        data_low=f"{low:g}",
        data_high=f"{high:g}",
        data_top_px=above,
        data_height_px=plot.height_px,
    )
    scale = _Scale(plot.from_s, plot.to_s, low, high, plot.height_px)
    area = element(
        "svg",
        y=above,
        width="100%",
        height=plot.height_px,
        viewBox=f"0 0 {ACROSS:.0f} {plot.height_px}",
        preserveAspectRatio="none",
    )
    area.extend(_background(plot, scale))
    area.extend(_line(line, scale) for line in lines)
    made.append(area)
    made.extend(_labels(plot, scale, above))
    return made


class _Scale(NamedTuple):
    from_s: float
    to_s: float
    low: float
    high: float
    height: float

    def share(self, at_s: float) -> float:
        return (at_s - self.from_s) / (self.to_s - self.from_s)

    def x(self, t_s: Floats) -> Floats:
        return (t_s - self.from_s) / (self.to_s - self.from_s) * ACROSS

    def y(self, values: Floats) -> Floats:
        return (self.high - values) / (self.high - self.low) * self.height

    def y_of(self, value: float) -> float:
        return (self.high - value) / (self.high - self.low) * self.height


def _within(line: Line, plot: Plot) -> Line:
    """The line as far as the plot goes."""
    t_s = np.asarray(line.t_s, dtype=np.float64)
    values = np.asarray(line.values, dtype=np.float64)
    start = int(np.searchsorted(t_s, plot.from_s, "left"))
    end = int(np.searchsorted(t_s, plot.to_s, "right"))
    if line.stepped and start > 0:
        # What was set before still holds.
        start -= 1
        t_s = np.maximum(t_s, plot.from_s)
    return line._replace(t_s=t_s[start:end], values=values[start:end])


def _range(plot: Plot, lines: Sequence[Line]) -> tuple[float, float]:
    """Least and greatest of what is shown, with a little room."""
    seen = [edge for band in plot.bands for one in band.stretches for edge in one[2:]]
    for line in lines:
        known = line.values[np.isfinite(line.values)]
        seen += [float(known.min()), float(known.max())] if len(known) else []
    low, high = min([plot.low, *seen]), max([plot.high, *seen])
    if low > high:
        return 0.0, 1.0
    room = max((high - low) * 0.04, 1e-6 * max(abs(low), abs(high)), 1e-9)
    # An axis that begins at its natural end, such as 0, begins there.
    return (low if low == plot.low else low - room), (high if high == plot.high else high + room)


def _background(plot: Plot, scale: _Scale) -> list[Element]:
    made = []
    for band in plot.bands:
        for from_s, to_s, low, high in band.stretches:
            left, right = (_held(scale.share(at_s)) * ACROSS for at_s in (from_s, to_s))
            if right > left:
                top, foot = scale.y_of(high), scale.y_of(low)
                path = f"M{left:.1f} {top:.1f}H{right:.1f}V{foot:.1f}H{left:.1f}Z"
                made.append(element("path", d=path, class_="band"))
    for span in plot.spans:
        left, right = (_held(scale.share(at_s)) * ACROSS for at_s in (span.from_s, span.to_s))
        if right > left:
            # The shortest gap is still seen.
            right = max(right, left + 1.5)
            path = f"M{left:.1f} {plot.height_px}V0H{right:.1f}V{plot.height_px}"
            made.append(element("path", d=path, class_=span.look))
    for tick in value_ticks(scale.low, scale.high):
        y = f"{scale.y_of(tick.at):.1f}"
        made.append(element("line", x1=0, x2=f"{ACROSS:.0f}", y1=y, y2=y, class_="grid"))
    for mark in _shown(plot):
        x = f"{scale.share(mark.at_s) * ACROSS:.1f}"
        made.append(element("line", x1=x, x2=x, y1=0, y2=plot.height_px, class_="mark"))
    frame = f"M0 0V{plot.height_px}H{ACROSS:.0f}"
    made.append(element("path", d=frame, class_="frame"))
    return made


def _line(line: Line, scale: _Scale) -> Element:
    column_s = (scale.to_s - scale.from_s) / COLUMNS
    parts = []
    for t_s, values in runs(line.t_s, line.values, line.gap_s):
        if line.stepped:
            last_s = min(scale.to_s, t_s[-1] + line.gap_s)
            t_s, values = np.append(t_s, last_s), np.append(values, values[-1])
        else:
            t_s, values = thinned(t_s, values, column_s)
        parts.append(line_path(scale.x(t_s), scale.y(values), stepped=line.stepped))
    return element("path", d="".join(parts) or "M0 0", class_=line.look)


def _labels(plot: Plot, scale: _Scale, above: int) -> list[Element]:
    foot = above + plot.height_px
    made = []
    for tick in value_ticks(scale.low, scale.high):
        y = above + scale.y_of(tick.at) + 4.5
        made.append(element("text", tick.text, x=-6, y=f"{y:.1f}", class_="y"))
    for tick in time_ticks(plot.from_s, plot.to_s, plot.zone):
        x = f"{100 * scale.share(tick.at):.2f}%"
        made.append(element("line", x1=x, x2=x, y1=foot, y2=foot + 4, class_="frame"))
        made.append(element("text", tick.text, x=x, y=foot + LABEL_PX, class_="x"))
    for at_s, text, title in _joined(_shown(plot), plot.to_s - plot.from_s):
        x = f"{100 * scale.share(at_s):.2f}%"
        made.append(element("text", element("title", title), text, x=x, y=12, class_="m"))
    if not any(np.isfinite(line.values).any() for line in plot.lines):
        middle = f"{above + plot.height_px / 2:.0f}"
        made.append(element("text", "nothing on record", x="50%", y=middle, class_="none"))
    return made


def _shown(plot: Plot) -> list[Mark]:
    return sorted(
        (mark for mark in plot.marks if plot.from_s <= mark.at_s <= plot.to_s),
        key=lambda mark: mark.at_s,
    )


def _joined(marks: Sequence[Mark], span_s: float) -> list[Mark]:
    """Marks with one label for those that stand too near: "3-5"."""
    groups: list[list[Mark]] = []
    for mark in marks:
        group = [mark]
        while groups and _too_near(groups[-1], group, span_s):
            group = groups.pop() + group
        groups.append(group)
    found = []
    for group in groups:
        first, last = group[0].text, group[-1].text
        text = first if len(group) == 1 else f"{first}\u2013{last}"
        found.append(Mark(_middle(group), text, "; ".join(mark.title for mark in group)))
    return found


def _too_near(one: Sequence[Mark], other: Sequence[Mark], span_s: float) -> bool:
    near = NEAR if len(one) == len(other) == 1 else NEAR_JOINED
    return _middle(other) - _middle(one) < near * span_s


def _middle(group: Sequence[Mark]) -> float:
    return (group[0].at_s + group[-1].at_s) / 2


def _key(name: str, look: str) -> Element:
    """One line of the key: a sample and its name."""
    if look in LOOKS:
        sample = element("path", d="M0 6H30", class_=look)
    else:
        sample = element("path", d="M1 1H29V11H1Z", class_=look)
    drawn = element("svg", sample, width=30, height=12, aria_hidden="true")
    return element("span", drawn, name, class_="key")


def _described(plot: Plot, lines: Sequence[Line]) -> str:
    """The plot in words, for those who do not see it."""
    told = []
    for line in lines:
        known = line.values[np.isfinite(line.values)]
        if len(known):
            low, high = (f"{edge:.{plot.decimals}f}" for edge in (known.min(), known.max()))
            told.append(f"{line.name} {low} to {high} {plot.unit}".rstrip())
        else:
            told.append(f"{line.name} not on record")
    first, last = (day_in_words(at_s, plot.zone) for at_s in (plot.from_s, plot.to_s))
    return f"{plot.title}, {first} to {last}: {', '.join(told)}"


def day_in_words(at_s: float, zone: ZoneInfo) -> str:
    """A UTC second as a local day: 3 Mar 2026."""
    local = datetime.fromtimestamp(at_s, zone)
    return f"{local.day} {MONTHS[local.month - 1]} {local.year}"


def _held(share: float) -> float:
    return min(1.0, max(0.0, share))
