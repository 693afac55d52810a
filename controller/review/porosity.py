"""Air and water in a rooting mix, from the container drain test.

Method: fill a container of known volume as trays are filled, close its holes, pour in water until
it shines on top, open the holes, let it drain to the end and catch what runs out. That is the way
of AS 3743-2003, Appendix B, on the bench and without the standard's apparatus:

    air-filled porosity = water that ran out / volume of the mix
    total porosity      = water that saturates dry mix / volume of the mix
    water held          = total porosity - air-filled porosity,
                          or (weight drained - weight dried) / volume of the mix

Container capacity and air space add up to total porosity, whatever the container; a shallow one
holds more of it as water, for the lowest layer stays full ("perched"). One mix had 28 % of air and
43 % of water in a pot and 12 and 59 % in a bedding-plant cell (J. Environ. Hort. 5(4):180, 1987).
"""

from math import isfinite
from typing import Final, NamedTuple

METHOD: Final = "container drain test, after AS 3743-2003 Appendix B"
WANTED_PCT: Final = (25.0, 35.0)
WANTED_SOURCE: Final = "Faust, Dole & Lopez 2017, Horticultural Reviews 44"
NURSERY_PCT: Final = (13.0, 30.0)
NURSERY_SOURCE: Final = "Nursery & Garden Industry Queensland, quoting EcoHort guidelines"
LITTLE_PCT: Final = 15.0
"""Below it cuttings rot in a wet spell; common practice, no source."""
MUCH_PCT: Final = 50.0
MOST_PCT: Final = 70.0
"""No rooting mix holds more; own bound."""
HEAVIEST_G_PER_ML: Final = 1.8
"""Sand weighs about 1.6; own bound."""
APART_PCT: Final = 5.0
SAME_HEIGHT: Final = 1.25
"""Heights within this factor are compared as one; own choice."""


class PorosityError(ValueError):
    """A measurement that cannot be right. Says what to do."""


class Measured(NamedTuple):
    """What was measured: mL of mix and of water, g of the mix alone, cm of its depth."""

    container_ml: float
    drained_ml: float
    to_saturate_ml: float | None = None
    wet_g: float | None = None
    dry_g: float | None = None
    height_cm: float | None = None


class Porosity(NamedTuple):
    """Result, in % of the volume of the mix.

    water_pct, total_pct: None without a second measurement; by weight where there are weights.
    sits: "little air", "below", "within", "above" or "far above" the range wanted for cuttings.
    changes: what to do to the mix.  doubts: what may be wrong with the figures.
    """

    afp_pct: float
    water_pct: float | None
    total_pct: float | None
    bulk_g_per_ml: float | None
    sits: str
    changes: tuple[str, ...]
    doubts: tuple[str, ...]


def porosity(seen: Measured) -> Porosity:
    """Air-filled porosity and, as far as measured, water and all pores. Raises PorosityError."""
    _check(seen)
    afp = 100.0 * seen.drained_ml / seen.container_ml
    poured = seen.to_saturate_ml
    by_volume = None if poured is None else 100.0 * poured / seen.container_ml
    by_weight = bulk = None
    if seen.wet_g is not None and seen.dry_g is not None:
        by_weight = 100.0 * (seen.wet_g - seen.dry_g) / seen.container_ml
        bulk = seen.dry_g / seen.container_ml
        if afp + by_weight > 100.0:
            raise PorosityError(
                f"air and water would fill {afp + by_weight:.0f} % of the container; weigh the mix "
                "without its container, drained and then dried"
            )
    water = by_weight
    if water is None and by_volume is not None:
        water = by_volume - afp
    sits = _sits(round(afp))  # as it is shown: the test is no finer than that
    return Porosity(
        afp,
        water,
        None if water is None else afp + water,
        bulk,
        sits,
        _CHANGES[sits],
        tuple(_doubts(afp, by_volume, by_weight)),
    )


