"""What the pages say: the bench as it is, how old it is, and nothing that is not known."""

import json
import re
import threading
import time
from html.parser import HTMLParser
from importlib.resources import files
from zoneinfo import ZoneInfo

import pytest

from controller.page.later import Later
from controller.page.words import age, claims, measured, number, plain_dates
from controller.records import Act
from simulator.faults import make_fault

DUBLIN = ZoneInfo("Europe/Dublin")
STAYS = ["/", "/bench/north", "/bench/north?span=7d", "/alarms", "/batches", "/batch/1", "/compare",
         "/records", "/settings"]  # fmt: skip
EXAMPLES = sorted(
    one.name for one in files("config").joinpath("examples").iterdir() if one.name.endswith(".toml")
)


@pytest.fixture(scope="module")
def kept(make_page):
    return make_page(days=1.2)


@pytest.mark.parametrize("path", ["/", "/bench/north", "/bench/north?span=7d", "/alarms",
                                  "/alarms?days=30", "/batches", "/batch/1", "/compare", "/records",
                                  "/settings"])  # fmt: skip
def test_every_page_is_whole_without_a_script(kept, path):
    answer = kept.browser.ask(path)
    assert answer.status == 200
    assert "Alder Lane Nursery" in answer.text
    assert "not a safety device" in answer.text
    assert re.search(r"As of <b>\w+ \d+ Mar \d\d:\d\d</b> GMT", answer.text)
    assert '<noscript><meta http-equiv="refresh"' in answer.text
    assert "nan" not in re.sub(r"<[^>]+>", " ", answer.text).lower().split()


class Still(HTMLParser):
    """What a page that stays open keeps as it was: all but its live parts, and a fold as it is."""

    ALONE = frozenset({"meta", "link", "input", "img", "br", "hr"})

    def __init__(self, text):
        super().__init__()
        self.kept, self._open, self._live_at = [], [], None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        if self._live_at is None:
            self.kept.append((tag, *sorted(one for one in attrs if one[0] != "open")))
        if tag not in self.ALONE:
            self._open.append(tag)
            if self._live_at is None and "data-live" in dict(attrs):
                self._live_at = len(self._open)

    def handle_endtag(self, tag):
        if self._live_at == len(self._open):
            self._live_at = None
        assert self._open.pop() == tag

    def handle_data(self, data):
        if self._live_at is None:
            self.kept.append(data)


@pytest.fixture(scope="module")
def two_moments(make_page, still, very_cold):
    """Texts of all pages, by path, ten hours, an alarm and a hold apart."""
    kept = make_page(days=1.2, plays=False)
    texts = []
    for alarms in ({}, very_cold):
        still(kept.live, **alarms)
        texts.append({path: kept.browser.ask(path).text for path in STAYS})
        hold = Act("hold_heat", "north.left", "Maeve", span_s=43_200.0)
        assert kept.live.desk.ask(hold, lambda _: None)
        kept.live.hasten(0.4)
    return texts


@pytest.mark.parametrize("path", STAYS)
def test_nothing_that_changes_is_left_as_it_was_on_a_page_that_stays_open(two_moments, path):
    first, then = (texts[path] for texts in two_moments)
    assert then != first
    assert Still(then).kept == Still(first).kept


def test_bench_page_tells_the_three_claims_apart(kept):
    text = kept.browser.ask("/bench/north").text
    assert re.search(r"ordered (on|off); the board reports (on|off), \d+\ss ago", text)
    assert "inferred" in text
    assert "base minus top" in text.lower()


def test_page_is_light_and_made_quickly(kept):
    kept.browser.ask("/bench/north")
    answer = kept.browser.ask("/bench/north", headers={"Accept-Encoding": "gzip"})
    assert answer.headers["content-encoding"] == "gzip"
    assert int(answer.headers["content-length"]) < 150_000


@pytest.mark.parametrize("path", ["/bench/south", "/batch/99", "/nothing", "/bench", "/batch/x"])
def test_what_there_is_not_is_said_with_a_way_back(kept, path):
    answer = kept.browser.ask(path)
    assert answer.status == 404
    assert 'href="/' in answer.text


