"""The page in a real browser: light and dark, narrow and wide, by keyboard, without a script."""

import os
import re
import shutil
import time
from itertools import pairwise

import pytest

from controller.decide.state import AlarmState

sync_api = pytest.importorskip("playwright.sync_api")
pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]

PATHS = ("/", "/bench/north", "/alarms", "/batches", "/batch/1",
         "/stick?plant=Hebe&kind=semi_ripe", "/batch/1/closed",
         "/compare", "/records", "/settings")  # fmt: skip
WIDTHS = (320, 360, 390, 1280)
URGENT = AlarmState(
    state="UNACK",
    under="UNACK",
    priority=1,
    raised_utc_s=1_772_500_000.0,
    text="Base very cold: 11.8 °C, limit 12.0 °C",
)
SATURATED = """() => {
  const found = [];
  const saturation = (text) => {
    const m = text.match(/rgba?\\(([\\d.]+), ([\\d.]+), ([\\d.]+)(?:, ([\\d.]+))?\\)/);
    if (!m || m[4] === "0") return 0;
    const [r, g, b] = [m[1], m[2], m[3]].map((one) => one / 255);
    const high = Math.max(r, g, b), low = Math.min(r, g, b), light = (high + low) / 2;
    return high === low ? 0 : (high - low) / (1 - Math.abs(2 * light - 1));
  };
  for (const one of document.querySelectorAll("body, body *")) {
    const look = getComputedStyle(one);
    for (const key of ["color", "backgroundColor", "borderTopColor", "borderLeftColor", "fill",
                       "stroke", "outlineColor"]) {
      if (saturation(look[key]) > 0.25)
        found.push([one.closest("[id]")?.id, one.tagName, key, look[key]]);
    }
  }
  return found;
}"""
CONTRAST = """() => {
  const rgb = (text) => {
    const m = text.match(/rgba?\\(([\\d.]+), ([\\d.]+), ([\\d.]+)(?:, ([\\d.]+))?\\)/);
    return m && m[4] !== "0" ? [m[1], m[2], m[3]].map(Number) : null;
  };
  const bright = (c) => {
    const [r, g, b] = c.map((v) => v / 255).map((v) =>
      v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const behind = (one) => {
    for (let at = one; at; at = at.parentElement) {
      const c = rgb(getComputedStyle(at).backgroundColor);
      if (c) return c;
    }
    return [255, 255, 255];
  };
  const found = [];
  for (const one of document.querySelectorAll("body *")) {
    const own = [...one.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    if (!own || one.closest(".unseen, title, noscript, script, .skip, [hidden]")) continue;
    const look = getComputedStyle(one);
    const ink = rgb(one.namespaceURI.endsWith("svg") ? look.fill : look.color);
    if (!ink) continue;
    const sign = one.closest(".sign")?.querySelector("path:not(.ring)");
    const ground = sign ? rgb(getComputedStyle(sign).fill) : behind(one);
    const [high, low] = [bright(ink), bright(ground)].sort((a, b) => b - a);
    const ratio = (high + 0.05) / (low + 0.05);
    const size = parseFloat(look.fontSize);
    const large = size >= 24 || (size >= 18.66 && parseInt(look.fontWeight) >= 700);
    if (ratio < (large ? 3 : 4.5))
      found.push([one.tagName, one.className.baseVal ?? one.className, one.textContent.slice(0, 40),
                  ratio.toFixed(2)]);
  }
  return found;
}"""


OUTLINES = """() => {
  const rgb = (text) => (text.match(/[\\d.]+/g) || []).slice(0, 3).map(Number);
  const bright = (c) => {
    const [r, g, b] = c.map((v) => v / 255).map((v) =>
      v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ground = bright(rgb(getComputedStyle(document.documentElement).backgroundColor));
  const sheet = (one) => {
    for (let at = one.parentElement; at; at = at.parentElement) {
      const text = getComputedStyle(at).backgroundColor;
      if (!/, 0\\)$/.test(text)) return bright(rgb(text));
    }
    return ground;
  };
  const found = [];
  const drawn = ".plot path:is(.base, .top, .house, .target, .vpd, .mat, .film), .plot .frame, " +
    ".rail .rule, .rail .limit, .rail .good, .lean .rule, .stem, .section .cover, .section .mat, " +
    ".section .bracket, .section .good, button, input:not([type=hidden]), select";
  for (const one of document.querySelectorAll(drawn)) {
    const look = getComputedStyle(one);
    const line = one.namespaceURI.endsWith("svg") ? look.stroke : look.borderTopColor;
    const [high, low] = [bright(rgb(line)), sheet(one)].sort((a, b) => b - a);
    const ratio = (high + 0.05) / (low + 0.05);
    if (ratio < 3) found.push([one.tagName, one.getAttribute("class"), line, ratio.toFixed(2)]);
  }
  return [document.querySelectorAll(drawn).length, found];
}"""


