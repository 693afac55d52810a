"""What a page lets be seen: what is wrong, how old, where between its limits, and nothing false."""

import io
import re
import time
from itertools import combinations

import numpy as np
import pytest
from PIL import Image

from simulator.faults import make_fault

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]

SCHEMES = pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
EVERY_PATH = ("/", "/bench/north", "/alarms", "/batches", "/batch/1", "/compare", "/records",
              "/settings", "/stick?plant=Hebe&kind=semi_ripe", "/batch/1/tested")  # fmt: skip


# -- 1: the first look ----------------------------------------------------------------------------


@pytest.mark.parametrize("script", [True, False], ids=["script", "no script"])
@pytest.mark.parametrize("width", [360, 390])
def test_01_a_phone_shows_what_is_wrong_what_to_do_and_how_old_it_is_without_scrolling(
    show, urgent, width, script
):
    page = show(urgent, "/", width=width, height=640, script=script)
    for words in ("Base very cold: 11.8", "Do:", "As of", "just now", "Seen, I see to it"):
        box = page.get_by_text(words).first.bounding_box()
        assert box is not None, words
        assert box["y"] >= 0, words
        assert box["y"] + box["height"] <= 640, words


def test_01_with_many_alarms_the_worst_is_still_over_the_fold(show, troubled):
    page = show(troubled, "/", width=360, height=640)
    card = page.locator("article.call")
    assert card.count() == 1
    assert card.get_attribute("class") == "call p1"
    button = card.get_by_role("button").bounding_box()
    assert button["y"] + button["height"] <= 640
    assert page.locator(".also li").count() == 6, "the others stand below, worst first"


def test_01_a_calm_phone_says_so_at_once(show, calm):
    page = show(calm, "/", width=360, height=640)
    for words in ("Nothing needs you", "As of"):
        box = page.get_by_text(words).first.bounding_box()
        assert box["y"] + box["height"] <= 640


# -- 3: word and shape ----------------------------------------------------------------------------


def grey(page, locator):
    """A drawing as a grey picture of 20 x 20."""
    page.evaluate("document.documentElement.style.filter = 'grayscale(1)'")
    made = Image.open(io.BytesIO(locator.screenshot())).convert("L").resize((20, 20))
    return np.asarray(made, dtype=float)


@SCHEMES
def test_03_every_alarm_has_a_word_and_a_shape_of_its_priority(show, troubled, dark):
    page = show(troubled, "/alarms", width=390, dark=dark)
    seen = set()
    for card in page.locator("article.call").all():
        urgency = card.locator(".urgency").inner_text()
        drawn = card.locator("svg.sign > :first-child")
        shape = drawn.get_attribute("d") or "circle"
        seen.add((urgency, shape))
    assert {words for words, _ in seen} == {"1 now", "2 today", "3 when you next look"}
    assert len(seen) == len({shape for _, shape in seen}) == 3


@SCHEMES
def test_03_greyscale_still_tells_states_apart(show, troubled, dark):
    """The signs differ by what is seen of them without colour, new from seen by the outline."""
    page = show(troubled, "/alarms", width=390, dark=dark)
    cards = page.locator("article.call")
    first = {cards.nth(i).get_attribute("class").split()[1]: cards.nth(i)
             for i in range(cards.count())}  # fmt: skip
    signs = {name: grey(page, card.locator("svg.sign")) for name, card in first.items()}
    assert set(signs) == {"p1", "p2", "p3"}
    for one, other in combinations(signs.values(), 2):
        assert np.abs(one - other).mean() > 12.0, "of 255, over every dot of the sign"
    for card in cards.all():
        width = card.evaluate("(one) => parseFloat(getComputedStyle(one).borderTopWidth)")
        new = "seen" not in card.get_attribute("class").split()
        assert width == (2 if new else 1)
        assert ("new" if new else "seen") in card.locator(".rank").inner_text()


def test_03_lines_of_a_plot_differ_by_more_than_colour(show, calm):
    page = show(calm, "/bench/north", width=1280)
    for plot in page.locator(".plot").all():
        looks = plot.evaluate(
            """(one) => [...new Map([...one.querySelectorAll("svg svg path")].map((p) => {
              const look = getComputedStyle(p);
              return [p.getAttribute("class"), [look.strokeDasharray, look.strokeWidth].join()];
            })).entries()].filter(([name]) => /^(base|top|house|target)$/.test(name))"""
        )
        assert len({look for _, look in looks}) == len(looks), looks


