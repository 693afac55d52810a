"""A page that stays open for days: the program starts again, machines sleep, others act."""

import asyncio
import re
import time
from dataclasses import replace

import pytest

from config.model import PagePlan
from controller.decide.state import AlarmState
from controller.page.stream import Stream

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]

NEW_PAGE = "() => !document.body.dataset.mark && document.readyState === 'complete'"
MARKED = "document.body.dataset.mark = 'the same page'"
TOLD = "() => document.title.startsWith('(1) ')"
LONG_MS = 60_000


class Lan(PagePlan):
    """Served on loopback for the test, and counts as the network."""

    @property
    def loopback(self) -> bool:
        return False


def held(priority, state, text):
    return AlarmState(
        state=state, under="UNACK", priority=priority, raised_utc_s=1_772_500_000.0, text=text
    )


def same(page):
    return page.evaluate("document.body.dataset.mark") == "the same page"


def hide(page, hidden):
    """As a browser does with a page behind another; none is ever hidden without a screen."""
    page.evaluate(
        """(hidden) => {
          Object.defineProperty(document, "hidden", { value: hidden, configurable: true });
          document.dispatchEvent(new Event("visibilitychange"));
        }""",
        hidden,
    )


def older(page):
    """No page is loaded anew within ten seconds of its loading: let them pass."""
    page.clock.fast_forward(11_000)


# -- the program starts again ---------------------------------------------------------------------


def test_page_is_loaded_anew_after_the_program_was_started_again_and_its_forms_work(
    show, make_page, start_again
):
    kept = make_page(days=0.1, plays=False)
    page = show(kept, "/bench/north", clock=True)
    page.evaluate(MARKED)
    old = page.locator("input[name=form]").first.get_attribute("value")
    start_again(kept)
    older(page)
    page.wait_for_function(NEW_PAGE, timeout=LONG_MS)
    assert page.locator("input[name=form]").first.get_attribute("value") != old
    page.locator("summary", has_text="Heat by hand").click()
    page.get_by_role("button", name="Hold ...").first.click()
    page.wait_for_selector("text=No, go back")
    assert "Nothing was done" not in page.locator("main").inner_text()


def test_page_that_is_not_changed_is_never_loaded_anew(show, make_page):
    kept = make_page(days=0.5)
    page = show(kept, "/bench/north", clock=True)
    page.evaluate(MARKED)
    for _ in range(3):
        before = page.locator("#age").inner_text()
        older(page)
        page.wait_for_function(
            "before => document.querySelector('#age').innerText !== before",
            arg=before, timeout=LONG_MS,
        )  # fmt: skip
    assert same(page)
    assert page.locator("#changed").is_hidden()


def test_nothing_typed_is_lost_when_the_program_is_started_again(show, make_page, start_again):
    kept = make_page(days=0.1, plays=False)
    page = show(kept, "/batch/1/tested", clock=True)
    page.evaluate(MARKED)
    page.get_by_label("Lifted").fill("10")
    page.get_by_label("With roots").fill("4")
    start_again(kept)
    page.wait_for_selector("#changed:not([hidden])", timeout=LONG_MS)
    assert "What you typed stays" in page.locator("#changed").inner_text()
    older(page)
    page.clock.run_for(5_000)
    assert same(page)
    page.locator("form.typed button").click()
    page.wait_for_selector("#wrong:not([hidden])")
    assert "Warmfoot was started again" in page.locator("#wrong").inner_text()
    assert page.get_by_label("Lifted").input_value() == "10"
    page.locator("form.typed button").click()
    page.wait_for_selector(".said")
    assert page.locator(".said").inner_text().startswith("Done: ")


def test_page_with_something_typed_waits_with_its_loading_and_says_so(show, make_page, start_again):
    kept = make_page(days=0.1, plays=False)
    page = show(kept, "/bench/north", clock=True)
    page.evaluate(MARKED)
    page.locator("summary", has_text="Heat by hand").click()
    minutes = page.locator("select[name=minutes]").first
    minutes.select_option("720")
    start_again(kept)
    page.wait_for_selector("#changed:not([hidden])", timeout=LONG_MS)
    older(page)
    page.clock.run_for(5_000)
    assert same(page)
    assert minutes.input_value() == "720"
    minutes.select_option("30")
    page.clock.fast_forward(61_000)  # the focus is still there
    page.wait_for_function(NEW_PAGE, timeout=LONG_MS)


def test_another_bench_file_changes_an_open_page(show, make_page):
    kept = make_page(days=0.1, plays=False)
    other = make_page(example="two_benches_mqtt.toml", plays=False).live.board.latest
    page = show(kept, "/", clock=True)
    page.evaluate(MARKED)
    kept.live.board.latest = other._replace(number=kept.live.board.latest.number + 1)
    older(page)
    page.wait_for_function(NEW_PAGE, timeout=LONG_MS)
    assert page.locator(".bay").count() == sum(len(b.bays) for b in other.site.benches.values())
    assert page.locator("#changed").is_hidden()


