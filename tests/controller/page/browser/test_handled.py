"""How a page is handled: by keyboard, with risky acts asked twice, without a script, read aloud."""

import re

import pytest

from controller.decide.state import AlarmState
from controller.journal.reader import open_reader
from controller.records import Act

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]

WIDTHS = pytest.mark.parametrize("width", [360, 1280])


def held(priority, state, text):
    return AlarmState(
        state=state, under="UNACK", priority=priority, raised_utc_s=1_772_500_000.0, text=text
    )


COLD = held(2, "UNACK", "Base cold: 14.1 °C, limit 15.0 °C")


def acts(kept):
    with open_reader(kept.journal) as reader:
        return [one.act.kind for one in reader.acts()]


def tab_to(page, words):
    """Go by the Tab key alone until the focus is on what is called so."""
    for _ in range(60):
        page.keyboard.press("Tab")
        one = "document.activeElement"
        if words in (page.evaluate(f"{one}.name"), page.evaluate(f"{one}.innerText")):
            return
    raise AssertionError(f"{words!r} is not reached by keyboard")


# -- 9 and 10, beside what test_every_page.py measures ---------------------------------------------


def test_09_no_is_8_px_from_yes_where_an_act_is_asked_again(show, make_page):
    kept = make_page(days=0.1, plays=False)
    for width in (360, 390, 1280):
        page = show(kept, "/bench/north", width=width, script=False)
        page.locator("summary", has_text="Heat by hand").click()
        page.get_by_role("button", name="Hold ...").first.click()
        assert page.get_by_role("link", name="No, go back").is_visible()
        assert min(page.measure("apart")) >= 8
        page = show(kept, "/batch/1/closed", width=width)
        page.get_by_label("With roots").fill("3")
        page.get_by_role("button", name="Go on").click()
        assert page.get_by_role("link", name="No, go back").is_visible()
        assert min(page.measure("apart")) >= 8


def test_10_focus_is_never_under_the_bar_of_a_lost_server(show, make_page):
    kept = make_page(days=0.1)
    page = show(kept, "/bench/north", clock=True, height=500)
    kept.live.server.stop()
    page.clock.run_for(17_000)
    page.wait_for_selector("#lost:not([hidden])")
    hidden = page.evaluate(
        """() => {
          const found = [], bar = document.querySelector("#lost");
          const every = [...document.querySelectorAll("main a, main summary, main button")]
            .filter((one) => one.checkVisibility() && one.getBoundingClientRect().height);
          for (const one of every) {
            scrollBy(0, one.getBoundingClientRect().top - 5); // where the bar lies over it
            one.focus();
            if (one.getBoundingClientRect().top < bar.getBoundingClientRect().bottom)
              found.push(one.innerText);
          }
          return [every.length, found];
        }"""
    )
    assert hidden[0] > 4
    assert hidden[1] == []


# -- 11: risky acts -------------------------------------------------------------------------------


@pytest.mark.parametrize("script", [True, False], ids=["script", "no script"])
def test_11_an_override_is_asked_twice_with_its_effect_and_its_end_and_can_be_undone(
    show, make_page, script
):
    """By keyboard alone."""
    kept = make_page(days=0.1, day_takes_s=1800.0)  # a hold outlasts a slow browser
    page = show(kept, "/bench/north", script=script)
    tab_to(page, "Heat by hand")
    page.keyboard.press("Enter")
    tab_to(page, "minutes")
    page.keyboard.press("End")
    tab_to(page, "Hold ...")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=No, go back")
    assert page.locator("h1").inner_text() == "Hold the heat of North bench, bay left off?"
    told = page.locator("main").inner_text()
    assert "rooting slows" in told, "in plant words"
    assert re.search(r"It ends by itself at \d\d:\d\d on [23] Mar \(720 min\)", told)
    assert acts(kept) == [], "nothing was done yet"
    tab_to(page, "Hold heat off")
    page.keyboard.press("Enter")
    page.wait_for_selector(".said")
    assert "Done: heat held off for 720 min" in page.locator(".said").inner_text()
    page = show(kept, "/bench/north", script=script)
    page.get_by_role("button", name="Give back to the rules").first.click()
    page.wait_for_selector(".said")
    assert "Done" in page.locator(".said").inner_text()


