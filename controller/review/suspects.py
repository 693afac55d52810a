"""Every cause of failure that can be told from the records: how it is measured and weighed.

A measure is larger the worse it is. `steps` turn it into a strength of 0..1: what a figure of that
size is worth as an explanation before signs, neighbours and good batches are heard. The figures are
limits of recipes and what is known of cuttings in general. One weight was changed after a look at
simulated batches, and says so.
"""

from collections.abc import Callable, Mapping
from typing import Final, NamedTuple

from config.shares import percent
from controller.review.cases import Case

PRACTICE: Final = "common practice, no source"
CARPENTER: Final = (
    "from memory: Carpenter, Hansen & Carlson 1973, J. Amer. Soc. Hort. Sci. (a day at or below "
    "10 °C or at 35 °C harms)"
)
Steps = tuple[tuple[float, float], ...]


class Suspect(NamedTuple):
    """One possible cause.

    climate: told from the probes, so that neighbours speak for or against it.  leafy: only for
    leafy cuttings.  measure: its figure, None when not known.  words: that figure in words.
    signs: how well each way of failing fits it, 0..1; what is not named fits by `OTHER_SIGN`.
    change: what to do next time.  source: of its limits.
    """

    key: str
    title: str
    climate: bool
    leafy: bool
    measure: Callable[[Case], float | None]
    steps: Steps
    words: Callable[[Case], str]
    signs: Mapping[str, float]
    change: str
    source: str


OTHER_SIGN: Final = 0.7
YES_NO: Final[Steps] = ((0.0, 0.0), (1.0, 0.75))


def strength(value: float, steps: Steps) -> float:
    """Strength of a figure, by straight lines between the steps."""
    low, low_strength = steps[0]
    if value <= low:
        return low_strength if value == low else 0.0
    for high, high_strength in steps[1:]:
        if value <= high:
            share = (value - low) / (high - low)
            return low_strength + share * (high_strength - low_strength)
        low, low_strength = high, high_strength
    return low_strength


# -- climate --------------------------------------------------------------------------------------


def _cold(case: Case) -> float | None:
    seen = case.exposure
    if seen is None or seen.cold_share is None or seen.cold_run_h is None:
        return None
    return max(seen.cold_share / 0.25, seen.cold_run_h / 6.0)


def _cold_words(case: Case) -> str:
    seen = case.exposure
    assert seen is not None
    share, run = seen.cold_share or 0.0, seen.cold_run_h or 0.0
    words = f"base below {case.recipe.slow_below_c:g} °C for {percent(share)} of the time"
    if run >= 1.0:
        words += f", at or below {case.recipe.harmful_low_c:g} °C for up to {run:.0f} h on end"
    return words


def _hot(case: Case) -> float | None:
    seen = case.exposure
    if seen is None or seen.hot_h is None or seen.harmful_hot_h is None:
        return None
    return max(seen.hot_h, 8.0 * seen.harmful_hot_h)


def _hot_words(case: Case) -> str:
    seen = case.exposure
    assert seen is not None
    words = f"base above {case.recipe.hot_above_c:g} °C for {seen.hot_h or 0.0:.0f} h"
    if seen.harmful_hot_h:
        words += f", at {case.recipe.harmful_high_c:g} °C or more for {seen.harmful_hot_h:.1f} h"
    return words


def _dry(case: Case) -> float | None:
    return None if case.exposure is None else case.exposure.dry_day_kpa_h


def _damp(case: Case) -> float | None:
    seen = case.exposure
    return None if seen is None or seen.damp_days is None else float(seen.damp_days)


def _gap(case: Case) -> float | None:
    """Hours without record, counted in full when the base had fallen by 5 K or more across it."""
    seen = case.exposure
    if seen is None:
        return None
    return seen.gap_h * (0.4 + 0.6 * min(1.0, max(0.0, seen.gap_fall_k) / 5.0))


def _dark(case: Case) -> float | None:
    """How far the light was below 3 mol/m2 a day; without a light probe as the date lets expect,
    which counts for 1.2 at most."""
    seen = case.exposure
    if seen is None:
        return None
    return min(1.2, 3.0 - seen.sky_mol) if seen.light_mol is None else 3.0 - seen.light_mol


