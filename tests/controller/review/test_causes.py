"""How evidence is weighed: signs, neighbours, good batches, and what cannot be told."""

from dataclasses import replace

import pytest

from config.recipes import freeze, recipe_for
from controller.records import Batch, Entry
from controller.review.cases import case_of, did_badly
from controller.review.causes import explain
from controller.review.exposure import Exposure
from controller.review.suspects import SUSPECTS, strength

T0, DAY = 1_772_409_600.0, 86400.0
NOW = T0 + 100 * DAY
FINE = Exposure(
    days=30.0, known_share=1.0, cold_share=0.05, cold_run_h=0.0, hot_h=0.0, harmful_hot_h=0.0,
    top_hot_h=0.0, dry_day_kpa_h=0.3, damp_days=0, light_mol=8.0, sky_mol=9.0, gap_h=0.5,
    gap_fall_k=0.0,
)  # fmt: skip
COLD = replace(FINE, cold_share=0.6, cold_run_h=9.0)
ASKED = {
    "wood_ready": "yes", "nodes": "3", "young_growth": "yes",
    "flowering": "no", "pest_or_disease": "no", "length_mm": "70",
    "leaves_kept": "4", "base_stripped": "yes", "cut_below_node": "yes",
    "hours_to_sticking": "1", "mix_crumbled": "yes", "afp_pct": "28",
}  # fmt: skip
RECIPE = recipe_for("softwood")


def case(
    number=1, rooted=10, exposure=FINE, lost=(), details=None, place="north.left", closed=True,
    days=30.0, plant="Fuchsia", kind="softwood", stuck_s=T0,
    latitude_deg=53.3,
):  # fmt: skip
    frozen, digest = freeze(recipe_for(kind))
    bench, bay = place.split(".")
    batch = Batch(
        number, plant, kind, bench, bay, "1", 100, stuck_s, frozen, digest, "stick", stuck_s, None,
        {**ASKED, **(details or {})},
    )  # fmt: skip
    until_s = stuck_s + days * DAY
    said = [("lost", {"lost": str(count), "cause": cause}) for cause, count in lost]
    last = {"rooted": str(rooted)}
    said.append(("closed", last) if closed else ("tested", {"tested": "100", **last}))
    entries = [
        Entry(index, number, until_s, kind_, "me", values)
        for index, (kind_, values) in enumerate(said, 1)
    ]
    return case_of(batch, entries, place, until_s, exposure, latitude_deg)


def good(count=4, exposure=FINE, **details):
    return [case(50 + i, 85, exposure, place="south.right", details=details) for i in range(count)]


def keys(verdict):
    return [cause.key for cause in verdict.causes]


def test_a_good_batch_is_not_explained():
    assert explain(case(rooted=80), good(), NOW).answer == "not bad"


def test_a_cold_base_is_named_measured_compared_and_given_a_change():
    verdict = explain(case(exposure=COLD), good(), NOW)
    assert verdict.answer == "explained"
    first = verdict.causes[0]
    assert (first.key, first.sure) == ("cold", "likely")
    assert "below 18 °C for 60 % of the time" in first.measured
    assert "at or below 10 °C for up to 9 h on end" in first.measured
    assert first.compared == "0 of 4 good batches of Fuchsia had as much"
    assert first.beside == "no other batch stood beside it"
    assert "mat" in first.change


@pytest.mark.parametrize(
    ("exposure", "lost", "key"),
    [
        (replace(FINE, hot_h=60.0, harmful_hot_h=5.0), [("rotted", 60)], "hot"),
        (replace(FINE, dry_day_kpa_h=6.0), [("dried", 80)], "dry"),
        (replace(FINE, damp_days=9), [("rotted", 70)], "never_dry"),
        (replace(FINE, gap_h=30.0, gap_fall_k=9.0), [("dried", 50)], "no_record"),
        (replace(FINE, light_mol=0.9), [], "dark"),
        (replace(FINE, light_mol=None, sky_mol=1.6), [], "dark"),
        (replace(FINE, top_hot_h=40.0), [("dried", 80)], "hot_top"),
    ],
)
def test_each_climate_cause_is_found(exposure, lost, key):
    verdict = explain(case(exposure=exposure, lost=lost), good(), NOW)
    assert keys(verdict)[:1] == [key]