def test_answer_to_an_act_is_not_shown_for_days(show, make_page):
    kept = make_page(days=0.1)
    answer = kept.browser.act("release", "north.left", back="/bench/north")
    page = show(kept, answer.headers["location"], clock=True)
    assert page.locator(".said").is_visible()
    page.clock.fast_forward(590_000)
    assert page.locator(".said").is_visible()
    page.clock.fast_forward(11_000)
    page.wait_for_selector(".said", state="detached", timeout=LONG_MS)


def test_alarm_that_brings_its_bench_to_the_top_is_read_aloud_before_the_page_is_loaded_anew(
    show, make_page, very_cold
):
    kept = make_page(example="two_benches_mqtt.toml", plays=False)
    moment = kept.live.board.latest
    page = show(kept, "/", clock=True)
    page.evaluate(MARKED)
    page.wait_for_timeout(500)
    older(page)
    bench, plan = list(moment.site.benches.items())[-1]
    place = f"{bench}.{next(iter(plan.bays))}"
    link = page.locator(".bay h2 a").first
    assert not link.get_attribute("href").endswith(f"/{bench}")
    state = replace(moment.state, alarms={("base_very_cold", place): very_cold["base_very_cold"]})
    kept.live.board.latest = moment._replace(state=state, number=moment.number + 1)
    page.wait_for_function(
        "() => document.querySelector('#urgent').textContent.includes('Base very cold')",
        timeout=LONG_MS,
    )
    assert same(page)
    older(page)
    page.wait_for_function(NEW_PAGE, timeout=LONG_MS)
    assert link.get_attribute("href").endswith(f"/{bench}")


# -- who may look ---------------------------------------------------------------------------------


@pytest.fixture
def lan(make_page, chromium):
    """(bench, page of a browser that came in to act); its time is turned by hand."""
    tokens = {("Maeve", "operate"): ""}
    kept = make_page(Lan(port=8046), tokens=tokens, days=0.1, plays=False)
    context = chromium.new_context()
    page = context.new_page()
    page.clock.install()
    page.goto(f"http://127.0.0.1:{kept.browser.port}/in")
    page.get_by_label("Your token").fill(tokens[("Maeve", "operate")])
    page.get_by_role("button", name="Come in").click()
    page.wait_for_selector("#age")
    yield kept, page
    context.close()


def test_open_page_is_left_when_its_token_is_taken_back(lan):
    kept, page = lan
    kept.live.server.tokens.drop("Maeve")
    page.wait_for_url("**/in", timeout=LONG_MS)


def test_what_is_typed_stays_when_a_token_is_taken_back_and_it_is_said(lan):
    kept, page = lan
    page.goto(f"http://127.0.0.1:{kept.browser.port}/batch/1/tested")
    page.get_by_label("Lifted").fill("10")
    kept.live.server.tokens.drop("Maeve")
    page.wait_for_selector("#changed:not([hidden])", timeout=LONG_MS)
    assert "You are no longer let in" in page.locator("#changed").inner_text()
    assert page.get_by_label("Lifted").input_value() == "10"


# -- sleep ----------------------------------------------------------------------------------------


def test_after_a_night_asleep_it_is_said_at_once_how_old_the_page_is(show, make_page):
    kept = make_page(days=0.1, plays=False)
    page = show(kept, "/", clock=True)
    kept.live.server.stop()
    page.clock.fast_forward(8 * 3_600_000 + 60_000)
    assert page.locator("#lost").is_visible()
    assert "No word from Warmfoot for 8\u00a0h" in page.locator("#lost").text_content()
    assert page.locator("#ago").text_content() == ", 8\u00a0h ago"


def test_line_that_died_without_a_word_is_noticed_and_the_page_asks(show, make_page, monkeypatch):
    """As after a laptop's sleep: the browser holds the line for open, and nothing comes."""
    whole = Stream._follow

    async def dead(self, *_):
        self.write("retry: 3000\n\n")
        await self.flush()
        while not self.door.closing:
            await asyncio.sleep(0.05)

    monkeypatch.setattr(Stream, "_follow", dead)
    kept = make_page(days=0.1)
    page = show(kept, "/", clock=True)
    page.evaluate(MARKED)
    before = page.locator("#age").inner_text()
    monkeypatch.setattr(Stream, "_follow", whole)
    page.wait_for_timeout(1_000)
    assert page.locator("#age").inner_text() == before
    page.clock.fast_forward(8 * 3_600_000)
    page.wait_for_function(
        "before => document.querySelector('#age').innerText !== before",
        arg=before, timeout=LONG_MS,
    )  # fmt: skip
    page.wait_for_selector("#lost", state="hidden")
    assert same(page)


def test_clock_that_is_set_back_hides_no_silence(show, make_page):
    kept = make_page(days=0.1, plays=False)
    page = show(kept, "/", clock=True)
    kept.live.server.stop()
    page.clock.set_system_time(page.evaluate("Date.now()") / 1000 - 3600.0)
    page.clock.run_for(20_000)
    assert page.locator("#lost").is_visible()
    assert re.search(r"for 2\d\s", page.locator("#lost").text_content())