def test_parts_are_those_of_the_page(kept):
    page = kept.browser.ask("/bench/north").text
    data = json.loads(kept.browser.ask("/parts?at=/bench/north").text)
    ids = set(re.findall(r'id="([^"]+)" data-live', page))
    assert ids == set(data["parts"])
    assert {"age", "count", "call"} <= ids


def test_live_events_carry_what_changed_and_nothing_else(kept):
    import http.client

    connection = http.client.HTTPConnection("127.0.0.1", kept.browser.port, timeout=15)
    connection.request("GET", "/live?at=/", headers={"Host": f"127.0.0.1:{kept.browser.port}"})
    answer = connection.getresponse()
    assert answer.getheader("content-type") == "text/event-stream"
    events = []
    began_s = time.monotonic()
    while len(events) < 3 and time.monotonic() - began_s < 15:
        line = answer.fp.readline().decode()
        if line.startswith("data: {"):
            events.append(json.loads(line[6:]))
    connection.close()
    assert "age" in events[0]
    assert "call" in events[0]
    assert "age" in events[1], "a day takes a minute here, so the time has moved"
    assert len(events[1]) < len(events[0])


def test_lost_probes_are_no_reading_and_never_a_number(make_page, eventually):
    kept = make_page(days=0.2)
    rehearsal = kept.live.rehearsal
    before = kept.browser.ask("/bench/north").text
    assert "no reading" not in before
    rehearsal.rig.strike(
        tuple(
            make_fault("probe_silent", 1, 1.0, target=name)
            for name in ("north.left.base1", "north.left.base2")
        )
    )
    eventually(lambda: "stale" in kept.browser.ask("/bench/north").text, 20)
    text = kept.browser.ask("/bench/north").text
    assert re.search(r'<s class="number old">[^<]+</s><span class="quiet"> stale, ', text)
    assert "no reading" in kept.browser.ask("/").text


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [(-0.04, 1, "0.0"), (-0.06, 1, "−0.1"), (20.04, 1, "20.0"), (0.456, 2, "0.46")],
)
def test_numbers_have_a_real_minus_and_no_minus_zero(value, digits, text):
    assert number(value, digits) == text


def test_what_is_not_known_is_never_a_number():
    for value in (None, float("nan"), float("inf")):
        assert measured(value, "°C") == "no reading"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.0, "0 s"), (119.0, "119 s"), (120.0, "2 min"), (7200.0, "2 h"), (172800.0, "2 d"),
     (float("inf"), "never")],
)  # fmt: skip
def test_ages_are_in_the_largest_unit_that_suits(seconds, text):
    assert age(seconds).replace("\u00a0", " ") == text


def test_a_relay_that_reports_nothing_is_not_said_to_be_off():
    told = claims({"ordered": "on", "reported": "not reported", "reported_age_s": None})
    assert told == ("ordered on", "the board reports nothing")


def test_putting_a_moment_down_is_one_reference_and_no_copy(kept):
    """The loop's part is an assignment; what is made of it is the page's own business."""
    controller = kept.live.rehearsal.controller
    kept.live.board.put(controller, kept.live.rehearsal.clock.now())
    moment = kept.live.board.latest
    assert moment.site is controller.site
    assert moment.aims is controller.aims


def test_dates_are_said_as_people_say_them():
    text = plain_dates("due 2026-03-19 to 2027-01-02, batch 2026-3-1", 1_773_000_000.0, DUBLIN)
    assert text == "due 19 Mar to 2 Jan 2027, batch 2026-3-1"


def test_whole_story_of_a_batch_comes_when_it_is_worked_out(kept, eventually):
    """The first answer shows what is quickly read; the minutes follow."""
    eventually(lambda: "degree-hours" in kept.browser.ask("/batch/1").text, 20)
    text = kept.browser.ask("/batch/1").text
    assert "Water on the leaves" in text
    assert "kWh" in text


