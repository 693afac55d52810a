"""Points of the page that hold for every page, light and dark, on a phone and on a desk.

The sixteen points that the page is accepted by are numbered in the names of the tests here and in
the files beside this one; DEVELOPERS.md lists them. WCAG 2.2 is named where a point is its.
"""

import re
from itertools import pairwise

import pytest

from controller.faces import NOT_SAFETY

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]

WIDTHS = (360, 390, 1280)
ALARMED = {"overview", "bench", "alarms"}
"""Pages that show the alarm itself."""


def at_widths(page, widths=WIDTHS):
    """The page at each width, all that can be folded away open."""
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    for width in widths:
        page.set_viewport_size({"width": width, "height": 640})
        yield width


def test_02_nothing_is_saturated_while_all_is_well(calm_page):
    for width in at_widths(calm_page):
        assert calm_page.measure("saturated") == [], width


def test_02_one_urgent_alarm_colours_itself_and_nothing_else(urgent_page):
    for width in at_widths(urgent_page):
        found = urgent_page.measure("saturated")
        assert bool(found) is (urgent_page.name in ALARMED), width
        assert {place for place, *_ in found} <= {"call-base_very_cold-north.left"}, width


def test_04_text_stands_out_from_what_is_behind_it(calm_page):
    """WCAG 2.2, 1.4.3: 4.5 to 1, large text 3 to 1."""
    for width in at_widths(calm_page):
        assert calm_page.measure("pale") == [], width


def test_04_text_stands_out_beside_an_alarm(urgent_page):
    for width in at_widths(urgent_page):
        assert urgent_page.measure("pale") == [], width


def test_04_lines_and_outlines_stand_out_from_what_is_behind_them(urgent_page):
    """WCAG 2.2, 1.4.11: 3 to 1 for controls and for what a drawing needs to be understood."""
    for width in at_widths(urgent_page):
        count, found = urgent_page.measure("faint")
        assert count > 3 or urgent_page.name in ("records", "settings"), "those have few"
        assert found == [], width


def test_04_comparison_has_real_content(show, calm):
    """What the contrast of comparisons is measured on."""
    page = show(calm, "/compare?by=hormone")
    assert page.locator(".tray .sure").count() > 20
    assert page.locator(".tray .may").count() > 2
    assert page.locator(".curve .step").count() >= 4


def test_09_what_is_pressed_is_large_enough_for_a_thumb(urgent_page):
    """WCAG 2.2, 2.5.5: 44 px for acts; 2.5.8: 24 px, or as much room, for the rest."""
    for width in at_widths(urgent_page):
        count, found = urgent_page.measure("small")
        assert count > 4
        assert found == [], width


def test_09_a_risky_button_stands_apart_from_a_safe_one(urgent_page):
    for width in at_widths(urgent_page):
        gaps = urgent_page.measure("apart")
        assert len(gaps) >= (2 if urgent_page.name == "bench" else 0)
        assert all(gap >= 8 for gap in gaps), (width, gaps)


def test_12_nothing_blinks_or_moves_by_itself(urgent_page):
    assert urgent_page.measure("moving") == []


def test_15_nothing_is_lost_at_320_px_or_at_200_per_cent(urgent_page):
    """WCAG 2.2, 1.4.10 and 1.4.4; 200 % on a desk of 1280 px is a page of 640."""
    whole = None
    for width in at_widths(urgent_page, (1280, 640, 390, 360, 320)):
        over, outside = urgent_page.measure("outside")
        assert over <= 0, width
        assert outside == [], width
        words = urgent_page.locator("main").inner_text()
        shown = sorted(re.findall(r"\S+", words))
        assert whole in (None, shown), width
        whole = shown


# -- point 16: numbers ----------------------------------------------------------------------------

UNIT = (
    r"(?:°C|K\b|%|kPa min|kPa|min\b|s\b|h\b|d\b|days?\b|kWh|EUR|litres?|MB|mm|cm|W\b|m²|points|°"
    r"|degree-hours)"
)
DECIMAL = re.compile(r"(?<![\d.:])[+−]?\d+\.\d+(?![\d.])")
RANGE = re.compile(rf"^(?: (?:to|x|and|of|above|below)[a-z ]* [+−]?[\d.]+)*\s?{UNIT}")


