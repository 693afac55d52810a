"""What is typed into forms of batches is written down once, or comes back with what is wrong."""

import html
import re
import threading

import pytest

from config.checklist import QUESTIONS, questions_for
from config.model import PagePlan
from config.recipes import recipes
from controller.entries import effective
from controller.journal.reader import open_reader
from controller.page.fields import fault_of

HOSTILE = "<script>alert(1)</script>'\"& Hebe"


@pytest.fixture(scope="module")
def kept(make_page):
    return make_page(days=2.0, plays=False)


def text_of(answer):
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", answer.text)).split())


def batches(kept):
    with open_reader(kept.journal) as reader:
        return reader.batches()


def standing(kept, number=1):
    with open_reader(kept.journal) as reader:
        return effective(reader.entries(number))


def put(kept, path, **fields):
    token = kept.browser.form_token()
    return kept.browser.ask(path, {"form": token, **fields})


def said(kept, answer):
    assert answer.status == 303, text_of(answer)
    shown = kept.browser.ask(answer.headers["location"])
    return html.unescape(re.search(r'class="said">([^<]*)<', shown.text)[1])


def typed_value(answer, name):
    found = re.search(rf'<input[^>]* name="{name}"[^>]*value="([^"]*)"', answer.text)
    return html.unescape(found[1])


def test_stick_form_asks_what_the_kind_is_asked_and_says_what_the_month_is(kept):
    first = kept.browser.ask("/stick")
    assert all(f'value="{name}"' in first.text for name, one in recipes().items() if not one.plant)
    form = kept.browser.ask("/stick?plant=Hebe&kind=semi_ripe")
    asked = {one.key for one in questions_for("semi_ripe")}
    assert all(f'name="{key}"' in form.text for key in asked)
    told = text_of(form)
    assert "Out of its usual months" in told, "the bench stands in March"
    assert recipes()["semi_ripe"].wood.split(":")[0] in told
    hard = kept.browser.ask("/stick?plant=Ribes&kind=hardwood").text
    assert 'name="leaves_kept"' not in hard
    assert "Out of its usual months" in text_of(form), "and the form is there all the same"


def test_stuck_from_the_page_it_is_a_batch_with_who_when_and_answers(kept):
    answer = put(
        kept, "/stick", plant="Hebe albicans", kind="semi_ripe", bay="north.left", count="84",
        trays="B1-B2", hormone="IBA talc", wood_ready="yes", length_mm="7cm", flowering="",
    )  # fmt: skip
    told = said(kept, answer)
    made = batches(kept)[-1]
    assert answer.headers["location"].startswith(f"/batch/{made.number}?said=")
    assert "on every tray label" in told
    assert (made.plant, made.kind, made.cuttings, made.trays) == (
        "Hebe albicans", "semi_ripe", 84, "B1-B2",
    )  # fmt: skip
    assert made.details == {"hormone": "IBA talc", "wood_ready": "yes", "length_mm": "70"}
    now_s = kept.live.board.latest.now.utc_s
    assert made.stuck_s == pytest.approx(now_s, abs=1.0)
    page = text_of(kept.browser.ask(f"/batch/{made.number}")).lower()
    assert "wood right by its test yes" in page
    unknown = re.search(r"not known of its sticking, so not ruled out: ([^.]*)\.", page)[1]
    open_ones = len(questions_for("semi_ripe")) - 2
    assert len(unknown.split(", ")) == open_ones


def test_what_is_wrong_stands_beside_its_field_and_all_that_was_typed_is_kept(kept):
    before = batches(kept)
    answer = put(
        kept, "/stick", plant=HOSTILE, kind="softwood", bay="north.left", count="many",
        trays="C3", afp_pct="400", when="yesterday", hormone="none",
    )  # fmt: skip
    assert answer.status == 422
    assert batches(kept) == before
    for name in ("count", "afp_pct", "when"):
        assert f'id="f-{name}-wrong"' in answer.text
        assert re.search(rf'id="f-{name}"[^>]*aria-invalid="true"', answer.text)
    assert typed_value(answer, "count") == "many"
    assert typed_value(answer, "afp_pct") == "400"
    assert typed_value(answer, "trays") == "C3"
    assert typed_value(answer, "plant") == HOSTILE
    assert "<script>alert" not in answer.text
    assert "See the 3 marks below" in text_of(answer)
    assert "http-equiv" not in answer.text, "what is typed is not lost to a page that reloads"


def test_hostile_name_is_kept_as_text_everywhere(kept):
    put(kept, "/stick", plant=HOSTILE, kind="softwood", bay="north.left", count="3")
    made = batches(kept)[-1]
    assert made.plant == HOSTILE
    for path in (f"/batch/{made.number}", "/batches", f"/batch/{made.number}/tested", "/"):
        assert "<script>alert" not in kept.browser.ask(path).text


