"""Batches that want opposite things on one bench: who leads, who suffers and where it should go."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.load import loads
from config.recipes import PHASES, recipe_for, recipes
from controller.decide import build_aims
from controller.decide.moving import advised
from controller.decide.sharing import Sharing, share, suffering
from controller.records import Batch
from sensors.clock import Now

NOW = Now(1_771_243_200.0, 100.0)
DAY = 86400.0


def site_text(*benches: str, heat: str = "") -> str:
    """Benches as "north:left,right" with a mister, "cold:only-" for one without."""
    found = [
        'site = { name = "Alder Lane", timezone = "Europe/Dublin", latitude_deg = 53.3, '
        "longitude_deg = -6.5 }",
        'links.b = { kind = "memory" }',
    ]
    for number, bench in enumerate(benches):
        name, bays = bench.removesuffix("-").split(":")
        found.append(f"[benches.{name}]\n{heat}")
        if not bench.endswith("-"):
            found.append(f'mister = {{ link = "b", channel = "mist{number}" }}')
        for bay in bays.split(","):
            channel = f"{name}{bay}"
            found.append(
                f"[benches.{name}.bays.{bay}]\n"
                f'probes = [{{ link = "b", channel = "p{channel}", kind = "base_temperature" }}]\n'
                f'mat = {{ link = "b", channel = "m{channel}", power_w = 100, '
                'cutout = "declared", cutout_c = 35 }'
            )
    return "\n".join(found)


def batch(number, phase="stick", at="north.left", kind="softwood", days=2.0, plant="Fuchsia"):
    bench, bay = at.split(".")
    stuck_s = NOW.utc_s - days * DAY
    return Batch(
        number, plant, kind, bench, bay, "1", 100, stuck_s,
        recipe_for(kind, plant).model_dump_json(), "hash", phase, stuck_s, None, {},
    )  # fmt: skip


def shared(*batches, benches=("north:left,right",), heat="") -> Sharing:
    site = loads(site_text(*benches, heat=heat), "bench.toml")
    found = share(site, batches, build_aims(site, batches, NOW), NOW)
    return advised(site, batches, found, NOW)


def lines(*batches, **more):
    return [one.line for one in shared(*batches, **more).suffers]


@pytest.mark.parametrize(
    "batches",
    [
        [],
        [batch(1)],
        [batch(1), batch(2, at="north.right")],
        [batch(1, "callus"), batch(2, "root")],
        [batch(1, kind="hardwood"), batch(2, "callus", at="north.right", kind="hardwood")],
    ],
)
def test_nothing_is_said_where_all_want_the_same(batches):
    assert lines(*batches) == []


def test_the_youngest_without_roots_leads_its_bay_and_the_thirstiest_the_mist():
    found = shared(batch(1, "root", days=20), batch(2), batch(3, "callus", "north.right", days=9))
    left, right = (found.bays["north", bay] for bay in ("left", "right"))
    assert (left.batch, left.text) == (
        2, "batch 2 Fuchsia leads: the youngest without roots of 2",
    )  # fmt: skip
    assert (right.batch, right.text) == (3, "batch 3 Fuchsia leads")
    mister = found.misters["north"]
    assert (mister.batch, mister.text) == (
        2,
        "batch 2 Fuchsia leads the mist: it dries out first of 3",
    )


def test_a_callused_batch_kept_wet_by_a_new_one_is_told_in_whichever_bay():
    (said,) = lines(batch(1, "callus"), batch(2, at="north.right"))
    assert said.startswith("batch 2 Fuchsia keeps the mist frequent; batch 1 Fuchsia should dry")
    assert "watch its leaves for mould; no other bay here suits it now" in said


def test_one_that_is_weaned_under_another_that_roots_is_told():
    (said,) = lines(batch(1, "wean", "north.right"), batch(2, "callus"))
    assert "batch 1 Fuchsia is misted 7 times as often as it wants: it hardens late" in said


def test_it_is_moved_under_another_mister_where_there_is_one():
    found = shared(batch(1, "callus"), batch(2), benches=("north:left,right", "south:left")).suffers
    assert [(one.batch, one.lead, one.mover, one.to) for one in found] == [
        (1, 2, 1, "south.left"),
    ]  # fmt: skip
    assert found[0].line.endswith("; move it to south.left")


def test_leaves_are_not_moved_to_where_no_mist_is():
    (said,) = lines(batch(1, "callus"), batch(2), benches=("north:left", "dry:only-"))
    assert said.endswith("no other bay here suits it now")


def test_where_the_one_that_suffers_suits_nowhere_the_other_is_moved():
    """South holds another that is just stuck, so that only the new one can go there."""
    there = batch(1, "callus"), batch(2), batch(3, at="south.left")
    found = shared(*there, benches=("north:left", "south:left")).suffers
    assert [(one.batch, one.mover, one.to) for one in found] == [(1, 2, "south.left")]
    assert found[0].line.endswith("; move batch 2 to south.left")


def test_a_warm_plant_beside_a_cool_one_on_one_mat():
    cool = batch(1, kind="evergreen", plant="Thuja", days=30)
    warm = batch(2, kind="tropical", plant="Ficus", days=1)
    found = shared(cool, warm, benches=("north:left,right", "south:left"))
    base = [one for one in found.suffers if one.of == "base"]
    assert [(one.batch, one.lead, one.to) for one in base] == [(1, 2, "south.left")]
    assert base[0].text == (
        "batch 1 Thuja wants its base at 18 to 21 °C and has 26 for batch 2 Ficus; too warm: fewer "
        "root"
    )
    top = [one for one in found.suffers if one.of == "top"]
    assert [one.batch for one in top] == [1]
    assert "wants the air at 8 to 13 °C by day and batch 2 Ficus beside it from 22" in top[0].text


def test_no_batch_is_sent_from_one_trouble_into_another():
    """South has an empty bay, but its air is kept for softwood, too warm for a winter evergreen."""
    cool = batch(1, kind="evergreen", plant="Thuja", days=30)
    warm = batch(2, kind="tropical", plant="Ficus", days=1)
    soft = batch(3, at="south.left", days=0.5)
    found = shared(cool, warm, soft, benches=("north:left", "south:left,right")).suffers
    assert {(one.batch, one.mover, one.to) for one in found if one.lead == 2} == {
        (1, 2, "south.right"),
    }  # fmt: skip


def test_a_bay_that_is_warm_already_comes_before_an_empty_one():
    """Both suit the rooted one: beside its like no mat is heated for it alone."""
    found = shared(
        batch(1, "wean"), batch(2), batch(3, "wean", "west.left"),
        benches=("north:left", "east:left", "west:left"),
    ).suffers  # fmt: skip
    assert {one.to for one in found if one.batch == 1} == {"west.left"}


def test_what_the_bench_file_holds_against_a_batch_is_told_too():
    found = shared(batch(1, kind="tropical", plant="Ficus"), heat="heat = { target_c = 19.0 }")
    (one,) = found.suffers
    assert (one.batch, one.lead, one.to) == (1, 0, "")
    assert "has 19 by the bench file; too cold: it roots late" in one.text
    assert found.bays["north", "left"].text == "the bench file sets the target; batch 1 Ficus in it"


@pytest.mark.parametrize(
    ("heat", "bay", "mister"),
    [
        ("", "empty: no batch is stuck, heat is off", "empty: no batch is stuck, mist is off"),
        ("heat = { frost_c = 4.0 }", "empty: only kept from frost, at 4 °C", "mist is off"),
        ('recipe = "semi_ripe"', "empty: kept ready for Semi-ripe at 20 °C",
         "empty: misted to be ready for Semi-ripe; no alarm of dry or hot air till"),
        ("heat = { target_c = 18.0 }", "empty: held at 18 °C as the bench file asks", "off"),
        ("mist = { dose_kpa_min = 6.0 }", "heat is off", "misted as the bench file asks; no alarm"),
    ],
)  # fmt: skip
def test_an_empty_bench_says_what_it_does(heat, bay, mister):
    found = shared(heat=heat)
    assert bay in found.bays["north", "left"].text
    assert found.bays["north", "left"].batch == 0
    assert mister in found.misters["north"].text


def test_on_a_large_site_only_some_are_tried_and_the_others_are_told_all_the_same():
    benches = [f"b{number}:left,right" for number in range(12)]
    batches = [
        batch(2 * number + turn + 1, phase, f"b{number}.left", days=days)
        for number in range(12)
        for turn, (phase, days) in enumerate((("callus", 9.0), ("stick", 1.0)))
    ]
    found = shared(*batches, benches=benches).suffers
    tried = [one.tried for one in found]
    assert len(found) == 12
    assert tried == sorted(tried, reverse=True)
    assert 0 < sum(tried) < 12
    assert found[-1].line == found[-1].text


kinds = sorted(name for name, recipe in recipes().items() if recipe.plant is None)
PLACES = ("north.left", "north.right", "south.left", "dry.only")


@given(
    lives=st.lists(
        st.tuples(
            st.sampled_from(kinds), st.sampled_from(PHASES), st.sampled_from(PLACES),
            st.floats(0.0, 200.0),
        ),
        max_size=6,
    )
)  # fmt: skip
def test_whatever_stands_where_a_move_that_is_advised_leaves_fewer_to_suffer(lives):
    site = loads(site_text("north:left,right", "south:left", "dry:only-"), "bench.toml")
    batches = [
        batch(number, phase, at, kind, days, plant=kind)
        for number, (kind, phase, at, days) in enumerate(lives, 1)
    ]
    aims = build_aims(site, batches, NOW)
    found = advised(site, batches, share(site, batches, aims, NOW), NOW)
    numbers = {one.number for one in batches}
    before = len(suffering(site, batches, aims, NOW))
    for one in found.suffers:
        assert one.batch in numbers
        assert one.lead in numbers | {0}
        assert one.batch != one.lead
        if not one.to:
            continue
        bench, bay = one.to.split(".")
        moved = [
            b._replace(bench=bench, bay=bay) if b.number == one.mover else b for b in batches
        ]  # fmt: skip
        assert len(suffering(site, moved, build_aims(site, moved, NOW), NOW)) < before
