"""Steps are led by roots found and by leaves that stand; they go back; a date moves nothing."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.recipes import PHASES, freeze, recipe_for
from controller.decide.weaning import BACK_DAYS, PHASE_WORDS, Step, proposed
from controller.records import Batch, Entry

T0, DAY = 1_772_409_600.0, 86400.0


def batch(kind="softwood", count=100, closed_s=None):
    text, digest = freeze(recipe_for(kind))
    return Batch(
        3, "Fuchsia", kind, "north", "left", "", count, T0, text, digest, "stick", T0, closed_s, {}
    )


def entry(day, kind, **values):
    return Entry(round(day * 100), 3, T0 + day * DAY, kind, "Ann", {**values})


def lifted(day, tested, rooted, callused=0, **more):
    values = {"tested": str(tested), "rooted": str(rooted), "callused": str(callused)}
    return entry(day, "tested", **values, **more)


def to(day, phase):
    return entry(day, "weaned", phase=phase)


def look(day, wilted):
    return entry(day, "looked", wilted=wilted)


def step(day, *entries, kind="softwood", count=100):
    return proposed(batch(kind, count), recipe_for(kind), list(entries), T0 + day * DAY)


LED = [
    (4, [lifted(3, 10, 0, 4)], None),
    (4, [lifted(3, 10, 0, 5)], "callus"),
    (4, [lifted(3, 10, 2, 3)], "callus"),
    (9, [to(4, "callus"), lifted(8, 10, 0, 10)], None),
    (9, [to(4, "callus"), lifted(8, 10, 1, 9)], "root"),
    (20, [to(4, "callus"), to(9, "root"), lifted(19, 10, 4)], None),
    (20, [to(4, "callus"), to(9, "root"), lifted(19, 10, 5)], "wean"),
    # A test of two tells nothing, unless two are all there are.
    (20, [to(9, "root"), lifted(19, 2, 2)], None),
    # The newest test counts, also where an older one found more.
    (20, [to(9, "root"), lifted(17, 10, 6), lifted(19, 10, 4)], None),
]


@pytest.mark.parametrize(("day", "entries", "phase"), LED)
def test_roots_found_lead_on(day, entries, phase):
    found = step(day, *entries)
    assert (found.phase if found else None) == phase


def test_no_date_moves_a_batch():
    for day in (10, 50, 400):
        assert step(day) is None
        assert step(day, to(5, "callus"), look(6, "no")) is None


def test_two_that_are_all_there_is_do_tell():
    few = [to(9, "root"), lifted(19, 2, 2)]
    assert step(20, *few, count=2).phase == "wean"


def test_words_name_what_was_found():
    assert step(20, to(9, "root"), lifted(19, 10, 6)).why == "6 of 10 had roots"
    assert step(4, lifted(3, 10, 2, 4)).why == "6 of 10 had callus or roots"


def test_a_step_of_weaning_lasts_as_long_as_its_kind_wants():
    entries = [to(9, "root"), lifted(9.1, 10, 9)]
    soon = step(9.9, *entries)
    assert (soon.kind, soon.phase, soon.since_s) == ("wait", "wean", T0 + 10 * DAY)
    assert step(10.1, *entries).phase == "wean"
    assert step(12.9, *entries, kind="semi_ripe").kind == "wait"
    assert step(13.1, *entries, kind="semi_ripe").phase == "wean"


def test_the_last_step_wants_leaves_that_stand_without_mist():
    entries = [to(9, "root"), to(20, "wean"), lifted(23, 10, 8)]
    asked = step(24, *entries)
    assert (asked.kind, asked.phase) == ("wilt_test", "wean_late")
    assert "hold the mist for an hour at midday" in asked.why
    assert step(24, *entries, look(23.5, "no")).kind == "forward"
    # What leaves did before the step says nothing of after it.
    assert step(24, look(19, "no"), *entries).kind == "wilt_test"
    assert step(24, to(20, "wean"), lifted(23, 10, 7), look(23.5, "no")) is None


def test_leafless_cuttings_are_asked_for_no_leaves():
    entries = [to(20, "wean"), lifted(25, 10, 9)]
    assert step(26, *entries, kind="hardwood").kind == "forward"


def test_flagging_leaves_ask_for_a_step_back_and_for_care_of_new_ones():
    back = step(22, to(9, "root"), to(20, "wean"), lifted(21, 10, 10), look(21.5, "yes"))
    assert (back.kind, back.phase) == ("back", "root")
    care = step(1, look(0.5, "yes"))
    assert (care.kind, care.phase) == ("care", "")
    # Leaves that stood up again need no step.
    stood = step(22, to(9, "root"), look(21.5, "yes"), look(21.9, "no"))
    assert stood is None


def test_a_wilt_seen_in_a_test_counts_too():
    assert step(22, to(20, "wean"), lifted(21, 10, 6, wilted="yes")).kind == "back"


def test_after_a_step_back_forward_waits_two_days_and_for_leaves_that_stand():
    gone = [to(9, "root"), to(20, "wean"), lifted(21, 10, 9), look(21.5, "yes"), to(22, "root")]
    assert step(22 + BACK_DAYS - 0.1, *gone).kind == "wait"
    assert step(22 + BACK_DAYS + 0.1, *gone).kind == "wilt_test"
    assert step(22 + BACK_DAYS + 0.1, *gone, look(23, "no")) == Step(
        "forward", "wean", "9 of 10 had roots", T0 + 24 * DAY
    )


def test_what_is_being_potted_on_needs_no_step():
    assert step(30, to(20, "wean"), lifted(25, 10, 9), entry(29, "potted", potted="9")) is None


def test_a_closed_batch_is_left_alone():
    done = batch(closed_s=T0 + 30 * DAY)
    assert proposed(done, recipe_for("softwood"), [lifted(3, 10, 10)], T0 + 31 * DAY) is None


@given(
    life=st.lists(
        st.one_of(
            st.builds(lifted, st.floats(0.01, 60), st.integers(0, 10), st.integers(0, 10)),
            st.builds(to, st.floats(0.01, 60), st.sampled_from(PHASES)),
            st.builds(look, st.floats(0.01, 60), st.sampled_from(["yes", "no", "perhaps"])),
            st.builds(entry, st.floats(0.01, 60), st.sampled_from(["lost", "sprayed", "moved"])),
        ),
        max_size=12,
    ),
    day=st.floats(0, 70),
)
def test_any_life_gets_one_neighbouring_step_or_none(life, day):
    entries = sorted(life, key=lambda one: one.at_s)
    found = step(day, *entries)
    if found is None:
        return
    phases = [e.values["phase"] for e in entries if "phase" in e.values]
    now = PHASES.index(phases[-1] if phases else "stick")
    if found.kind == "care":
        assert now == 0
    else:
        assert PHASES.index(found.phase) - now == (-1 if found.kind == "back" else 1)
    assert found.since_s <= T0 + day * DAY or found.kind in ("back", "care", "wait")


def test_each_phase_has_its_words_and_they_differ():
    assert set(PHASE_WORDS) == set(PHASES)
    assert all(one != other for one, other in pairwise(PHASE_WORDS.values()))
