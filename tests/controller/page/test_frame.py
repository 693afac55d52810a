"""A page that is kept open can tell that it has become another one, and its forms lose nothing."""

import html
import json
import re

import pytest

from config.model import PagePlan
from controller.batch_acts import BatchActs
from controller.entries import effective
from controller.journal.reader import open_reader
from controller.records import Act

PATHS = ["/", "/bench/north?span=7d", "/alarms?days=30", "/batches", "/batch/1", "/records",
         "/settings", "/stick?plant=Hebe&kind=softwood", "/batch/1/tested"]  # fmt: skip


@pytest.fixture
def kept(make_page):
    return make_page(days=1.2, plays=False)


class Lan(PagePlan):
    """Served on loopback for the test, and counts as the network."""

    @property
    def loopback(self) -> bool:
        return False


def mark(kept, path):
    """The mark of a page as it is now."""
    (found,) = re.findall(r' data-frame="([0-9a-f]{12})"', kept.browser.ask(path).text)
    return found


def marks(kept, paths=PATHS):
    return [mark(kept, path) for path in paths]


def text_of(answer):
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", answer.text)).split())


def fields_of(answer):
    """What the form of a page would send as it stands."""
    return {
        html.unescape(name): html.unescape(value)
        for tag in re.findall(r"<input [^>]*>", answer.text)
        if 'type="radio"' not in tag or "checked" in tag
        for name in re.findall(r' name="([^"]*)"', tag)
        for value in re.findall(r' value="([^"]*)"', tag)
    }


def recorded(kept):
    kept.live.rehearsal.controller.recorder.flush()
    with open_reader(kept.journal) as reader:
        return [(one.act.kind, one.act.note) for one in reader.acts()]


def entries(kept):
    with open_reader(kept.journal) as reader:
        return [(one.kind, dict(one.values)) for one in effective(reader.entries(1))]


# -- its mark -------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", PATHS)
def test_mark_comes_with_the_parts_and_is_that_of_the_page(kept, path):
    where, _, query = path.partition("?")
    made = json.loads(kept.browser.ask(f"/parts?at={where}&{query}").text)
    assert made["frame"] == mark(kept, path)


def test_mark_is_the_same_after_an_answer_and_while_held_still(kept, monkeypatch):
    before = mark(kept, "/alarms")
    monkeypatch.setattr("controller.page.acts.WAIT_S", 0.05)
    answer = kept.browser.act("release", "north.left", back="/alarms")
    assert "said=" in answer.headers["location"]
    assert mark(kept, answer.headers["location"]) == before
    assert mark(kept, "/alarms?still=1") == before


def test_mark_is_another_after_the_program_was_started_again(kept, start_again):
    before = marks(kept)
    start_again(kept)
    assert all(one != other for one, other in zip(before, marks(kept), strict=True))


def test_mark_is_another_with_another_bench_file_and_a_form_keeps_its_own(kept, make_page):
    """As after SIGHUP: another controller puts its moments down for the same page."""
    other = make_page(example="two_benches_mqtt.toml", plays=False).live.board.latest
    before, typed = mark(kept, "/"), mark(kept, "/batch/1/tested")
    kept.live.board.latest = other
    assert len(other.site.benches) == 2
    assert mark(kept, "/") != before
    assert mark(kept, "/batch/1/tested") == typed, "its fields are the reader's own"


def test_mark_of_a_batchs_page_is_another_once_it_is_closed(kept):
    before = mark(kept, "/batch/1")
    moment = kept.live.board.latest
    now_s = moment.now.utc_s
    acts = BatchActs(kept.journal, moment.site, "Maeve", clock=lambda: now_s)
    acts.close(1, rooted=100, lost={"rotted": 20}, at_s=now_s)
    kept.live.board.latest = moment._replace(number=moment.number + 1)
    assert mark(kept, "/batch/1") != before