@pytest.mark.parametrize(
    ("details", "lost", "key"),
    [
        ({"flowering": "yes"}, [], "flowering"),
        ({"young_growth": "no"}, [], "old_wood"),
        ({"pest_or_disease": "yes"}, [("rotted", 70)], "disease"),
        ({}, [("disease", 70)], "disease"),
        ({"leaves_kept": "0"}, [], "few_leaves"),
        ({"afp_pct": "9"}, [("rotted", 80)], "close_mix"),
        ({"afp_pct": "", "mix_crumbled": "no"}, [("rotted", 80)], "close_mix"),
        ({"hours_to_sticking": "30"}, [("dried", 80)], "long_wait"),
        ({"base_stripped": "no", "cut_below_node": "no"}, [], "cutting"),
    ],
)
def test_each_recorded_cause_is_found(details, lost, key):
    verdict = explain(case(details=details, lost=lost), good(), NOW)
    assert keys(verdict)[:1] == [key]


MAY, DECEMBER = T0 + 70 * DAY, T0 - 80 * DAY


def score(verdict, key):
    return {cause.key: cause.score for cause in verdict.causes}.get(key, 0.0)


def test_out_of_season_is_told_by_the_date_and_outranked_by_the_wood():
    """Stuck in mid December: softwood is for April to July."""
    open_ = explain(case(details={"wood_ready": ""}, stuck_s=DECEMBER), good(), NOW)
    assert keys(open_) == ["season"]
    assert open_.causes[0].measured == (
        "stuck 4 months outside its usual ones; whether the wood passed its test is not recorded"
    )
    assert "warmfoot season" in open_.causes[0].change
    ripe = explain(case(details={"wood_ready": "yes"}, stuck_s=DECEMBER), good(), NOW)
    assert ripe.answer == "nothing recorded explains it"
    in_may = explain(case(details={"wood_ready": ""}, stuck_s=MAY), good(), NOW)
    assert "season" not in keys(in_may)
    wrong = explain(case(details={"wood_ready": "no"}, stuck_s=MAY), good(), NOW)
    assert wrong.causes[0].measured == "the wood did not pass its test"
    assert score(wrong, "season") >= score(open_, "season") > 0.55


def test_the_further_outside_the_more_it_weighs():
    months = [MAY + 30 * DAY * months for months in (2, 3, 4, 5)]
    found = [
        score(
            explain(case(details={"wood_ready": ""}, stuck_s=at), good(), at + 90 * DAY), "season"
        )
        for at in months
    ]
    assert found[0] == 0.0
    assert found[0] < found[1] < found[2] < found[3]


@pytest.mark.parametrize(
    ("kind", "latitude_deg"), [("softwood", -37.8), ("softwood", 13.7), ("herbaceous", 53.3)]
)
def test_december_is_no_cause_in_the_south_the_tropics_or_for_tender_kinds(kind, latitude_deg):
    made = case(details={"wood_ready": ""}, stuck_s=DECEMBER, kind=kind, latitude_deg=latitude_deg)
    assert "season" not in keys(explain(made, [], NOW))
    north = case(details={"wood_ready": ""}, stuck_s=MAY, latitude_deg=-37.8)
    assert "season" in keys(explain(north, [], MAY + 90 * DAY))


def test_cuttings_without_two_nodes_are_short_whatever_their_length():
    verdict = explain(case(details={"nodes": "1"}), good(), NOW)
    assert verdict.causes[0].measured == "70 mm long and 1 node"
    assert "short" not in keys(explain(case(details={"nodes": "2"}), good(), NOW))


