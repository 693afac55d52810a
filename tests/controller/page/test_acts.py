"""What is asked for on the page is done by the loop, past no guard, and recorded."""

import html
import re

import pytest

from controller.journal.reader import open_reader
from controller.page.desk import MOST, Desk
from controller.records import Act, ActDone


@pytest.fixture(scope="module")
def kept(make_page):
    return make_page(days=0.3, fault=True)


def recorded(kept):
    kept.live.rehearsal.controller.recorder.flush()
    with open_reader(kept.journal) as reader:
        return reader.acts()


def text_of(answer):
    return html.unescape(re.sub(r"<[^>]+>", " ", answer.text))


def said(kept, answer):
    """What the page shown next says of the act."""
    assert answer.status == 303
    shown = kept.browser.ask(answer.headers["location"])
    found = re.search(r'role="status" class="said">([^<]*)<', shown.text)
    assert found
    return html.unescape(found[1])


def silent(kept):
    """(id, place) of the alarm that stands since the fault."""
    (found,) = (key for key in kept.live.rehearsal.controller.state.alarms if "silent" in key[0])
    return found


def state_of(kept):
    return kept.live.rehearsal.controller.state.bays[("north", "left")]


def test_hold_is_asked_for_twice_with_its_effect_and_its_end(kept):
    before = len(recorded(kept))
    first = kept.browser.act("hold_heat", "north.left", value="off", minutes="120")
    told = text_of(first)
    assert first.status == 200
    assert "Hold the heat of North bench, bay left off?" in told
    assert "rooting slows" in told
    assert re.search(r"It ends by itself at \d\d:\d\d on 2 Mar \(120 min\)", told)
    assert len(recorded(kept)) == before, "nothing is done by asking once"
    again = kept.browser.act(
        "hold_heat", "north.left", value="off", minutes="120", sure="yes", note="moving trays",
        back="/bench/north",
    )  # fmt: skip
    assert again.headers["location"].startswith("/bench/north?said=")
    assert "Done: heat held off for 120 min" in said(kept, again)
    assert state_of(kept).hold == "off"
    asked = recorded(kept)[-1]
    assert (asked.act.kind, asked.act.place, asked.status) == ("hold_heat", "north.left", "done")
    assert (asked.act.by, asked.act.note, asked.act.span_s) == (
        "at this machine", "moving trays", 7200.0,
    )  # fmt: skip
    now_s = kept.live.rehearsal.clock.now().utc_s
    assert now_s - 3600 < asked.at_s <= now_s


def test_hold_is_shown_with_its_end_and_can_be_undone(kept, monkeypatch):
    """Whoever is told that it is done sees it done, though no other moment is put down for long."""
    monkeypatch.setattr("simulator.live.PUT_EVERY_S", 1e9)
    for _ in range(2):
        kept.browser.act("hold_heat", "north.left", value="off", minutes="240", sure="yes")
        shown = kept.browser.ask("/bench/north").text
        assert "held off by hand until" in shown
        assert "Give back to the rules" in shown
        answer = kept.browser.act("release", "north.left")
        assert "back to automatic" in said(kept, answer)
        assert state_of(kept).hold == ""
        assert "Give back to the rules" not in kept.browser.ask("/bench/north").text


def test_guards_have_the_last_word_over_the_page(kept):
    answer = kept.browser.act("hold_heat", "north.left", value="on", minutes="9999", sure="yes")
    assert "12 h is the longest" in said(kept, answer)
    kept.browser.act("release", "north.left")


def test_burst_is_one_and_says_to_stand_clear(kept):
    first = kept.browser.act("burst", "north", seconds="5")
    assert "Legionella" in text_of(first)
    answer = kept.browser.act("burst", "north", seconds="5", sure="yes")
    assert "burst of 5 s" in said(kept, answer)


def test_acknowledging_is_one_tap_and_changes_no_output(kept):
    alarm, place = silent(kept)
    answer = kept.browser.act("acknowledge", place, alarm=alarm)
    assert said(kept, answer).startswith("Done: ")
    assert recorded(kept)[-1].act.by == "at this machine"
    assert state_of(kept).hold == ""