def _dark_words(case: Case) -> str:
    seen = case.exposure
    assert seen is not None
    if seen.light_mol is not None:
        return f"{seen.light_mol:.1f} mol/m2 of light a day"
    return f"about {seen.sky_mol:.1f} mol/m2 of light a day, going by the date; not measured"


def _top_hot(case: Case) -> float | None:
    return None if case.exposure is None else case.exposure.top_hot_h


# -- what the grower recorded ---------------------------------------------------------------------


def _if(key: str, wrong: bool) -> Callable[[Case], float | None]:
    """1 when a yes or no was answered the wrong way."""

    def measure(case: Case) -> float | None:
        said = case.answer(key)
        return None if said is None else float(said is wrong)

    return measure


def _disease(case: Case) -> float | None:
    """Pest or disease seen before sticking, or counted among the lost: 1 from a third of them."""
    seen = _if("pest_or_disease", wrong=True)(case)
    counted = 3.0 * (case.signs.get("disease", 0.0) + case.signs.get("pest", 0.0))
    return min(1.0, counted) if seen is None else max(seen, min(1.0, counted))


def _disease_words(case: Case) -> str:
    counted = case.signs.get("disease", 0.0) + case.signs.get("pest", 0.0)
    words = ["seen on the shoots"] if case.answer("pest_or_disease") else []
    if counted:
        words.append(f"the cause of {percent(counted)} of the failures")
    return "pest or disease " + " and ".join(words)


def _few_leaves(case: Case) -> float | None:
    leaves = case.figure("leaves_kept")
    return None if leaves is None else 3.0 - leaves


def _close_mix(case: Case) -> float | None:
    """How far air-filled porosity is below 25 %; without it, whether the mix crumbled."""
    afp = case.figure("afp_pct")
    if afp is not None:
        return 25.0 - afp
    crumbled = case.answer("mix_crumbled")
    return None if crumbled is None else 0.0 if crumbled else 8.0


def _close_mix_words(case: Case) -> str:
    afp = case.figure("afp_pct")
    return "the mix did not crumble" if afp is None else f"air-filled porosity {afp:g} %"


def _wait(case: Case) -> float | None:
    return case.figure("hours_to_sticking")


def _cutting(case: Case) -> float | None:
    """How many of two were left out: the base stripped, the cut below a node."""
    said = [case.answer("base_stripped"), case.answer("cut_below_node")]
    known = [one for one in said if one is not None]
    return float(known.count(False)) if known else None


def _cutting_words(case: Case) -> str:
    said = (("base_stripped", "base not stripped"), ("cut_below_node", "not cut below a node"))
    return " and ".join(words for key, words in said if case.answer(key) is False)


def _short(case: Case) -> float | None:
    """How far the cuttings are shorter than 50 mm; without two nodes as good as 20 mm short.

    Leaf-bud and root cuttings are meant to be.
    """
    length, nodes = case.figure("length_mm"), case.figure("nodes")
    if (length is None and nodes is None) or case.batch.kind in ("leaf_bud", "root"):
        return None
    return max(0.0 if length is None else 50.0 - length, 20.0 if nodes in (0.0, 1.0) else 0.0)


def _short_words(case: Case) -> str:
    length, nodes = case.figure("length_mm"), case.figure("nodes")
    words = [] if length is None else [f"{length:g} mm long"]
    if nodes in (0.0, 1.0):
        words.append("1 node" if nodes else "no node")
    return " and ".join(words)


def _season(case: Case) -> float | None:
    """Months outside the window. The test of the wood outranks the date: 0 when the wood passed it,
    3 when it did not."""
    ready = case.answer("wood_ready")
    if ready is not None:
        return 0.0 if ready else 3.0
    return None if case.months_outside is None else float(case.months_outside)


def _season_words(case: Case) -> str:
    months = case.months_outside or 0
    date = f"stuck {months} month{'s' * (months != 1)} outside its usual ones" if months else ""
    if case.answer("wood_ready") is False:
        return f"the wood did not pass its test{', and ' * bool(date)}{date}"
    return f"{date}; whether the wood passed its test is not recorded"


def _weaned(case: Case) -> float | None:
    return float(case.weaned_unrooted)