def test_a_second_tap_writes_once(kept):
    before = len(batches(kept))
    fields = {"plant": "Buxus", "kind": "evergreen", "bay": "north.left", "count": "40",
              "drawn": "77"}  # fmt: skip
    answers = []
    token = kept.browser.form_token()

    def tap():
        answers.append(kept.browser.ask("/stick", {"form": token, **fields}))

    taps = [threading.Thread(target=tap) for _ in range(3)]
    for each in taps:
        each.start()
    for each in taps:
        each.join()
    assert [one.status for one in answers] == [303] * 3
    assert len(batches(kept)) == before + 1
    put(kept, "/stick", **{**fields, "drawn": "78"})
    assert len(batches(kept)) == before + 2, "a form opened anew is another batch"


def test_test_losses_look_spray_and_step_are_written_down_with_who(kept):
    assert "2 of 6 had roots" in said(
        kept, put(kept, "/batch/1/tested", tested="6", rooted="2", callused="3", wilted="no",
                  when="2026-03-03T18:00", note="corner")
    )  # fmt: skip
    put(kept, "/batch/1/lost", lost="4", cause="rotted")
    put(kept, "/batch/1/looked", wilted="yes", note="flagging at noon")
    put(kept, "/batch/1/sprayed")
    put(kept, "/batch/1/weaned", phase="callus")
    entries = {one.kind: one for one in standing(kept)}
    assert set(entries) == {"tested", "lost", "looked", "sprayed", "weaned"}
    tested = entries["tested"]
    assert tested.values == {"tested": "6", "rooted": "2", "callused": "3", "wilted": "no"}
    assert (tested.by, tested.note) == ("at this machine", "corner")
    assert tested.at_s == 1_772_560_800.0, "18:00 in Dublin in March is 18:00 UTC"
    assert entries["lost"].values == {"lost": "4", "cause": "rotted"}
    assert batches(kept)[0].phase == "callus"
    put(kept, "/batch/1/weaned", phase="stick")
    assert batches(kept)[0].phase == "stick", "a step goes back too"
    page = text_of(kept.browser.ask("/batch/1"))
    assert "flagging at noon" in page


@pytest.mark.parametrize(
    ("act", "fields", "field", "why"),
    [
        ("tested", {"tested": "5", "rooted": "9"}, "rooted", "9 rooted and callused is more"),
        ("tested", {"tested": "", "rooted": "1"}, "tested", "nothing is written here"),
        ("lost", {"lost": "9999", "cause": "rotted"}, "lost", "is more than the 120"),
        ("lost", {"lost": "1", "cause": "witches"}, "cause", "choose a cause"),
        ("lost", {"lost": "-1", "cause": "rotted"}, "lost", "'-1' is not that"),
        ("looked", {"wilted": ""}, "note", "say what you saw"),
        ("weaned", {"phase": "bloom"}, "phase", "choose one of the steps"),
        ("moved", {"bay": "south.right"}, "bay", "choose one of the bays"),
        ("split", {"count": "100000", "bay": "north.left"}, "", "fewer than that"),
        ("tested", {"tested": "5", "rooted": "1", "when": "2031-01-01T00:00"}, "when", "future"),
        ("checked", {"flowering": "purple"}, "flowering", "write yes, no or unknown"),
    ],
)  # fmt: skip
def test_entry_that_cannot_be_is_refused_beside_its_field(kept, act, fields, field, why):
    before = standing(kept)
    answer = put(kept, f"/batch/1/{act}", **fields)
    assert answer.status == 422
    found = re.search(rf'id="f-{field}-wrong">([^<]*)<', answer.text)
    whole = re.search(r'id="wrong">(.*?)</p>', answer.text, re.S)
    told = html.unescape((found or whole)[1])
    assert why in told
    assert standing(kept) == before


def test_checklist_takes_only_what_is_new(kept):
    first = kept.browser.ask("/batch/1/checked").text
    put(kept, "/batch/1/checked", flowering="no", nodes="3", mix="bark and perlite")
    (entry,) = [one for one in standing(kept) if one.kind == "checked"]
    assert entry.values["flowering"] == "no"
    assert entry.values["mix"] == "bark and perlite"
    again = kept.browser.ask("/batch/1/checked").text
    assert again != first
    checked = re.search(r'id="f-flowering-no"([^>]*)>', again)
    assert "checked" in checked[1], "what is known stands in the form"


def test_entry_is_put_right_or_taken_back_and_both_stay_on_record(kept):
    put(kept, "/batch/1/lost", lost="3", cause="dried")
    entry = [one for one in standing(kept) if one.kind == "lost"][-1]
    form = kept.browser.ask(f"/batch/1/entry/{entry.number}")
    assert typed_value(form, "lost") == "3"
    put(kept, f"/batch/1/entry/{entry.number}", lost="2", cause="pest", note="counted again")
    now = next(one for one in standing(kept) if one.number == entry.number)
    assert now.values == {"lost": "2", "cause": "pest"}
    assert now.at_s == entry.at_s, "it happened when it happened"
    put(kept, f"/batch/1/entry/{entry.number}", take="back")
    assert entry.number not in {one.number for one in standing(kept)}
    with open_reader(kept.journal) as reader:
        kinds = [one.kind for one in reader.entries(1)][-2:]
    assert kinds == ["corrected", "corrected"]