def test_mark_is_another_for_whoever_may_no_longer_act(make_page):
    tokens = {("Maeve", "operate"): ""}
    kept = make_page(Lan(port=8046), tokens=tokens, plays=False)
    kept.browser.ask("/in", {"token": tokens[("Maeve", "operate")]})
    before = marks(kept)
    kept.live.server.tokens.drop("Maeve")
    kept.browser.ask("/in", {"token": kept.live.server.tokens.make("Maeve", "read")})
    paths = [path for path in PATHS if not path.startswith("/stick")]
    after = dict(zip(PATHS, marks(kept), strict=True))
    assert all(after[path] != dict(zip(PATHS, before, strict=True))[path] for path in paths)


# -- its forms, after the program was started again ------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "place", "more", "title"),
    [
        ("hold_heat", "north.left", {"minutes": "60", "sure": "yes"}, "Hold the heat of"),
        ("release", "north.left", {}, "Give North bench, bay left back to the rules?"),
        ("acknowledge", "north.left", {"alarm": "base_cold"}, "Mark this alarm as seen?"),
        ("shelve", "site", {"alarm": "journal_filling", "minutes": "30"}, "Set this alarm aside?"),
        ("unshelve", "north.left", {"alarm": "base_cold"}, "Bring this alarm back?"),
        ("reset", "north.left", {"alarm": "base_overheat", "sure": "yes"}, "work again?"),
    ],
)
def test_act_by_an_old_form_is_asked_again_with_all_that_it_said(
    kept, start_again, kind, place, more, title
):
    fields = {"kind": kind, "place": place, "form": kept.browser.form_token(), "back": "/alarms",
              "note": "moving <trays>", **more}  # fmt: skip
    start_again(kept)
    again = kept.browser.ask("/act", fields)
    told = text_of(again)
    assert again.status == 403
    assert title in told
    assert "Nothing was done. Warmfoot was started again" in told
    assert recorded(kept) == []
    carried = fields_of(again)
    assert carried == {**fields, "form": kept.browser.form_token(), "sure": "yes"}


def test_act_that_is_asked_again_is_done_once_it_is_sent_again(make_page, start_again):
    kept = make_page(days=0.1)
    fields = {"kind": "hold_heat", "place": "north.left", "form": kept.browser.form_token(),
              "value": "off", "minutes": "60", "sure": "yes", "note": "moving trays"}  # fmt: skip
    start_again(kept)
    again = kept.browser.ask("/act", fields)
    done = kept.browser.ask("/act", fields_of(again))
    assert done.status == 303
    assert recorded(kept) == [("hold_heat", "moving trays")]


def test_old_form_for_an_alarm_there_is_not_is_refused(kept):
    fields = {"kind": "acknowledge", "place": "north", "alarm": "none_such", "form": "0" * 32}
    answer = kept.browser.ask("/act", fields)
    assert answer.status == 400
    assert "There is no none_such at north here. Nothing was changed." in text_of(answer)


def test_what_was_typed_into_an_old_form_comes_back_and_is_taken_when_sent_again(kept, start_again):
    typed = {"tested": "10", "rooted": "4", "note": "lower & left"}
    old = kept.browser.form_token()
    before = entries(kept)
    start_again(kept)
    again = kept.browser.ask("/batch/1/tested", {**typed, "form": old, "drawn": "1"})
    assert again.status == 403
    assert "Nothing was written down. Warmfoot was started again" in text_of(again)
    sent = fields_of(again)
    assert {name: sent[name] for name in ("tested", "rooted")} == {"tested": "10", "rooted": "4"}
    assert "lower &amp; left" in again.text
    assert entries(kept) == before
    done = kept.browser.ask("/batch/1/tested", {**sent, "note": typed["note"]})
    assert done.status == 303
    assert len(entries(kept)) == len(before) + 1


def test_alarm_that_somebody_else_saw_first_is_answered_with_their_name(make_page):
    kept = make_page(days=0.3, fault=True)
    found = next(key for key in kept.live.rehearsal.controller.state.alarms if "silent" in key[0])
    alarm, place = found
    kept.live.desk.ask(Act("acknowledge", place, "Maeve", alarm=alarm), lambda _: None)
    answer = kept.browser.act("acknowledge", place, alarm=alarm)
    shown = kept.browser.ask(answer.headers["location"]).text
    assert "already acknowledged by Maeve" in shown
