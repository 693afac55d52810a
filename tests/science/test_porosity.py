"""Air and water in a mix, against the one published pair and the definitions of the standard."""

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from controller.review.porosity import (
    Measured,
    PorosityError,
    in_tray,
    porosity,
    same_mix,
)


def test_worked_example_of_the_definitions() -> None:
    """AS 3743-2003 Appendix B as published by its users: AFP = drained / volume, total porosity =
    water to saturation / volume, water held = the rest. Own numbers; no published numeric example
    of the drain test was found."""
    found = porosity(Measured(1000.0, 180.0, 620.0))
    assert found.afp_pct == pytest.approx(18.0)
    assert found.total_pct == pytest.approx(62.0)
    assert found.water_pct == pytest.approx(44.0)


@pytest.mark.parametrize(
    ("air_pct", "water_pct", "sits"), [(28, 43, "within"), (12, 59, "little air")]
)
def test_one_mix_in_a_pot_and_in_a_cell(air_pct: int, water_pct: int, sits: str) -> None:
    """J. Environ. Hort. 5(4):180 (1987), abstract: the same medium held 28 % of air and 43 % of
    water in a #1 pot, 12 and 59 % in a bedding-plant cell: 71 % of pores in both."""
    drained, kept = 10.0 * air_pct, 10.0 * water_pct
    by_volume = porosity(Measured(1000.0, drained, 710.0))
    assert by_volume.water_pct == pytest.approx(water_pct)
    by_weight = porosity(Measured(1000.0, drained, wet_g=150.0 + kept, dry_g=150.0))
    assert by_weight.total_pct == pytest.approx(71.0)
    assert by_weight.bulk_g_per_ml == pytest.approx(0.15)
    assert by_weight.sits == sits


def test_a_figure_of_a_deep_pot_bounds_that_of_a_shallow_tray() -> None:
    """The same pair: 28 % in the deep one is a bound that the 12 % of the shallow one keeps."""
    words, fits = in_tray(28.0, 15.0, 5.0)
    assert not fits
    assert "28 % at most" in words
    words, fits = in_tray(12.0, 5.0, 15.0)
    assert fits
    assert "12 % at least" in words
    assert in_tray(20.0, 5.0, 5.5) == ("measured at 5 cm, as deep as the tray", True)


@given(
    volume=st.floats(50, 5000),
    air=st.floats(0.01, 0.6),
    water=st.floats(0.05, 0.38),
)
def test_air_and_water_make_up_all_pores_however_they_are_measured(
    volume: float, air: float, water: float
) -> None:
    assume(air + water < 0.99)
    poured = volume * (air + water)
    by_volume = porosity(Measured(volume, volume * air, poured))
    dry_g = 0.2 * volume
    weighed = Measured(volume, volume * air, None, dry_g + volume * water, dry_g)
    by_weight = porosity(weighed)
    assert by_volume.afp_pct == pytest.approx(100 * air)
    assert by_volume.water_pct == pytest.approx(by_weight.water_pct)
    assert by_volume.total_pct == pytest.approx(by_weight.total_pct)


@pytest.mark.parametrize(
    ("afp", "sits"),
    [(14.4, "little air"), (15, "below"), (24.4, "below"), (24.6, "within"), (25, "within"),
     (35.4, "within"), (36, "above"), (50, "above"), (51, "far above"), (70, "far above")],
)  # fmt: skip
def test_it_is_judged_as_it_is_shown_against_the_range_for_cuttings(afp: float, sits: str) -> None:
    """25 to 35 %: Faust, Dole & Lopez 2017, Horticultural Reviews 44."""
    found = porosity(Measured(1000.0, 10.0 * afp))
    assert found.sits == sits
    assert bool(found.changes) == (sits != "within")


@pytest.mark.parametrize(
    ("seen", "words"),
    [
        (Measured(1000, 300, 200), "more ran out .300 mL. than was poured in .200 mL."),
        (Measured(1000, 300, 1100), "more than its whole volume"),
        (Measured(1000, 800), "no rooting mix holds so much air"),
        (Measured(1000, 0), "nothing ran out; open the holes"),
        (Measured(0, 10), "volume of the mix, mL, 0"),
        (Measured(-5, 10), "measure it again"),
        (Measured(1000, math.nan), "measure it again"),
        (Measured(math.inf, 10), "measure it again"),
        (Measured(1000, 200, height_cm=-1), "depth of the mix"),
        (Measured(1000, 200, wet_g=500), "give both weights"),
        (Measured(1000, 200, wet_g=300, dry_g=400), "wrong way round"),
        (Measured(1000, 200, wet_g=2400, dry_g=2000), "heavier than sand"),
        (Measured(1000, 200, wet_g=1500, dry_g=500), "without its container"),
    ],
)
def test_what_cannot_be_right_is_refused_with_what_to_do(seen: Measured, words: str) -> None:
    with pytest.raises(PorosityError, match=words):
        porosity(seen)


def test_a_mix_that_was_moist_at_the_start_is_noticed_by_its_weight() -> None:
    moist = porosity(Measured(1000, 200, 400, 650, 200))
    assert moist.water_pct == pytest.approx(45)
    assert any("25 points more water: it was moist at first" in doubt for doubt in moist.doubts)
    undried = porosity(Measured(1000, 200, 700, 600, 300))
    assert any("20 points less water: was it dried" in doubt for doubt in undried.doubts)
    assert porosity(Measured(1000, 200, 600, 600, 200)).doubts == ()
    assert "dry at the start" in porosity(Measured(1000, 200, 600)).doubts[0]


def test_names_of_a_mix_are_the_same_in_capitals_and_spaces() -> None:
    assert same_mix(" Bark  and Perlite", "bark and perlite")
    assert not same_mix("bark", "bark and perlite")


@pytest.mark.parametrize("tray_cm", [0.0, -1.0, math.nan, math.inf])
def test_a_tray_has_a_depth(tray_cm: float) -> None:
    with pytest.raises(PorosityError, match="depth of the tray"):
        in_tray(20.0, 5.0, tray_cm)