@pytest.mark.parametrize("width", [320, 1280])
@pytest.mark.parametrize(
    ("place", "kind"), [("north.left", "hold_heat"), ("north", "hold_mist")], ids=["heat", "mist"]
)
def test_11_an_open_page_lets_anybody_undo_a_hold_given_elsewhere(
    show, make_page, place, kind, width
):
    """And the buttons that are there already stay where a finger is about to tap them."""
    kept = make_page(days=0.1, day_takes_s=1800.0)
    what = kind.removeprefix("hold_")
    page = show(kept, "/bench/north", width=width)
    fold = page.locator("details.byhand", has_text=f"{what.title()} by hand")
    fold.locator("summary").click()
    state, give = fold.locator(".held"), fold.get_by_role("button", name="Give back")
    hold = fold.get_by_role("button", name="Hold ...")

    def below() -> float:
        return hold.bounding_box()["y"] - fold.bounding_box()["y"]

    before = below()
    assert state.inner_text() == f"The rules have the {what}."
    fold.get_by_label("for").first.focus()
    kept.live.desk.ask(Act(kind, place, "Maeve", span_s=7200.0), lambda _: None)
    give.wait_for(timeout=20_000)
    assert f"The {what} is held off by hand until" in state.inner_text()
    assert below() == before
    kept.live.desk.ask(Act("release", place, "Maeve"), lambda _: None)
    give.wait_for(state="detached", timeout=20_000)
    assert state.inner_text() == f"The rules have the {what}."
    assert below() == before
    assert page.evaluate("document.activeElement.name") == "minutes", "the focus is where it was"


def test_11_going_back_does_nothing_and_every_risky_act_is_asked_again(show, make_page, still):
    kept = make_page(days=0.1, plays=False)
    tripped = held(1, "LATCH_ACK", "Base overheated: off until reset")
    still(kept.live, base_overheat=tripped)
    for path, fold, button, words in (
        ("/bench/north", "Heat by hand", "Hold ...", "target"),
        ("/bench/north", "Mist by hand", "Hold ...", "leaves"),
        ("/bench/north", "Mist by hand", "One burst now ...", "Legionella"),
        ("/alarms", "", "Reset ...", "cuttings"),
    ):
        page = show(kept, path, width=390)
        if fold:
            page.locator("summary", has_text=fold).click()
        inside = page.locator("details", has_text=fold) if fold else page
        inside.get_by_role("button", name=button).click()
        assert (
            words in page.locator("main").inner_text()
            or "cold" in page.locator("main").inner_text()
        )
        assert page.locator("button.risky").count() == 1
        page.get_by_role("link", name="No, go back").click()
        assert page.url.endswith(path)
    page = show(kept, "/batch/1/closed", width=390)
    page.get_by_label("With roots").fill("100")
    page.get_by_role("button", name="Go on").click()
    assert "Its warmth ends" in page.locator("main").inner_text()
    page.get_by_role("link", name="No, go back").click()
    assert acts(kept) == []
    with open_reader(kept.journal) as reader:
        assert [one.closed_s for one in reader.batches()] == [None]


# -- 12: what changes, changes in its place -------------------------------------------------------

SHIFTS = """() => {
  window.shifted = [];
  new PerformanceObserver((list) => {
    for (const one of list.getEntries())
      window.shifted.push([one.value, one.sources.map((s) => s.node && (s.node.id ||
        s.node.parentElement?.id || s.node.className || s.node.nodeName))]);
  }).observe({type: "layout-shift", buffered: true});
}"""


@pytest.mark.parametrize("path", ["/", "/bench/north"])
@WIDTHS
def test_12_values_change_in_place_and_nothing_moves(show, make_page, path, width):
    """A day takes a minute here: in eight seconds three hours of values come in."""
    kept = make_page(plant="Lavandula angustifolia", kind="semi_ripe", days=0.5)
    page = show(kept, path, width=width, height=5000)
    page.wait_for_timeout(500)
    page.evaluate(SHIFTS)
    page.evaluate(
        """() => { window.turns = 0; new MutationObserver(() => { window.turns += 1; })
          .observe(document.querySelector("#age"), {childList: true, subtree: true}); }"""
    )
    page.wait_for_function("() => window.turns >= 4", timeout=40_000)
    assert page.evaluate("window.shifted") == []


def test_12_the_page_moves_by_itself_without_losing_its_place_and_can_be_held_still(
    show, make_page
):
    kept = make_page(days=0.1)
    page = show(kept, "/", height=400)
    page.locator("nav a", has_text="Alarms").focus()
    page.evaluate("document.body.dataset.mark = 'the same page'; scrollTo(0, 120)")
    before = page.locator("#age").inner_text()
    changed = "before => document.querySelector('#age').innerText !== before"
    page.wait_for_function(changed, arg=before, timeout=10_000)
    assert page.evaluate("document.body.dataset.mark") == "the same page"
    assert page.evaluate("document.activeElement.innerText").startswith("Alarms")
    assert page.evaluate("scrollY") == 120
    page.locator("#pause").click()
    page.wait_for_timeout(300)
    told = page.locator("#age").inner_text()
    page.wait_for_timeout(3000)
    assert page.locator("#age").inner_text() == told
    page.locator("#pause").click()
    page.wait_for_function(changed, arg=told, timeout=10_000)


