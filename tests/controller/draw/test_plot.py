"""Plots: what is drawn is what was measured, gaps included, and no text is taken for markup."""

import re
from math import nan
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.draw.paths import runs, thinned
from controller.draw.plot import (
    LOOKS,
    STYLE,
    Band,
    Line,
    Mark,
    Plot,
    Span,
    figure,
    figure_element,
    picture,
)

DUBLIN = ZoneInfo("Europe/Dublin")
START_S = 1_772_524_800.0  # 2026-03-03T08:00Z
DAY_S = 86400.0


def plot(**changes: object) -> Plot:
    t_s = np.arange(START_S, START_S + DAY_S, 60.0)
    line = Line("base", t_s, np.full(len(t_s), 20.0), "base", gap_s=900.0)
    made = Plot("Base", "°C", START_S, START_S + DAY_S, DUBLIN, [line])
    return made._replace(**changes)  # type: ignore[arg-type]


def paths(made: Plot, look: str) -> str:
    found = picture(made).findall(f".//path[@class='{look}']")
    return "".join(path.get("d", "") for path in found)


def points(path: str) -> list[list[tuple[float, float]]]:
    """The points of each run of a path of M and L alone."""
    return [
        [(float(x), float(y)) for x, y in re.findall(r"([-\d.]+) ([-\d.]+)", run)]
        for run in path.split("M")[1:]
    ]


def test_a_line_is_broken_where_nothing_is_known() -> None:
    t_s = np.arange(0.0, 10.0) * 60.0
    values = np.array([1.0, 2.0, nan, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0])
    t_s[7:] += 3600.0
    found = [list(part) for _, part in runs(t_s, values, 900.0)]
    assert found == [[1.0, 2.0], [4.0, 5.0, 6.0, 7.0], [8.0, 9.0, 10.0]]
    line = Line("base", START_S + t_s, values, "base", 900.0)
    assert [len(run) for run in points(paths(plot(lines=[line]), "base"))] == [2, 4, 3]


@given(st.lists(st.floats(-40, 60), min_size=1, max_size=400), st.integers(1, 50))
def test_thinning_keeps_every_peak_of_every_column(values: list[float], columns: int) -> None:
    t_s = np.arange(len(values), dtype=np.float64)
    wide = max(1.0, len(values) / columns)
    kept_t, kept_v = thinned(t_s, np.array(values), wide)
    assert list(kept_t) == sorted(set(kept_t))
    assert all(values[int(t)] == v for t, v in zip(kept_t, kept_v, strict=True))
    for column in set(np.floor(t_s / wide)):
        every = np.array(values)[np.floor(t_s / wide) == column]
        kept = kept_v[np.floor(kept_t / wide) == column]
        assert (kept.min(), kept.max()) == (every.min(), every.max())
        assert (kept[0], kept[-1]) == (every[0], every[-1])


def test_a_spike_of_one_minute_in_three_weeks_is_drawn_and_the_rest_is_light() -> None:
    t_s = np.arange(START_S, START_S + 21 * DAY_S, 60.0)
    values = 20.0 + np.sin(t_s / 5000.0)
    values[12_345] = 31.0
    line = Line("base", t_s, values, "base", 900.0)
    made = plot(to_s=START_S + 21 * DAY_S, lines=[line])
    drawn = picture(made)
    (run,) = points(paths(made, "base"))
    low, high = float(drawn.get("data-low", "")), float(drawn.get("data-high", ""))
    x, y = min(run, key=lambda point: point[1])
    assert high - y / made.height_px * (high - low) == pytest.approx(31.0, abs=0.05)
    assert x == pytest.approx(1000 * 12_345 / (21 * 1440), abs=0.1)
    assert len(figure(made)) < 40_000


def test_points_stand_where_time_and_value_say() -> None:
    t_s = START_S + np.array([0.0, 0.25, 0.5, 1.0]) * DAY_S
    line = Line("base", t_s, np.array([10.0, 15.0, 20.0, 10.0]), "base")
    made = plot(lines=[line], low=0.0, high=40.0)
    assert points(paths(made, "base")) == [
        [(0.0, 112.5), (250.0, 93.8), (500.0, 75.0), (1000.0, 112.5)]
    ]


def test_a_stepped_line_holds_its_value_from_before_the_plot_to_its_end() -> None:
    t_s = START_S + np.array([-5.0, 0.5, 0.75]) * DAY_S
    line = Line("target", t_s, np.array([20.0, 10.0, 10.0]), "target", stepped=True)
    made = plot(lines=[line], low=0.0, high=40.0)
    assert paths(made, "target") == "M0 75H500V112.5H750H1000"