def test_later_gives_the_old_answer_until_the_new_one_is_there(eventually, kept):
    later = Later(kept.journal)
    gates = {"old": threading.Event(), "new": threading.Event()}

    def question(name):
        def answer(_reader):
            assert gates[name].wait(5)
            return name

        return answer

    assert later.ask("story", 1, question("old")) is None
    gates["old"].set()
    eventually(lambda: later.ask("story", 1, question("old")) == "old")
    assert later.ask("story", 2, question("new")) == "old"
    gates["new"].set()
    eventually(lambda: later.ask("story", 2, question("new")) == "new")
    later.close()


def test_later_works_nothing_out_twice_that_was_asked_for_meanwhile(eventually, kept):
    later = Later(kept.journal)
    gates, worked = {1: threading.Event(), 2: threading.Event()}, []

    def question(stamp):
        def answer(_reader):
            assert gates[stamp].wait(5)
            worked.append(stamp)
            return stamp

        return answer

    for stamp in (1, 2):
        assert later.ask("story", stamp, question(stamp)) is None
    gates[1].set()
    eventually(lambda: later.ask("story", 2, question(2)) == 1)
    gates[2].set()
    eventually(lambda: later.ask("story", 2, question(2)) == 2)
    later.ask("other", 1, lambda _reader: worked.append("the end"))
    eventually(lambda: "the end" in worked)
    assert worked == [1, 2, "the end"]
    later.close()


def test_later_that_fails_is_said_in_the_log_and_asked_again(kept, eventually, caplog):
    later = Later(kept.journal)
    answers = iter([ZeroDivisionError("a fault"), None, "at last"])

    def question(_reader):
        found = next(answers)
        if isinstance(found, Exception):
            raise found
        return found

    eventually(lambda: later.ask("story", 1, question) == "at last")
    assert "could not be worked out" in caplog.text
    later.close()


@pytest.mark.parametrize("example", EXAMPLES)
def test_every_example_has_its_pages_whatever_is_fitted(make_page, example):
    kept = make_page(example=example, days=0.1, plays=False)
    for bench, plan in kept.live.rehearsal.site.benches.items():
        text = kept.browser.ask(f"/bench/{bench}").text
        for bay in plan.bays:
            assert f'id="base-{bench}-{bay}"' in text
        assert ("Mist by hand" in text) is (plan.mister is not None)
        fitted = any(probe.kind == "air_temperature" for probe in plan.air.probes)
        assert ("No air probe is fitted" in text) is not fitted
        assert ("no probe" in kept.browser.ask("/").text) or fitted
    for path in ("/", "/alarms", "/batches"):
        assert kept.browser.ask(path).status == 200


@pytest.mark.parametrize("harm", ["gone", "spoilt"])
def test_bench_is_shown_though_its_record_cannot_be_read(make_page, harm, caplog):
    kept = make_page(days=0.1, plays=False)
    for file in kept.journal.parent.glob("bench.db*"):
        file.unlink()
    if harm == "spoilt":
        kept.journal.write_bytes(b"not a journal at all" * 400)
    for path in ("/", "/bench/north", "/alarms", "/batches", "/batch/1"):
        answer = kept.browser.ask(path)
        assert answer.status in (200, 404), path
        assert "page fault" not in caplog.text
    assert "°C" in kept.browser.ask("/bench/north").text
    assert "can't be read just now" in kept.browser.ask("/batches").text
    assert "can't read the journal" in caplog.text


def test_first_page_says_what_a_link_says_of_itself_as_status_does(make_page):
    kept = make_page(plays=False)
    moment = kept.live.board.latest
    assert moment is not None
    link = moment.snapshot.links["board"]
    told = {
        "board": link._replace(health=link.health._replace(up=True, note="unit 3 <air> is silent")),
        "roof": link._replace(health=link.health._replace(up=False, why="port gone", note="old")),
    }
    moment = moment._replace(
        snapshot=moment.snapshot._replace(links=told),
        number=moment.number + 1,
        seen_s=float("inf"),
    )
    kept.live.board.latest = moment
    text = kept.browser.ask("/").text
    assert "Link board: unit 3 &lt;air&gt; is silent." in text
    assert "Link roof is down: port gone." in text
    assert "old." not in text