def test_hidden_pages_leave_a_browser_room_for_more_and_still_tell_of_alarms(
    chromium, make_page, still, very_cold
):
    """A browser keeps six connections to one address, for all of its pages."""
    kept = make_page(days=0.1, plays=False)
    context = chromium.new_context()
    pages = []
    for _ in range(8):
        page = context.new_page()
        page.goto(f"http://127.0.0.1:{kept.browser.port}/", timeout=20_000)
        pages.append(page)
        if len(pages) < 8:
            hide(page, hidden=True)
    still(kept.live, **very_cold)
    pages[7].wait_for_function(TOLD, timeout=LONG_MS)
    pages[0].wait_for_function(TOLD, timeout=LONG_MS)
    assert not pages[0].evaluate("document.body.classList.contains('lost')")
    context.close()


def test_page_that_is_shown_again_is_brought_up_to_date_at_once(show, make_page, still, very_cold):
    kept = make_page(days=0.1, plays=False)
    page = show(kept, "/", clock=True)
    hide(page, hidden=True)
    page.clock.pause_at(page.evaluate("Date.now()") / 1000 + 5.0)
    page.clock.fast_forward(60_000)  # a browser lets a hidden page do little
    still(kept.live, **very_cold)
    page.wait_for_timeout(500)
    assert page.locator("#lost").is_hidden()
    hide(page, hidden=False)
    page.wait_for_selector('[data-alarm="base_very_cold-north.left"]', timeout=LONG_MS)


def test_controller_that_hangs_and_comes_back_is_said_on_an_open_page(show, make_page):
    kept = make_page(days=0.1, plays=False)
    moment = kept.live.board.latest
    page = show(kept, "/", clock=True)
    late = moment._replace(seen_s=time.monotonic() - 40.0, number=moment.number + 1)
    kept.live.board.latest = late
    page.wait_for_selector("body.late", timeout=LONG_MS)
    assert "The controller has said nothing for" in page.locator(".age").inner_text()
    page.clock.run_for(2_000)
    assert page.locator("#ago").text_content() == ""
    kept.live.board.latest = moment._replace(number=moment.number + 2)
    page.wait_for_selector("body:not(.late)", timeout=LONG_MS)
    page.clock.run_for(2_000)
    assert "ago" in page.locator("#ago").text_content() or "just now" in (
        page.locator("#ago").text_content()
    )


# -- what is typed into a part that changes --------------------------------------------------------


def test_typed_words_and_open_folds_stay_with_their_alarm_when_a_worse_one_comes(
    show, make_page, still, very_cold
):
    kept = make_page(days=0.1, plays=False)
    still(kept.live, base_cold=held(2, "UNACK", "Base cold: 14.1 °C, limit 15.0 °C"))
    page = show(kept, "/alarms", clock=True)
    card = page.locator('[id="call-base_cold-north.left"]')
    card.locator("summary", has_text="Set it aside").click()
    card.locator("input[name=note]").fill("door open while potting")
    card.get_by_role("button", name="Set aside").focus()
    still(kept.live, **very_cold, base_cold=held(2, "UNACK", "Base cold: 13.0 °C, limit 15.0 °C"))
    page.wait_for_selector('[id="call-base_very_cold-north.left"]', timeout=LONG_MS)
    assert "13.0" in card.inner_text()
    assert card.locator("input[name=note]").input_value() == "door open while potting"
    assert page.locator("details[open]").count() == 1
    assert card.locator("details[open]").count() == 1
    assert page.evaluate("document.activeElement.innerText") == "Set aside"


def test_part_that_is_typed_into_waits_and_is_then_shown(show, make_page, still):
    kept = make_page(days=0.1, plays=False)
    still(kept.live, base_cold=held(2, "UNACK", "Base cold: 14.1 °C, limit 15.0 °C"))
    page = show(kept, "/alarms", clock=True)
    card = page.locator('[id="call-base_cold-north.left"]')
    card.locator("summary", has_text="Set it aside").click()
    note = card.locator("input[name=note]")
    note.press_sequentially("door")
    colder = held(2, "UNACK", "Base cold: 13.0 °C, limit 15.0 °C")
    still(kept.live, base_cold=colder, mat_weak=held(2, "UNACK", "Mat weak: half of its heat"))
    page.wait_for_function("() => document.title.startsWith('(2) ')", timeout=LONG_MS)
    assert "14.1" in card.inner_text(), "not under the fingers of somebody who types"
    note.press_sequentially(" open")
    page.clock.fast_forward(61_000)
    page.wait_for_function(
        "() => document.querySelector('#standing h3').innerText.includes('13.0')",
        timeout=LONG_MS,
    )
    assert note.input_value() == "door open"
    assert page.evaluate("document.activeElement.name") == "note"