def test_split_move_and_merge_and_what_ends_a_batch_is_asked_twice(kept):
    put(kept, "/stick", plant="Salvia", kind="herbaceous", bay="north.left", count="50")
    number = batches(kept)[-1].number
    put(kept, f"/batch/{number}/split", count="20", bay="north.left")
    other = batches(kept)[-1]
    assert other.cuttings == 20
    first = put(kept, f"/batch/{number}/merged", gone=str(other.number))
    assert first.status == 200
    assert f"Batch {other.number} ends without a result" in text_of(first)
    assert not batches(kept)[-1].merged_into, "nothing is done by asking once"
    put(kept, f"/batch/{number}/merged", gone=str(other.number), sure="yes")
    assert batches(kept)[-1].merged_into == number
    again = put(kept, f"/batch/{number}/closed", rooted="30", lost_rotted="5", lesson="less mist")
    assert again.status == 200
    told = text_of(again)
    assert "30 of 50 with roots" in told
    assert "15 of which nothing is said" in told
    assert batches(kept)[number - 1].closed_s is None
    carried = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', again.text))
    assert carried["sure"] == "yes"
    done = kept.browser.ask(f"/batch/{number}/closed", carried)
    assert "30 of 50 rooted, 60\u00a0%; 15 not accounted for" in said(kept, done)
    assert batches(kept)[number - 1].closed_s is not None
    shut = put(kept, f"/batch/{number}/tested", tested="5", rooted="1")
    assert shut.status == 422
    assert "is closed; nothing of the kind" in text_of(shut)
    closing = next(one for one in standing(kept, number) if one.kind == "closed")
    put(kept, f"/batch/{number}/entry/{closing.number}", take="back")
    assert batches(kept)[number - 1].closed_s is None, "a closing can be taken back"


def test_confirmation_and_errors_cannot_be_put_into_an_address(kept):
    for query in ("page:sure=yes&rooted=0&page:typed=1", "page%3Asure=yes", "page:wrong:=Burn"):
        shown = kept.browser.ask(f"/batch/1/closed?{query}")
        assert shown.status == 200
        assert 'name="sure"' not in shown.text
        assert "Burn" not in shown.text


def test_forms_want_their_token_their_origin_and_a_form_of_this_page(kept):
    before = standing(kept)
    for headers, token in (
        ({}, "0" * 32),
        ({"Origin": "https://evil.example"}, kept.browser.form_token()),
        ({"Sec-Fetch-Site": "cross-site"}, kept.browser.form_token()),
    ):
        fields = {"form": token, "lost": "1", "cause": "rotted"}
        answer = kept.browser.ask("/batch/1/lost", fields, headers=headers)
        assert answer.status == 403
    assert kept.browser.ask("/batch/1/lost", {}, method="PUT").status == 405
    assert standing(kept) == before


def test_more_than_a_form_holds_is_refused(kept):
    answer = put(kept, "/batch/1/looked", note="x" * 5000)
    assert answer.status == 400
    many = put(kept, "/batch/1/looked", **{f"a{n}": "1" for n in range(80)})
    assert many.status == 400


class Lan(PagePlan):
    """Served on loopback for the test, and counts as the network."""

    @property
    def loopback(self) -> bool:
        return False


def test_a_token_that_may_only_look_gets_no_form_and_cannot_write(make_page):
    tokens = {("Hall", "read"): ""}
    lan = make_page(Lan(port=8046), days=1.1, plays=False, tokens=tokens)
    lan.browser.ask("/in", {"token": tokens["Hall", "read"]})
    page = lan.browser.ask("/batch/1")
    assert page.status == 200
    assert "/batch/1/tested" not in page.text
    for path in ("/stick", "/batch/1/tested"):
        shown = lan.browser.ask(path)
        assert "may look but not act" in text_of(shown)
        assert '<form method="post" action="/batch' not in shown.text
        assert lan.browser.ask(path, {"form": "0" * 32, "tested": "5"}).status == 403
    assert standing(lan) == []


@pytest.mark.parametrize("path", ["/batch/99/tested", "/batch/1/burnt", "/batch/1/entry/9999"])
def test_forms_there_are_not(kept, path):
    assert kept.browser.ask(path).status == 404
    assert put(kept, path, lost="1").status in (404, 422)


def test_refusal_goes_beside_the_field_it_speaks_of():
    names = ["tested", "rooted", "when", "note"]
    assert fault_of("9 rooted and callused is more than the 5 tested", names) == {
        "rooted": "9 rooted and callused is more than the 5 tested"
    }
    assert list(fault_of("the entry lies in the future; check the date", names)) == ["when"]
    assert list(fault_of("the disk is on fire", names)) == [""]


def test_every_question_has_room_in_the_longest_form():
    assert len(QUESTIONS) + 12 < 60