def test_answers_entered_later_count_and_the_last_one_stands():
    held = case().batch
    last = T0 + 30 * DAY
    said = [
        Entry(1, 1, T0 + DAY, "checked", "me", {"flowering": "yes", "afp_pct": ""}),
        Entry(2, 1, last, "closed", "me", {"rooted": "10"}),
    ]
    made = case_of(held, said, "north.left", last, FINE, 53.3)
    assert keys(explain(made, good(), NOW))[0] == "flowering"
    assert made.unknown() == ["air-filled porosity"]
    said.insert(1, Entry(3, 1, T0 + 2 * DAY, "checked", "me", {"flowering": "no"}))
    made = case_of(held, said, "north.left", last, FINE, 53.3)
    assert explain(made, good(), NOW).answer == "nothing recorded explains it"


@pytest.mark.parametrize(
    ("details", "mm"),
    [({"length_cm": "7"}, 70.0), ({"length_cm": "7 cm"}, 70.0), ({"length_mm": "7 cm"}, 70.0)],
)
def test_lengths_are_read_as_they_were_written_down(details, mm):
    made = case(details={"length_mm": "", **details})
    if "length_cm" in details:
        made.batch.details.pop("length_mm", None)
    assert made.figure("length_mm") == mm


def test_every_suspect_grows_with_its_figure_and_says_its_source():
    for suspect in SUSPECTS:
        figures = [value for value, _ in suspect.steps]
        assert figures == sorted(figures)
        worths = [strength(value, suspect.steps) for value in figures]
        assert worths == sorted(worths)
        assert worths[0] >= 0.0
        assert worths[-1] <= 1.0
        assert suspect.source
        assert suspect.change


def test_neighbours_that_did_well_clear_the_climate():
    beside = [case(2, 85, COLD), case(3, 90, COLD)]
    alone = explain(case(exposure=COLD), good(), NOW).causes[0].score
    among = explain(case(exposure=COLD), [*good(), *beside], NOW)
    assert among.answer == "nothing recorded explains it"
    score = {cause.key: cause.score for cause in among.causes}.get("cold", 0.0)
    assert score < 0.5 * alone
    failed = explain(case(exposure=COLD), [*good(), case(2, 5, COLD), case(3, 9, COLD)], NOW)
    assert failed.causes[0].score > alone
    assert failed.causes[0].beside == "0 of 2 beside it did well"


def test_neighbours_clear_no_flowering_wood_and_other_bays_or_times_clear_nothing():
    details = {"flowering": "yes"}
    beside = [case(2, 85), case(3, 90)]
    assert keys(explain(case(details=details), [*good(), *beside], NOW)) == ["flowering"]
    elsewhere = [case(2, 85, COLD, place="north.right"), case(3, 85, COLD, stuck_s=T0 - 60 * DAY)]
    found = explain(case(exposure=COLD), elsewhere, NOW)
    assert found.causes[0].beside == "no other batch stood beside it"


def test_what_good_batches_had_as_well_explains_little():
    details = {"flowering": "yes"}
    verdict = explain(case(details=details), good(flowering="yes"), NOW)
    assert verdict.answer == "nothing recorded explains it"
    few = explain(case(details=details), good(1), NOW)
    assert few.answer == "explained"
    assert "too few to tell" in few.causes[0].compared
    none = explain(case(details=details), [], NOW)
    assert "no good softwood batches yet" in none.causes[0].compared


def test_the_newest_like_batches_are_compared_with():
    """Twelve new ones in flower and thirty old ones without: the new ones speak."""
    new = good(12, flowering="yes")
    old = [case(100 + i, 85, place="south.right", stuck_s=T0 - 400 * DAY) for i in range(30)]
    verdict = explain(case(details={"flowering": "yes"}), [*old, *new], NOW)
    assert verdict.answer == "nothing recorded explains it"


def test_the_way_they_went_points_to_the_cause():
    """The same dry day and the same wet mix: dried cuttings speak for one, rot for the other."""
    both = replace(FINE, dry_day_kpa_h=3.0)
    wet = {"afp_pct": "12"}
    dried = explain(case(exposure=both, details=wet, lost=[("dried", 85)]), good(), NOW)
    rotted = explain(case(exposure=both, details=wet, lost=[("rotted", 85)]), good(), NOW)
    assert keys(dried)[0] == "dry"
    assert keys(rotted)[0] == "close_mix"