def test_16_every_number_has_its_unit_and_as_many_places_as_its_probe_is_good_for(urgent_page):
    for _ in at_widths(urgent_page, (360,)):
        text = urgent_page.measure("words").replace("\u00a0", " ")
    text = re.sub(r"chance (?:< )?0\.\d+|\d\.\d times", "", text)  # numbers without a unit
    for found in DECIMAL.finditer(text):
        after = text[found.end() : found.end() + 40]
        assert RANGE.match(after), text[max(0, found.start() - 40) : found.end() + 40]
    for found in re.finditer(r"(\d+(?:\.(\d+))?) (°C|K\b)", text):
        assert len(found[2] or "") <= 1, found[0]
    assert re.search(r"humidity \d+\.", text) is None, "whole per cent"
    for found in urgent_page.locator(".number, .big, svg .value").all():
        words = found.text_content().replace("\u00a0", " ")
        assert re.fullmatch(rf"[+−]?\d+(\.\d+)? {UNIT}|no reading|Day \d+", words), words
        if words.endswith(("°C", " K")):
            assert re.search(r"\.\d ", words), "a probe is good for a tenth"
    for plot in urgent_page.locator(".plot").all():
        told = plot.locator(".label, figcaption").first.text_content()
        assert re.search(rf"{UNIT}|days|per cent", told), told


def test_16_time_is_local_with_its_zone_and_its_age_and_no_page_poses_as_a_safety_device(calm_page):
    told = calm_page.locator(".age").inner_text()
    assert re.match(r"As of \w{3} \d+ Mar \d\d:\d\d GMT, just now", told)
    assert NOT_SAFETY in calm_page.locator("footer").inner_text()


# -- point 10: by keyboard ------------------------------------------------------------------------

STOP = """() => {
  const one = document.activeElement;
  if (!one || one === document.body) return null;
  const box = one.getBoundingClientRect(), look = getComputedStyle(one);
  const over = Math.max(0, document.querySelector("#lost").getBoundingClientRect().bottom);
  return {words: one.innerText, top: box.top + scrollY, left: box.left, ring: look.outlineStyle,
    skip: one.className === "skip", ink: look.outlineColor,
    clear: box.bottom >= over + Math.min(24, box.height) && box.top <= innerHeight - 24};
}"""
STOPS = (
    "a[href]:visible, button:visible, summary:visible, select:visible, textarea:visible, "
    "input:visible:not([type=hidden]):not([type=radio]), input[type=radio]:checked"
)


def walked(page):
    """Every stop of the Tab key."""
    count = page.locator(STOPS).count()
    reached = []
    for _ in range(count + 8):  # a field for day and time is several stops
        page.keyboard.press("Tab")
        stop = page.evaluate(STOP)
        if stop is None:
            break
        reached.append(stop)
    assert len(reached) >= count
    return reached


@pytest.mark.parametrize("width", [360, 1280])
def test_10_whole_page_goes_by_keyboard_in_the_order_it_is_seen(urgent_page, width):
    """WCAG 2.2, 2.1.1, 2.4.7 and 2.4.11."""
    page = urgent_page
    page.set_viewport_size({"width": width, "height": 640})
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = false; })")
    page.evaluate("document.activeElement.blur(); scrollTo(0, 0)")
    page.locator("body").evaluate("(one) => { one.tabIndex = -1; one.focus(); }")
    reached = walked(page)
    page.locator("body").evaluate("(one) => one.removeAttribute('tabindex')")
    assert all(stop["ring"] == "solid" for stop in reached), "the ring is seen"
    assert [stop for stop in reached if not stop["clear"]] == [], "and never hidden"
    tops = [stop["top"] for stop in reached if not stop["skip"]]
    if width == 360:
        assert all(later >= earlier - 24 for earlier, later in pairwise(tops))


# -- beside the points ----------------------------------------------------------------------------


def test_no_request_leaves_the_machine_and_no_script_fails(calm_page):
    own = re.match(r"http://127\.0\.0\.1:\d+/", calm_page.url)[0]
    assert len(calm_page.asked) >= 3, "page, style, script"
    assert [url for url in calm_page.asked if not url.startswith((own, "data:"))] == []
    assert calm_page.faults == []


def test_no_page_is_heavier_than_a_slow_line_bears(urgent_page, urgent):
    path = urgent_page.url.partition(str(urgent.browser.port))[2]
    answer = urgent.browser.ask(path, headers={"Accept-Encoding": "gzip"})
    assert answer.headers["content-encoding"] == "gzip"
    assert int(answer.headers["content-length"]) < 150_000