def test_answer_of_long_ago_is_not_shown_again(kept, monkeypatch):
    """A page without a script loads itself anew under the same address, for days."""
    answer = kept.browser.act("release", "north.left")
    monkeypatch.setattr("controller.page.handlers.SAID_S", 0.0)
    assert 'class="said"' not in kept.browser.ask(answer.headers["location"]).text
    monkeypatch.setattr("controller.page.handlers.SAID_S", 600.0)
    assert "is not held" in said(kept, answer)


def test_answer_to_an_act_is_shown_to_whoever_asked_and_cannot_be_put_into_an_address(kept):
    shown = kept.browser.ask("/?said=Your+bench+is+on+fire")
    assert "on fire" not in shown.text
    assert 'class="said"' not in shown.text


@pytest.mark.parametrize(
    ("kind", "place", "more", "why"),
    [
        ("explode", "north", {}, "no act of the kind"),
        ("hold_heat", "<b>", {"sure": "yes"}, "can't be taken"),
        ("hold_heat", "north.left", {"minutes": "-5"}, "not a number"),
        ("hold_heat", "north.left", {"minutes": "1e9"}, "not a number"),
        ("hold_heat", "north.left", {"minutes": "nan", "sure": "yes"}, "not a number"),
        ("hold_heat", "north.left", {"note": "x" * 600}, "can't be taken"),
        ("hold_heat", "south", {}, "There is no south here"),
        ("acknowledge", "north", {"alarm": "a b"}, "no such alarm"),
    ],
)
def test_act_that_makes_no_sense_is_refused_whole(kept, kind, place, more, why):
    before = len(recorded(kept))
    answer = kept.browser.act(kind, place, **more)
    assert answer.status == 400
    assert why in text_of(answer)
    assert len(recorded(kept)) == before


@pytest.mark.parametrize(
    "back", ["//evil.example", "https://evil.example", "/\\evil.example", "/.//evil", "x", "/a\nb"]
)
def test_act_never_leads_away_from_the_page(kept, back):
    answer = kept.browser.act("release", "north.left", back=back)
    assert re.fullmatch(r"/\?said=[\w-]+", answer.headers["location"])


class FakeController:
    def __init__(self):
        self.asked = []

    def ask(self, act):
        self.asked.append(act)


def test_desk_hands_each_answer_to_its_own_asker():
    desk, controller, answers = Desk(), FakeController(), []
    acts = [Act("release", "north", "a"), Act("release", "north", "a")]
    for number, act in enumerate(acts):
        assert desk.ask(act, lambda done, n=number: answers.append((n, done.text)))
    desk.take(controller)
    assert controller.asked == acts
    desk.answer([ActDone(acts[1], True, "second")])
    assert answers == [(1, "second")]
    desk.answer([ActDone(acts[0], True, "first")])
    assert answers == [(1, "second"), (0, "first")]


def test_desk_takes_no_more_than_a_person_can_ask_and_outlives_an_asker_that_is_gone():
    desk = Desk()

    def gone(_done):
        raise RuntimeError("the event loop is closed")

    act = Act("release", "north", "a")
    taken = [desk.ask(act, gone) for _ in range(MOST + 3)]
    assert taken == [True] * MOST + [False] * 3
    desk.take(FakeController())
    desk.answer([ActDone(act, True, "done")])
    assert desk._taken == []


def test_alarm_is_set_aside_with_a_reason_and_an_end(make_page):
    kept = make_page(days=0.3, fault=True)
    alarm, place = silent(kept)
    answer = kept.browser.act("shelve", place, alarm=alarm, minutes="60")
    assert "give the reason" in said(kept, answer)
    answer = kept.browser.act("shelve", place, alarm=alarm, minutes="60", note="watering")
    assert "shelved for" in said(kept, answer)
    asked = recorded(kept)[-1]
    assert (asked.act.note, asked.act.span_s, asked.status) == ("watering", 3600.0, "done")
    assert "Set aside until" in kept.browser.ask("/alarms").text
    assert "Set aside or explained by another" in kept.browser.ask("/").text