def test_03_a_mat_that_heats_is_told_by_a_word_as_well(show, calm):
    page = show(calm, "/bench/north")
    drawn = "on" in page.locator(".section .mat").get_attribute("class").split()
    told = page.locator(".section").text_content()
    assert f"mat, ordered {'on' if drawn else 'off'}" in told


# -- 5 and 6: a value, its limits, its past; top over base ----------------------------------------


@pytest.mark.parametrize("width", [360, 390, 1280])
@pytest.mark.parametrize("path", ["/", "/bench/north"])
def test_05_no_number_stands_alone(show, calm, path, width):
    page = show(calm, path, width=width)
    values = page.locator(".measure, .pair").all()
    assert len(values) >= 1
    for one in values:
        assert one.locator("svg.rail, svg.lean").count() == 1
        past = one.locator(".plot > svg[data-from-s]")
        assert past.count() == 1
        span_s = float(past.get_attribute("data-to-s")) - float(past.get_attribute("data-from-s"))
        assert span_s == 86_400
    big = page.locator("main .number, main .told .big")
    assert big.count() == page.locator(":is(.measure, .pair) :is(.number, .told .big)").count()


def test_05_base_stands_on_a_bar_with_its_set_point_and_both_limits(show, calm):
    page = show(calm, "/bench/north")
    rule = page.locator("#base-north-left svg.rail")
    assert rule.locator(".good").count() == 1
    assert rule.locator(".aim").count() == 1
    assert rule.locator(".limit").count() == 2
    at = {name: rule.locator(name).bounding_box()["x"] for name in (".aim", ".here")}
    low, high = sorted(one.bounding_box()["x"] for one in rule.locator(".limit").all())
    assert low < at[".aim"] < high
    assert low < at[".here"] < high


@pytest.mark.parametrize("width", [360, 390, 1280])
def test_06_top_is_drawn_over_the_base_and_their_difference_is_a_value_of_its_own(
    show, calm, width
):
    page = show(calm, "/bench/north", width=width)
    places = [page.locator(".section .value").nth(i).bounding_box()["y"] for i in range(3)]
    assert places == sorted(places), "house, top, base"
    names = {t.text_content(): t.bounding_box()["y"] for t in page.locator(".section .name").all()}
    top = next(y for words, y in names.items() if words.startswith("top"))
    assert names["house"] < names["cover"] < top < names["compost"]
    apart = page.locator("#lean-north-left")
    assert apart.locator("h3").inner_text() == "Base minus top"
    told_k = float(apart.locator(".number").inner_text().split("\u00a0")[0].replace("−", "-"))
    base_c, top_c = (
        float(page.locator(f"#{key} .number").inner_text().split("\u00a0")[0])
        for key in ("base-north-left", "top-north")
    )
    assert told_k == pytest.approx(base_c - top_c, abs=0.11)
    page = show(calm, "/", width=width)
    top, base = (one.bounding_box()["y"] for one in page.locator("svg.lean .value").all())
    assert top < base


# -- 7: what is old or missing --------------------------------------------------------------------


@pytest.fixture(scope="module")
def silent(make_page, still):
    """A bench whose base probes fell silent six minutes ago: (kept, the last base it read)."""
    kept = make_page(plant="Lavandula angustifolia", kind="semi_ripe", days=1.1, plays=False)
    last_c = kept.live.board.latest.snapshot.benches["north"].bays["left"].base_c
    names = ("north.left.base1", "north.left.base2")
    begun_h = kept.live.rehearsal.elapsed_s / 3600.0
    kept.live.rehearsal.rig.strike(
        tuple(make_fault("probe_silent", 1, begun_h, target=name) for name in names)
    )
    kept.live.hasten(6 / 1440)
    still(kept.live)
    return kept, last_c


@SCHEMES
@pytest.mark.parametrize("width", [360, 390, 1280])
def test_07_old_value_is_struck_out_with_its_age_and_the_word_stale(show, silent, width, dark):
    kept, last_c = silent
    page = show(kept, "/bench/north", width=width, dark=dark)
    base = page.locator("#base-north-left")
    old = base.locator("s.number")
    assert re.fullmatch(r"\d+\.\d\u00a0°C", old.inner_text())
    assert abs(float(old.inner_text().split("\u00a0")[0]) - last_c) < 0.5
    look = old.evaluate(
        "(one) => [getComputedStyle(one).textDecorationLine, getComputedStyle(one).color]"
    )
    pencil = base.locator(".quiet").evaluate("(one) => getComputedStyle(one).color")
    assert look == ["line-through", pencil]
    assert re.search(r"stale, \d\u00a0min old", base.inner_text())
    assert base.locator("svg.rail .here").count() == 0, "no mark where nothing is known"