def test_bands_and_gaps_are_cut_to_the_plot_and_the_shortest_gap_is_seen() -> None:
    band = Band("good band", [(START_S - DAY_S, START_S + DAY_S / 2, 18.0, 22.0)])
    gap = Span(START_S + DAY_S / 2, START_S + DAY_S / 2 + 1.0)
    made = plot(bands=[band], spans=[gap, Span(0.0, START_S - 1.0)], low=0.0, high=40.0)
    assert paths(made, "band") == "M0.0 67.5H500.0V82.5H0.0Z"
    assert paths(made, "gap") == "M500.0 150V0H501.5V150"
    assert "no record" in figure(made)


def test_marks_too_near_for_two_labels_share_one() -> None:
    at = [0.1, 0.3, 0.32, 0.6, 2.0]
    marks = [Mark(START_S + s * DAY_S, str(n), f"entry {n}") for n, s in enumerate(at, 1)]
    drawn = picture(plot(marks=marks))
    labels = drawn.findall("text[@class='m']")
    assert ["".join(one.itertext()) for one in labels] == [
        "entry 11",
        "entry 2; entry 32–3",
        "entry 44",
    ]
    assert len(drawn.findall(".//line[@class='mark']")) == 4


HOSTILE = "<script>alert('1')</script>\"&\x00\x1b]]>"


def test_no_text_is_taken_for_markup() -> None:
    t_s = np.array([START_S, START_S + 60.0])
    made = plot(
        title=HOSTILE,
        unit=HOSTILE,
        lines=[Line(HOSTILE, t_s, t_s, "base")],
        bands=[Band(HOSTILE, [])],
        marks=[Mark(START_S, HOSTILE, HOSTILE)],
    )
    text = figure(made)
    assert "<script" not in text
    assert "\x00" not in text
    read = ElementTree.fromstring(text)  # one sound tree, and the text comes back out of it
    told = "".join(read.itertext())
    assert told.count("<script>alert('1')</script>") >= 5


def test_described_for_those_who_do_not_see_it() -> None:
    read = picture(plot()).find("title")
    assert read is not None
    assert read.text == "Base, 3 Mar 2026 to 4 Mar 2026: base 20.0 to 20.0 °C"
    assert picture(plot()).get("role") == "img"


def test_nothing_on_record_is_said_and_an_unknown_look_refused() -> None:
    nothing = Line("VPD", np.array([START_S]), np.array([nan]), "vpd")
    text = figure(plot(lines=[nothing]))
    assert "nothing on record" in text
    assert "VPD not on record" in text
    with pytest.raises(ValueError, match="no look 'x'"):
        figure(plot(lines=[nothing._replace(look="x")]))
    with pytest.raises(ValueError, match="shows nothing"):
        figure(plot(to_s=START_S))


def test_every_look_has_a_style_and_lines_shown_together_differ_in_dashes() -> None:
    rules = {
        look: match[0]
        for look in LOOKS
        if (match := re.search(rf"\.plot \.{look}\{{[^}}]*\}}", STYLE))
    }
    assert set(rules) == set(LOOKS)
    for together in (("base", "top", "house", "target"), ("vpd", "humidity")):
        dashes = [re.findall(r"dasharray:([\d ]+)", rules[look]) for look in together]
        assert len({tuple(dash) for dash in dashes}) == len(together)


def luminance(colour: str) -> float:
    """Relative luminance of sRGB, WCAG 2.2."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    lin = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * lin[0] + 0.7152 * lin[1] + 0.0722 * lin[2]


def test_lines_stand_out_from_paper_and_from_the_band() -> None:
    """WCAG 2.2 criterion 1.4.11: 3:1 for what must be seen, and 1.4.3: 4.5:1 for text."""

    def full(name: str) -> str:
        found = re.search(rf"var\(--plot-{name},(#[0-9a-f]+)\)", STYLE)
        assert found
        colour = found[1]
        return colour if len(colour) == 7 else "#" + "".join(2 * c for c in colour[1:])

    for ground in ("#ffffff", full("band"), full("gap"), full("night"), full("due")):
        light = luminance(ground)
        for look in (*LOOKS, "mark"):
            assert (light + 0.05) / (luminance(full(look)) + 0.05) >= 3.0, (look, ground)
        assert (light + 0.05) / (luminance(full("text")) + 0.05) >= 4.5


def test_the_caption_names_every_line_and_band() -> None:
    caption = figure_element(plot(bands=[Band("good band", [])])).find("figcaption")
    assert caption is not None
    assert "".join(caption.itertext()) == "Base, °Cbasegood band"