@pytest.fixture(scope="module")
def chromium():
    """A browser; where there is none the tests say so, and fail in CI."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        why = "no chromium here; install it: apt-get install chromium"
        if os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def calm(make_page):
    """A bench on which all is well, standing still."""
    return make_page(plant="Lavandula angustifolia", kind="semi_ripe", days=1.1, plays=False)


@pytest.fixture(scope="module")
def urgent(make_page, still):
    """A bench with an alarm of priority 1, standing still."""
    kept = make_page(plant="Lavandula angustifolia", kind="semi_ripe", days=1.1, plays=False)
    still(kept.live, base_very_cold=URGENT)
    return kept


@pytest.fixture
def show(chromium):
    """show(kept, path, width=, dark=, script=, clock=) -> the page as it stands in a browser.

    clock: its time is turned by hand.
    """
    made = []

    def open_page(kept, path, *, width=360, height=640, dark=False, script=True, clock=False):
        context = chromium.new_context(
            viewport={"width": width, "height": height},
            color_scheme="dark" if dark else "light",
            java_script_enabled=script,
        )
        made.append(context)
        page = context.new_page()
        if clock:
            page.clock.install()
        page.faults, page.asked = [], []
        page.on("pageerror", lambda error: page.faults.append(str(error)))
        page.on("console", lambda said: page.faults.append(said.text))
        page.on("request", lambda request: page.asked.append(request.url))
        page.goto(f"http://127.0.0.1:{kept.browser.port}{path}")
        return page

    yield open_page
    for context in made:
        context.close()


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("path", PATHS)
def test_nothing_is_saturated_while_all_is_well(show, calm, path, dark):
    page = show(calm, path, dark=dark)
    assert page.evaluate(SATURATED) == []


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_one_urgent_alarm_colours_itself_and_nothing_else(show, urgent, dark):
    found = show(urgent, "/", dark=dark).evaluate(SATURATED)
    assert found
    assert {place for place, *_ in found} == {"call-base_very_cold-north.left"}


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("kept", ["calm", "urgent"])
def test_text_stands_out_from_what_is_behind_it(request, show, kept, path, dark):
    """WCAG 2.2, 1.4.3: 4.5 to 1, large text 3 to 1."""
    page = show(request.getfixturevalue(kept), path, dark=dark)
    assert page.evaluate(CONTRAST) == []


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("path", PATHS)
def test_lines_and_outlines_stand_out_from_what_is_behind_them(show, urgent, path, dark):
    """WCAG 2.2, 1.4.11: 3 to 1 for controls and for what a drawing needs to be understood."""
    count, found = show(urgent, path, dark=dark).evaluate(OUTLINES)
    assert count > 3 or path in ("/compare", "/records", "/settings"), "those have few controls"
    assert found == []


@pytest.mark.parametrize("path", ["/", "/bench/north"])
def test_no_number_stands_alone(show, calm, path):
    """Each main value has its limits and its last day beside it."""
    page = show(calm, path, width=1280)
    values = page.locator(".measure, .pair").all()
    assert len(values) >= 1
    for one in values:
        assert one.locator("svg.rail, svg.lean").count() == 1
        assert one.locator(".plot > svg").count() == 1


def test_age_is_told_beside_the_time_and_grows_while_nothing_is_heard(show, make_page):
    kept = make_page(days=0.1)
    page = show(kept, "/", clock=True)
    assert "GMT, just now" in page.locator(".age").inner_text()
    kept.live.server.stop()
    page.clock.run_for(9_000)
    assert re.fullmatch(r", (8|9|10) s ago", page.locator("#ago").text_content())


def test_a_phone_shows_what_is_wrong_what_to_do_and_how_old_it_is_without_scrolling(show, urgent):
    page = show(urgent, "/", width=360, height=640)
    for words in ("Base very cold: 11.8", "Do:", "As of", "Seen, I see to it"):
        box = page.get_by_text(words).first.bounding_box()
        assert box is not None, words
        assert box["y"] >= 0, words
        assert box["y"] + box["height"] <= 640, words


def test_alarm_is_told_by_word_and_shape_not_by_colour_alone(show, urgent):
    card = show(urgent, "/").locator("article.call")
    assert "1 now" in card.inner_text()
    assert "new" in card.inner_text()
    assert card.locator("svg.sign path").get_attribute("d") == "M10 1L19 18H1Z"


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_runs_out_of_the_side(show, urgent, path, width):
    """WCAG 2.2, 1.4.10: reflow at 320 px, which is also 200 % zoom of a narrow window."""
    page = show(urgent, path, width=width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_no_request_leaves_the_machine_and_no_script_fails(show, urgent):
    for path in PATHS:
        page = show(urgent, path)
        page.wait_for_timeout(300)
        own = f"http://127.0.0.1:{urgent.browser.port}/"
        assert page.asked
        assert [url for url in page.asked if not url.startswith((own, "data:"))] == []
        assert page.faults == []


@pytest.mark.parametrize("path", PATHS)
def test_everything_can_be_read_without_a_script(show, calm, path):
    page = show(calm, path, script=False)
    text = page.locator("main").inner_text()
    assert len(text) > 100 or path == "/alarms"
    if path in ("/", "/bench/north"):
        assert "°C" in page.locator("main").text_content()
        assert " K" in text.replace("\u00a0", " ")


def test_acts_work_without_a_script(show, make_page):
    kept = make_page(days=0.1)
    page = show(kept, "/bench/north", script=False)
    page.locator("summary", has_text="Heat by hand").click()
    page.locator("form", has_text="Hold heat").get_by_role("button").click()
    assert "Hold the heat of North bench, bay left off?" in page.locator("h1").inner_text()
    page.get_by_role("button", name="Hold heat off").click()
    assert "Done: heat held off for 30 min" in page.locator(".said").inner_text()


def test_page_moves_by_itself_without_losing_its_place(show, make_page):
    kept = make_page(days=0.1)
    page = show(kept, "/", height=400)
    page.locator("nav a", has_text="Alarms").focus()
    page.evaluate("document.body.dataset.mark = 'the same page'; scrollTo(0, 120)")
    before = page.locator("#age").inner_text()
    page.wait_for_function(
        "before => document.querySelector('#age').innerText !== before", arg=before, timeout=10_000
    )
    assert page.evaluate("document.body.dataset.mark") == "the same page"
    assert page.evaluate("document.activeElement.innerText").startswith("Alarms")
    assert page.evaluate("scrollY") == 120


def test_page_can_be_held_still_and_goes_on(show, make_page):
    kept = make_page(days=0.1)
    page = show(kept, "/")
    page.locator("#pause").click()
    page.wait_for_timeout(300)
    held = page.locator("#age").inner_text()
    page.wait_for_timeout(3000)
    assert page.locator("#age").inner_text() == held
    page.locator("#pause").click()
    page.wait_for_function(
        "held => document.querySelector('#age').innerText !== held", arg=held, timeout=10_000
    )


def test_server_that_is_lost_is_said_across_the_top_and_greys_everything(show, make_page):
    kept = make_page(days=0.1)
    page = show(kept, "/", clock=True)
    page.wait_for_timeout(300)
    kept.live.server.stop()
    page.clock.run_for(13_000)
    assert page.locator("#lost").is_hidden()
    page.clock.run_for(2_500)
    page.wait_for_selector("#lost:not([hidden])", timeout=5_000)
    box = page.locator("#lost").bounding_box()
    assert box["y"] <= 1
    assert "No word from Warmfoot for" in page.locator("#lost").inner_text()
    assert "grayscale(1)" in page.evaluate(
        "getComputedStyle(document.querySelector('main')).filter"
    )


def test_controller_that_hangs_is_said_by_the_page(show, make_page):
    kept = make_page(days=0.1, plays=False)
    moment = kept.live.board.latest
    kept.live.board.latest = moment._replace(seen_s=time.monotonic() - 40.0)
    page = show(kept, "/", script=False)
    assert "The controller has said nothing for 4" in page.locator(".age").inner_text()
    assert "grayscale(1)" in page.evaluate(
        "getComputedStyle(document.querySelector('main')).filter"
    )


@pytest.mark.parametrize("path", PATHS)
def test_whole_page_goes_by_keyboard_in_the_order_it_is_seen(show, urgent, path):
    page = show(urgent, path, width=360)
    count = page.locator(
        "a[href]:visible, button:visible, summary:visible, select:visible, textarea:visible, "
        "input:visible:not([type=hidden]):not([type=radio]), input[type=radio]:checked"
    ).count()
    reached = []
    for _ in range(count + 8):  # a field for day and time is several stops
        page.keyboard.press("Tab")
        seen = page.evaluate(
            """() => {
              const one = document.activeElement;
              if (!one || one === document.body) return null;
              const box = one.getBoundingClientRect(), look = getComputedStyle(one);
              return [one.innerText, box.top + scrollY, box.left, look.outlineStyle, one.className,
                      box.bottom >= 24 && box.top <= innerHeight - 24];
            }"""
        )
        if seen is None:
            break
        reached.append(seen)
    assert len(reached) >= count
    assert all(ring == "solid" for *_, ring, _, _ in reached), "the ring is seen"
    assert [seen for seen in reached if not seen[-1]] == [], "and never hidden"
    tops = [top for _, top, _, _, look, _ in reached if look != "skip"]
    assert all(later >= earlier - 24 for earlier, later in pairwise(tops))


@pytest.mark.parametrize("path", ["/", "/bench/north", "/alarms"])
def test_what_is_pressed_is_large_enough_for_a_thumb(show, urgent, path):
    """WCAG 2.2, 2.5.5: 44 px for acts; 2.5.8: 24 px for the rest."""
    page = show(urgent, path, width=360)
    for what, least in (("main button", 44), ("nav a, main summary, #pause", 24)):
        found = page.evaluate(
            """what => [...document.querySelectorAll(what)].map((one) =>
              [one.innerText, one.getBoundingClientRect().height]).filter(([, high]) => high)""",
            what,
        )
        assert found
        assert [one for one in found if one[1] < least] == []


@pytest.mark.parametrize("path", PATHS)
def test_no_page_is_heavier_than_a_slow_line_bears(urgent, path):
    answer = urgent.browser.ask(path, headers={"Accept-Encoding": "gzip"})
    assert int(answer.headers["content-length"]) < 150_000


def test_page_that_gets_no_stream_asks_by_itself(show, make_page, monkeypatch):
    monkeypatch.setattr("controller.page.stream.STREAMS_MOST", 0)
    kept = make_page(days=0.1)
    page = show(kept, "/")
    before = page.locator("#age").inner_text()
    page.wait_for_function(
        "before => document.querySelector('#age').innerText !== before", arg=before, timeout=20_000
    )
    assert any("/parts?" in url for url in page.asked)
    assert page.locator("#lost").is_hidden()


def test_new_alarm_is_told_to_a_screen_reader_at_once_when_urgent(show, make_page, still):
    kept = make_page(plant="Lavandula angustifolia", kind="semi_ripe", days=1.1, plays=False)
    page = show(kept, "/")
    page.wait_for_timeout(2500)
    assert page.locator("#urgent").inner_text() == ""
    still(kept.live, base_very_cold=URGENT)
    page.wait_for_function(
        "() => document.querySelector('#urgent').textContent !== ''", timeout=10_000
    )
    assert "Base very cold: 11.8" in page.locator("#urgent").text_content()
    assert page.locator("#urgent").get_attribute("aria-live") == "assertive"


def test_plot_is_read_off_where_the_pointer_is(show, calm):
    page = show(calm, "/bench/north", width=1280, height=900)
    area = page.locator("#base-north-left-past .plot > svg > svg").bounding_box()
    page.mouse.move(area["x"] + 0.95 * area["width"], area["y"] + 20)
    told = page.locator(".readout output").inner_text()
    seen = re.fullmatch(r"\w+,? \d+ Mar,? \d\d:\d\d: base (\d+\.\d) °C", told)
    assert seen, told
    known = page.locator("#base-north-left .number").inner_text()
    assert abs(float(seen[1]) - float(known.split("\u00a0")[0])) < 1.5
    page.mouse.move(5, 5)
    assert page.locator(".readout").count() == 0


def test_gap_is_read_off_as_nothing_on_record(show, calm):
    """Nothing was recorded before the rehearsal began, a little more than a day ago."""
    page = show(calm, "/bench/north?span=7d", width=1280, height=900)
    area = page.locator("#lean-north-left-past .plot > svg > svg").bounding_box()
    page.mouse.move(area["x"] + 0.2 * area["width"], area["y"] + 20)
    assert page.locator(".readout output").inner_text().endswith("nothing on record")