def test_07_what_is_not_known_is_no_reading_and_never_a_number(show, silent):
    kept, _ = silent
    page = show(kept, "/bench/north")
    assert page.locator("#lean-north-left .number").inner_text() == "no reading"
    for path in ("/", "/bench/north"):
        page = show(kept, path)
        undecorated = page.evaluate(
            """() => {
              const walk = document.createTreeWalker(document.querySelector("main"),
                NodeFilter.SHOW_TEXT), found = [];
              for (let at = walk.nextNode(); at; at = walk.nextNode()) {
                const one = at.parentElement;
                if (!one.closest("s, table, .plot, li")) found.push(at.textContent);
              }
              return found.join(" ");
            }"""
        )
        assert "no reading" in undecorated
        assert re.search(r"[Bb]ase:? (−?\d|0\.0)", undecorated) is None
        assert "nan" not in undecorated.lower()


# -- 8: a server that is lost ---------------------------------------------------------------------


def test_08_a_lost_server_is_said_across_the_top_within_15_s_and_greys_everything(show, make_page):
    kept = make_page(days=0.1)
    pages = [
        show(kept, path, clock=True, width=width, dark=dark)
        for path, width, dark in (("/", 360, False), ("/bench/north", 1280, True),
                                  ("/batch/1/tested", 390, False))
    ]  # fmt: skip
    pages[0].wait_for_timeout(300)
    kept.live.server.stop()
    for page in pages:
        page.clock.pause_at(page.evaluate("Date.now()") / 1000 + 1.0)
    for page in pages:
        page.clock.run_for(9_000)
        assert page.locator("#lost").is_hidden()
        page.clock.run_for(7_000)
        page.wait_for_selector("#lost:not([hidden])", timeout=5_000)
        box = page.locator("#lost").bounding_box()
        assert box["y"] <= 1
        assert box["width"] >= page.locator("body").bounding_box()["width"]
        assert "No word from Warmfoot for" in page.locator("#lost").inner_text()
        assert page.title().startswith("No word: "), "where another tab is in front"
        for part in ("main", "header"):
            look = page.locator(part).evaluate("(one) => getComputedStyle(one).filter")
            assert "grayscale(1)" in look


def test_08_the_warning_goes_when_the_server_is_heard_again_and_the_tab_tells_of_alarms(
    show, make_page, still, very_cold
):
    kept = make_page(days=0.1, plays=False)
    page = show(kept, "/", clock=True)
    assert page.title() == "Alder Lane Nursery - Warmfoot"
    page.context.set_offline(True)
    page.clock.run_for(17_000)
    page.wait_for_selector("#lost:not([hidden])", timeout=5_000)
    assert page.title() == "No word: Alder Lane Nursery - Warmfoot"
    still(kept.live, **very_cold)
    page.context.set_offline(False)
    page.wait_for_selector('[data-alarm="base_very_cold-north.left"]', timeout=20_000)
    assert page.locator("#lost").is_hidden()
    assert page.title() == "(1) Alder Lane Nursery - Warmfoot"


@pytest.mark.parametrize("path", EVERY_PATH)
def test_08_no_kept_page_can_pose_as_live(calm, path):
    """Not kept by the browser, and asked for anew without a script unless somebody types."""
    answer = calm.browser.ask(path)
    assert answer.headers["cache-control"] == "no-store"
    typed = 'class="typed"' in answer.text
    assert ('<noscript><meta http-equiv="refresh" content="30"' in answer.text) is not typed


def test_08_a_controller_that_hangs_is_said_by_the_page(show, make_page):
    kept = make_page(days=0.1, plays=False)
    moment = kept.live.board.latest
    kept.live.board.latest = moment._replace(seen_s=time.monotonic() - 40.0)
    page = show(kept, "/", script=False)
    assert "The controller has said nothing for 4" in page.locator(".age").inner_text()
    assert page.title() == "No word: Alder Lane Nursery - Warmfoot"
    look = page.locator("main").evaluate("(one) => getComputedStyle(one).filter")
    assert "grayscale(1)" in look


def test_08_age_grows_while_nothing_is_heard(show, make_page):
    kept = make_page(days=0.1)
    page = show(kept, "/", clock=True)
    assert "GMT, just now" in page.locator(".age").inner_text()
    kept.live.server.stop()
    page.clock.run_for(9_000)
    assert re.fullmatch(r", (8|9|10)\ss ago", page.locator("#ago").text_content())
