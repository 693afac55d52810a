"""What a simulated bench is made of. Figures are per square metre of bench.

'invented, plausible' marks a figure chosen here because no measurement of it was found.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final


class BenchParamsError(ValueError):
    """A bench that cannot be: what is wrong with it, and what is possible."""


@dataclass(frozen=True, slots=True)
class BayParams:
    """One mat and the compost on it.

    area_m2: of the mat.  mat_w: heat it gives while on.  edge_w_m2k: loss through the sides to
    the house, more for a bay at the bench's end (invented, plausible).
    """

    area_m2: float
    mat_w: float
    edge_w_m2k: float = 0.3


@dataclass(frozen=True, slots=True)
class BenchParams:
    """A bench of one or more bays under one cover.

    Compost. depth_m; layers (at least 5); compost_w_mk: conductivity of wet peat mixes, published
    0.05-0.5 W/mK from dry to wet (common practice, no one source); compost_j_m3k: its heat
    capacity at container capacity, mostly the water's; water_kg_m2: water held when drained.
    surface_s_m: resistance of the wet surface to evaporation; dry_s_m: what is added when dry
    (both invented, plausible).

    Mat. mat_j_m2k: heat capacity of mat and tray floor; contact_w_m2k: mat to compost;
    below_w_m2k: through the insulation, 1.1 for 25 mm of expanded polystyrene under 12 mm of ply
    (conductivities 0.035 and 0.13 W/mK, common practice, no source).

    Air under the cover. air_m: height; vent_m_s: air exchanged with the house, m3/s per m2, cover
    closed; lid_m_s: lid open.  surface_air_w_m2k: still-air convection at the compost.

    Leaves. leaf_area: wettable leaf per m2 of bench; leaf_air_s_m: air layer, 60-150 s/m for
    small leaves in slow air (from memory), of one side; leaf_sides: sides that trade heat with the
    air, while water and vapour leave by the wetted one alone (as for a leaf with stomata on one
    side: Monteith and Unsworth, Principles of Environmental Physics, from memory); leaf_s_m: the
    leaf's own resistance when dry;
    leaf_j_m2k: heat capacity per m2 of leaf; film_kg_m2: most water a m2 of leaf carries
    (0.03-0.08 assumed); caught: share of a burst that lands on leaves.

    Cover. cover_j_m2k; cover_air_w_m2k inside, cover_out_w_m2k outside; cover_film_kg_m2: most
    condensate before it runs off to the floor.  Long-wave exchange, linearised near 15 degC at 5.4
    W/m2K for black surfaces times view factors: surface_cover_w_m2k, surface_leaf_w_m2k,
    leaf_cover_w_m2k.

    Sun: share of the light at the bench taken up by leaves, surface, cover (the rest is reflected).
    mist_water_c: temperature of the mist water, degC.
    """

    name: str
    bays: tuple[BayParams, ...]
    depth_m: float = 0.060
    layers: int = 5
    compost_w_mk: float = 0.40
    compost_j_m3k: float = 3.0e6
    water_kg_m2: float = 33.0
    surface_s_m: float = 150.0
    dry_s_m: float = 4000.0
    mat_j_m2k: float = 8000.0
    contact_w_m2k: float = 60.0
    below_w_m2k: float = 1.1
    air_m: float = 0.30
    vent_m_s: float = 0.0040
    lid_m_s: float = 0.0150
    surface_air_w_m2k: float = 5.0
    leaf_area: float = 1.5
    leaf_air_s_m: float = 80.0
    leaf_sides: float = 2.0
    leaf_s_m: float = 1500.0
    leaf_j_m2k: float = 1600.0
    film_kg_m2: float = 0.045
    caught: float = 0.60
    cover_j_m2k: float = 1200.0
    cover_air_w_m2k: float = 4.0
    cover_out_w_m2k: float = 10.0
    cover_film_kg_m2: float = 0.050
    surface_cover_w_m2k: float = 2.0
    surface_leaf_w_m2k: float = 3.0
    leaf_cover_w_m2k: float = 3.5
    sun_leaf: float = 0.45
    sun_surface: float = 0.20
    sun_cover: float = 0.08
    mist_water_c: float = 12.0

    def __post_init__(self) -> None:
        if not self.bays:
            raise BenchParamsError(f"bench {self.name}: no bay given; give at least one")
        if self.layers < 5:
            raise BenchParamsError(
                f"bench {self.name}: {self.layers} layers of compost; use 5 or more"
            )

    @property
    def area_m2(self) -> float:
        return sum(bay.area_m2 for bay in self.bays)


PROPAGATOR: Final = BenchParams(
    name="propagator",
    bays=(BayParams(area_m2=0.20, mat_w=20.0, edge_w_m2k=0.8),),
    depth_m=0.045,
    water_kg_m2=25.0,
    mat_j_m2k=5000.0,
    below_w_m2k=1.6,
    air_m=0.18,
    vent_m_s=0.0016,
    cover_j_m2k=2500.0,
)
"""A 20 W windowsill propagator with a hard plastic lid (invented, plausible)."""

BENCH: Final = BenchParams(name="bench", bays=(BayParams(area_m2=1.2, mat_w=120.0),))
"""A 120 W mat on 1.2 m2 of staging under a vented tent: the demonstration bench."""

BAY: Final = BenchParams(
    name="bay",
    bays=(BayParams(area_m2=8.0, mat_w=900.0, edge_w_m2k=0.15),),
    depth_m=0.105,
    layers=6,
    compost_w_mk=0.60,
    water_kg_m2=55.0,
    mat_j_m2k=15000.0,
    below_w_m2k=0.7,
    air_m=0.5,
)
"""A 900 W bay: cables in a sand bed with deep trays above, slow (invented, plausible)."""

PRESETS: Final = {params.name: params for params in (PROPAGATOR, BENCH, BAY)}


def fitted(params: BenchParams, mats: Sequence[tuple[float, float | None]]) -> BenchParams:
    """The same bench with other mats: (power in W, area in m2 or None for 100 W/m2) per bay.

    Raises BenchParamsError when a power or an area is not above zero.
    """
    bays = []
    for power_w, given_m2 in mats:
        area_m2 = power_w / 100.0 if given_m2 is None else given_m2
        if power_w <= 0 or area_m2 <= 0:
            raise BenchParamsError(
                f"mat of {power_w} W on {area_m2} m2: both must be above zero; "
                "check power_w and area_m2 in the bench file"
            )
        bays.append(BayParams(area_m2, power_w, params.bays[0].edge_w_m2k))
    return replace(params, bays=tuple(bays))