def test_nothing_explains_and_not_enough_data_are_told_apart():
    assert explain(case(), good(), NOW).answer == "nothing recorded explains it"
    thin = explain(case(exposure=replace(FINE, known_share=0.42)), good(), NOW)
    assert (thin.answer, thin.text) == ("not enough data", "not enough data (coverage 42 %)")
    assert explain(case(exposure=None), good(), NOW).text == "not enough data (coverage 0 %)"
    flowering = explain(case(exposure=None, details={"flowering": "yes"}), good(), NOW)
    assert flowering.answer == "explained"
    assert "the climate is known for 0 % of the time only" in flowering.text


def test_blanks_are_unknown_and_never_fine():
    verdict = explain(case(details={"flowering": "", "afp_pct": ""}), good(), NOW)
    assert verdict.unknown == ("flowering", "air-filled porosity")


def test_probes_that_are_missing_leave_their_causes_open():
    bare = replace(FINE, dry_day_kpa_h=None, damp_days=None, light_mol=None)
    assert explain(case(exposure=bare), good(), NOW).unknown == ("humidity", "light")
    leafless = explain(case(kind="hardwood", exposure=bare), [], NOW)
    assert leafless.unknown == ()


def test_shares_of_the_lost_never_exceed_the_whole():
    """Sixty were lost before forty were split off."""
    made = case(rooted=5, lost=[("rotted", 60), ("dried", 50)])
    assert sum(made.signs.values()) == pytest.approx(1.0)


@pytest.mark.parametrize("word", ["perhaps", "", "ja", "7 or so"])
def test_an_answer_that_cannot_be_read_is_no_answer(word):
    verdict = explain(case(details=dict.fromkeys(ASKED, word)), good(), NOW)
    assert verdict.answer == "nothing recorded explains it"
    assert len(verdict.unknown) == len(ASKED)


def test_leafless_cuttings_are_not_blamed_on_dry_air_or_leaves():
    dry = replace(FINE, dry_day_kpa_h=9.0, damp_days=9, light_mol=0.5)
    verdict = explain(case(kind="hardwood", exposure=dry, details={"leaves_kept": "0"}), [], NOW)
    assert verdict.answer == "nothing recorded explains it"


def test_an_open_batch_is_judged_when_its_time_is_over_or_too_many_died():
    early = case(rooted=0, closed=False, days=10)
    assert not did_badly(early, (), T0 + 10 * DAY)
    assert did_badly(early, (), T0 + 43 * DAY)  # softwood: 42 days at the latest
    dying = case(rooted=0, closed=False, days=10, lost=[("rotted", 45)])
    assert did_badly(dying, (), T0 + 10 * DAY)


def test_a_usual_strike_may_still_be_poor_beside_the_growers_own():
    fair = case(rooted=61)
    assert not did_badly(fair, good(2), NOW)
    best = [case(60 + i, 95, place="south.right") for i in range(3)]
    assert did_badly(fair, best, NOW)


def test_the_same_records_give_the_same_answer_in_any_order():
    others = [*good(), case(2, 5, COLD), case(3, 85, COLD, plant="Weigela")]
    one = explain(case(exposure=COLD, details={"flowering": "yes"}), others, NOW)
    assert one == explain(case(exposure=COLD, details={"flowering": "yes"}), others[::-1], NOW)


def test_weaning_before_roots_is_noticed():
    batch = case().batch
    entries = [
        Entry(1, 1, T0 + 8 * DAY, "tested", "me", {"tested": "10", "rooted": "1"}),
        Entry(2, 1, T0 + 9 * DAY, "weaned", "me", {"phase": "wean"}),
        Entry(3, 1, T0 + 12 * DAY, "lost", "me", {"lost": "80", "cause": "dried"}),
        Entry(4, 1, T0 + 30 * DAY, "closed", "me", {"rooted": "15"}),
    ]
    made = case_of(batch, entries, "north.left", T0 + 30 * DAY, FINE, 53.3)
    assert made.until_s == T0 + 9 * DAY
    assert keys(explain(made, good(), NOW))[0] == "weaned_early"