@pytest.mark.parametrize("calm_motion", [True, False], ids=["reduced motion", "motion"])
def test_12_motion_is_left_out_for_whoever_asks_for_that(show, calm, calm_motion):
    page = show(calm, "/?still=1", calm_motion=calm_motion)
    page.evaluate("document.body.classList.add('lost')")
    moving = page.measure("moving")
    assert moving == ([] if calm_motion else [["MAIN", "main", "0.3s"]])


# -- 13: what is new is read aloud ----------------------------------------------------------------


@pytest.mark.parametrize("path", ["/", "/alarms"])
def test_13_new_alarms_are_told_to_a_screen_reader_once_in_10_s(
    show, make_page, still, very_cold, path
):
    """WCAG 2.2, 4.1.3. Priority 1 at once, others politely."""
    kept = make_page(plant="Lavandula angustifolia", kind="semi_ripe", days=1.1, plays=False)
    page = show(kept, path, clock=True)
    page.wait_for_timeout(2500)
    page.clock.pause_at(page.evaluate("Date.now()") / 1000 + 1.0)
    urgent, news = page.locator("#urgent"), page.locator("#news")
    assert urgent.get_attribute("aria-live") == "assertive"
    assert news.get_attribute("aria-live") == "polite"
    assert urgent.text_content() + news.text_content() == ""
    still(kept.live, **very_cold)
    page.wait_for_selector('[data-alarm="base_very_cold-north.left"]', timeout=10_000)
    page.clock.run_for(10)
    assert "Base very cold: 11.8" in urgent.text_content()
    assert news.text_content() == ""
    still(kept.live, **very_cold, base_cold=COLD)
    page.wait_for_selector('[data-alarm="base_cold-north.left"]', timeout=10_000)
    page.clock.run_for(9_000)
    assert news.text_content() == "", "within 10 s of the first it waits"
    page.clock.run_for(1_500)
    assert "Base cold" in news.text_content()
    assert "Base cold" not in urgent.text_content()


# -- 14: without a script -------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    ["/", "/bench/north", "/alarms", "/batches", "/batch/1", "/compare?by=hormone", "/records",
     "/settings", "/stick?plant=Hebe&kind=semi_ripe", "/batch/1/tested", "/batch/1/closed"],
)  # fmt: skip
def test_14_all_is_there_without_a_script(show, urgent, path):
    """The server makes state, alarms and values; a script only brings them up to date."""
    with_script, without = (
        show(urgent, path, script=script).measure("words") for script in (True, False)
    )
    assert without == with_script
    assert len(without) > 100


# -- 15: levels -----------------------------------------------------------------------------------


def test_15_three_taps_at_most_lead_to_the_cause_and_action_of_any_alarm(show, troubled):
    every = {f"{name}-{place}" for name, place in troubled.live.board.latest.state.alarms}
    assert len(every) == 7
    for key in sorted(every):
        page, taps = show(troubled, "/bench/north", width=390, script=False), 0
        page.locator("nav a", has_text="Alarms").click()
        taps += 1
        card = page.locator(f'[id="call-{key}"]')
        assert card.locator(".do").is_visible()
        if not card.get_by_text("It may be:").is_visible():
            card.locator("summary", has_text="Why it matters").click()
            taps += 1
        assert card.get_by_text("It may be:").is_visible()
        assert taps <= 3


def test_15_back_always_works_from_the_first_page_down_to_the_detail(show, calm):
    page = show(calm, "/", width=390)
    been = []
    for tap in (
        lambda: page.locator(".bay h2 a").first.click(),
        lambda: page.locator("nav a", has_text="Batches").click(),
        lambda: page.locator(".tag h2 a").first.click(),
        lambda: page.get_by_role("link", name="Test ...").click(),
    ):
        been.append((page.url, page.locator("h1, .calm").first.inner_text()))
        before = page.url
        tap()
        page.wait_for_url(lambda url, before=before: url != before)
    for url, head in reversed(been):
        page.go_back()
        page.wait_for_url(url)
        assert page.locator("h1, .calm").first.inner_text() == head