# How the ways of failing fit, common practice, no source: what stalls, what wilts, what rots. That
# wilting explains stalled cuttings by 0.2 only was 0.45 and 0.3 before; see DEVELOPERS.md.
_SLOW: Final = {"stalled": 1.0, "leaf_drop": 0.5, "rotted": 0.5, "disease": 0.4, "dried": 0.3}
_WILT: Final = {"dried": 1.0, "leaf_drop": 1.0, "stalled": 0.2, "rotted": 0.2, "disease": 0.2}
_ROT: Final = {"rotted": 1.0, "disease": 0.9, "stalled": 0.5, "leaf_drop": 0.5, "dried": 0.1}

SUSPECTS: Final = (
    Suspect(
        "cold", "cold base", True, False, _cold, ((0.5, 0.0), (1.0, 0.5), (2.4, 0.9)), _cold_words,
        {"stalled": 1.0, "rotted": 0.8, "disease": 0.5, "leaf_drop": 0.4, "dried": 0.2},
        "find out why the mat could not hold the base: its power, the insulation below it, a cover "
        "by night",
        f"limits of the recipe; {CARPENTER}; a quarter of the hours: {PRACTICE}",
    ),
    Suspect(
        "hot", "hot base", True, False, _hot,
        ((1.0, 0.1), (12.0, 0.5), (48.0, 0.9), (120.0, 1.0)), _hot_words,
        {"stalled": 0.9, "rotted": 0.9, "disease": 0.6, "leaf_drop": 0.7, "dried": 0.7},
        "look at the mat's relay and cut-out, and where the base probe lies; shade against sun",
        f"limits of the recipe; {CARPENTER}; hours: {PRACTICE}",
    ),
    Suspect(
        "dry", "dry air", True, True, _dry, ((0.6, 0.0), (1.2, 0.4), (5.0, 0.9)),
        lambda case: f"VPD {_dry(case) or 0.0:.1f} kPa h beyond its band on the driest day", _WILT,
        "look at nozzles, strainer and tank; shade and close the cover on bright days; shorter "
        "gaps in the first week",
        "unrooted leaves without water wilt in 1 to 5 h (Alem & Faust 2019, poinsettia); in kPa h: "
        "this program's own estimate, as for its dry-air alarm",
    ),
    Suspect(
        "never_dry", "never dry", True, True, _damp, ((2.0, 0.0), (3.0, 0.5), (6.0, 0.9)),
        lambda case: f"{_damp(case) or 0.0:.0f} days on end after callus without one drying", _ROT,
        "let leaves dry once a day from callus on and stay dry at night; look for a valve that "
        "leaks; open the cover a little",
        PRACTICE,
    ),
    Suspect(
        "no_record", "a gap without record", True, False, _gap,
        ((3.0, 0.0), (8.0, 0.45), (24.0, 0.85), (48.0, 1.0)),
        lambda case: (
            f"nothing on record for {case.exposure.gap_h if case.exposure else 0.0:.0f} h on end, "
            f"base lower by {max(0.0, case.exposure.gap_fall_k) if case.exposure else 0.0:.1f} K "
            "after it"
        ),
        {"stalled": 0.9, "rotted": 0.9, "dried": 0.9, "leaf_drop": 0.9},
        "find out what stopped Warmfoot or the power, and let an alert reach a telephone",
        "a warm wet mix cools to below 10 °C in about ten hours over air of 8 °C (this program's "
        "own estimate)",
    ),
    Suspect(
        "dark", "dark winter", True, True, _dark, ((0.0, 0.0), (1.0, 0.45), (2.0, 0.85)),
        _dark_words,
        {"stalled": 1.0, "leaf_drop": 0.8, "rotted": 0.5, "disease": 0.5, "dried": 0.2},
        "give light, or wait for longer days; clean the glass",
        "3 to 5 mol/m2 a day are enough for callus (Owen & Lopez 2019, HortScience 54(4):684); "
        f"roots slow in the light of winter (Currey & Lopez, HortScience); limit: {PRACTICE}",
    ),
    Suspect(
        "hot_top", "hot top", True, True, _top_hot, ((1.0, 0.1), (6.0, 0.3), (24.0, 0.55)),
        lambda case: f"air above {case.recipe.top_hot_c:g} °C for {_top_hot(case) or 0.0:.0f} h",
        _WILT, "shade first, then air, then mist", PRACTICE,
    ),
    Suspect(
        "flowering", "flowering wood", False, False, _if("flowering", wrong=True), YES_NO,
        lambda _: "the shoots were in bud or flower", _SLOW,
        "take shoots without buds, or shade the stock plant so that it does not flower",
        "The effect of shading rhododendron stock plants on flowering and rooting (abstract): "
        f"shade that stopped flowering raised rooting; other plants: {PRACTICE}",
    ),
    Suspect(
        "old_wood", "old wood", False, False, _if("young_growth", wrong=False), YES_NO,
        lambda _: "not young, vigorous growth", _SLOW,
        "take this year's growth, earlier, from stock cut back hard",
        "juvenile olive rooted all year, adult wood only in season (Rooting response of juvenile "
        "and adult leafy olive cuttings); otherwise " + PRACTICE,
    ),
    Suspect(
        "season", "out of season", False, False, _season,
        ((0.0, 0.0), (1.0, 0.3), (2.0, 0.5), (3.0, 0.65)), _season_words, _SLOW,
        "stick by the test of the wood, in its months: `warmfoot season`",
        "rooting falls off outside the season: olive (Ahmed et al. 2002, Asian J. Plant Sci. "
        "1:228-229), walnut, hazel and apple (Tajbakhsh et al. 2009, Not. Bot. Horti Agrobo. "
        f"37(1)); how fast: {PRACTICE}",
    ),
    Suspect(
        "disease", "pest or disease", False, False, _disease, ((0.0, 0.0), (1.0, 0.8)),
        _disease_words,
        {"disease": 1.0, "pest": 1.0, "rotted": 0.85, "leaf_drop": 0.7, "stalled": 0.35,
         "dried": 0.3},
        "clean stock, blades, benches and trays; take no cuttings from what is not sound",
        "warm beds suit Rhizoctonia too (Pacific Northwest Plant Disease Management Handbook)",
    ),
    Suspect(
        "few_leaves", "few leaves", False, True, _few_leaves,
        ((1.0, 0.0), (2.0, 0.6), (3.0, 0.85)),
        lambda case: f"{case.figure('leaves_kept') or 0.0:g} leaves kept", _SLOW,
        "keep two to four leaves, halved where they are large",
        "leaf number mattered greatly in olive (Rooting response of juvenile and adult leafy olive "
        f"cuttings); two to four: {PRACTICE}",
    ),
    Suspect(
        "close_mix", "mix with little air", False, False, _close_mix,
        ((3.0, 0.0), (8.0, 0.5), (15.0, 0.9)), _close_mix_words, _ROT,
        "a coarser mix, not pressed, in a deeper tray; measure its air-filled porosity",
        "25 to 35 % of air wanted (Faust, Dole & Lopez 2017, Horticultural Reviews 44); above "
        f"about 20 %: {PRACTICE}",
    ),
    Suspect(
        "long_wait", "long from cutting to sticking", False, True, _wait,
        ((2.0, 0.0), (6.0, 0.45), (24.0, 0.85)),
        lambda case: f"{_wait(case) or 0.0:g} h from cutting to sticking",
        _WILT | {"stalled": 0.6, "rotted": 0.5},
        "cut early in the day, keep cuttings cool and moist in a bag, stick within the hour",
        PRACTICE,
    ),
    Suspect(
        "cutting", "how it was cut", False, False, _cutting, ((0.0, 0.0), (1.0, 0.3), (2.0, 0.5)),
        _cutting_words, _SLOW | {"rotted": 0.8},
        "cut just below a node and strip the leaves that would stand in the mix", PRACTICE,
    ),
    Suspect(
        "short", "short cuttings", False, False, _short, ((10.0, 0.0), (25.0, 0.4)),
        _short_words, _SLOW,
        "longer cuttings, with two nodes or more", PRACTICE,
    ),
    Suspect(
        "weaned_early", "weaned before roots", False, True, _weaned, ((0.0, 0.0), (1.0, 0.6)),
        lambda _: "weaned before a test had found half of them rooted", _WILT,
        "wean on roots found and the wilt test, one step at a time, and go back a step in time",
        PRACTICE,
    ),
)  # fmt: skip
"""All of them; an equal score keeps this order."""
