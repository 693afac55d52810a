"""What the script adds: another way when there is no stream, and plots that are read off."""

import re

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]


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