def _check(seen: Measured) -> None:
    for what, value in zip(_WORDS, seen, strict=True):
        if value is not None and not (isfinite(value) and 0.0 < value <= 1e6):
            hint = _NOTHING if what == _WORDS[1] and value == 0.0 else "measure it again"
            raise PorosityError(f"{what} {value:g}: {hint}")
    poured, drained, volume = seen.to_saturate_ml, seen.drained_ml, seen.container_ml
    if poured is not None and poured > volume:
        raise PorosityError(
            f"{poured:g} mL of water went into {volume:g} mL of mix, more than its whole volume; "
            "count only the water up to the moment when it shines on top, with the holes closed"
        )
    if poured is not None and drained > poured:
        raise PorosityError(
            f"more ran out ({drained:g} mL) than was poured in ({poured:g} mL): the mix was wet "
            "when you began, or water stood above it. Begin with mix as you would stick in, and "
            "catch only what runs out after the holes are opened"
        )
    if 100.0 * drained / volume > MOST_PCT:
        raise PorosityError(
            f"{drained:g} mL ran out of {volume:g} mL of mix; no rooting mix holds so much air. "
            "Give both in one unit and the volume that the mix fills, with no water on top"
        )
    if (seen.wet_g is None) != (seen.dry_g is None):
        raise PorosityError("give both weights, drained and dried, or none")
    if seen.wet_g is not None and seen.dry_g is not None:
        if seen.wet_g <= seen.dry_g:
            raise PorosityError(
                f"drained mix of {seen.wet_g:g} g weighs no more than dried mix of {seen.dry_g:g} "
                "g; are they the wrong way round?"
            )
        if seen.dry_g / volume > HEAVIEST_G_PER_ML:
            raise PorosityError(
                f"{seen.dry_g:g} g of dry mix in {volume:g} mL is heavier than sand; weigh the mix "
                "without its container"
            )


_NOTHING: Final = (
    "nothing ran out; open the holes, wait half an hour, and see that it was full to the top"
)
_WORDS: Final = (
    "volume of the mix, mL,",
    "water that ran out, mL,",
    "water to saturate, mL,",
    "weight drained, g,",
    "weight dried, g,",
    "depth of the mix, cm,",
)


def _sits(afp: float) -> str:
    low, high = WANTED_PCT
    if afp < LITTLE_PCT:
        return "little air"
    if afp < low:
        return "below"
    return "within" if afp <= high else "above" if afp <= MUCH_PCT else "far above"


_COARSER: Final = (
    "more of what is coarse: perlite, grit or bark of 3 to 8 mm, and sift out the dust",
    "fill loosely; press and stack nothing, for that drives the air out",
    "a deeper tray, if there is one: the lowest layer stays full of water",
)
_FINER: Final = (
    "more of what holds water: peat, coir or fine bark",
    "or leave it so and mist a little more often: it dries sooner between bursts",
)
_CHANGES: Final = {
    "little air": (*_COARSER, "use no mix twice", "mist less until it is changed"),
    "below": _COARSER,
    "within": (),
    "above": _FINER,
    "far above": (*_FINER, "measure again: was it full to the top before the holes were opened?"),
}
"""Common practice, no source; that pressing drives out air: Faust, Dole & Lopez 2017."""


def _doubts(afp: float, by_volume: float | None, by_weight: float | None) -> list[str]:
    found = []
    if by_volume is not None and by_weight is None:
        found.append(
            "all pores and water are of a mix that was dry at the start; begun moist, both are "
            "higher than this. The air is not touched by it"
        )
    if by_volume is not None and by_weight is not None:
        apart = afp + by_weight - by_volume
        if apart > APART_PCT:
            found.append(f"by weight it holds {apart:.0f} points more water: it was moist at first")
        elif apart < -APART_PCT:
            found.append(
                f"by weight it holds {-apart:.0f} points less water: was it dried to the end?"
            )
    return found


def in_tray(afp_pct: float, height_cm: float, tray_cm: float) -> tuple[str, bool]:
    """What a figure from one depth says of another, in words, and whether it can stand for it.

    Water held falls with the height above the bottom, so that a shallower layer never holds more
    air than a deeper one of the same mix.
    """
    if tray_cm <= 0.0 or not isfinite(tray_cm):
        raise PorosityError(f"depth of the tray, cm, {tray_cm:g}: measure it again")
    if 1.0 / SAME_HEIGHT <= tray_cm / height_cm <= SAME_HEIGHT:
        return f"measured at {height_cm:g} cm, as deep as the tray", True
    if tray_cm < height_cm:
        return (
            f"measured at {height_cm:g} cm; a tray of {tray_cm:g} cm holds less, {afp_pct:.0f} % "
            "at most and perhaps half of it. Measure in the tray itself, its holes taped",
            False,
        )
    return (
        f"measured at {height_cm:g} cm; a tray of {tray_cm:g} cm holds more, {afp_pct:.0f} % "
        "at least",
        True,
    )


# -- mixes of before --------------------------------------------------------------------------


class Known(NamedTuple):
    """Air-filled porosity of a mix as once recorded. at_s: when the batch was stuck, UTC s."""

    mix: str
    afp_pct: float
    height_cm: str
    batch: int
    at_s: float


def same_mix(one: str, other: str) -> bool:
    """Whether two names are of one mix: capitals and spaces count for nothing."""
    return " ".join(one.casefold().split()) == " ".join(other.casefold().split())
