"""Parts and constants of the simulated bench."""

from dataclasses import dataclass
from typing import NamedTuple

from simulator.bench_params import BenchParams
from simulator.film import AIR_CP_J_KG_K, latent_heat_j_kg, psychrometric_kpa_k

LATENT_J_KG = latent_heat_j_kg(20.0)
AIR_J_M3K = 1.20 * AIR_CP_J_KG_K
"""Heat capacity of a cubic metre of air near 20 degC."""
VAPOUR_KG_M3_KPA = AIR_J_M3K / (psychrometric_kpa_k(20.0) * LATENT_J_KG)
"""Vapour in a cubic metre of air per kPa, consistent with the free-film formula."""
WATER_J_KG_K = 4186.0
WET_SHARE = 0.01
"""Leaves count as wet above this share of the most they carry."""
WATER_LOW_SHARE = 0.7
"""Compost below this share of its drained water begins to hold the rest back."""


@dataclass(slots=True)
class Balance:
    """What has crossed the bench's edge since the start, per m2 of bench.

    Heat in J: mat_j, sun_j, water_j (sensible, brought by water); lost_j to the house by
    conduction and air.  Water in kg: given_kg by mist and watering; vented_kg as vapour;
    drained_kg as liquid.
    """

    mat_j: float = 0.0
    sun_j: float = 0.0
    water_j: float = 0.0
    lost_j: float = 0.0
    given_kg: float = 0.0
    vented_kg: float = 0.0
    drained_kg: float = 0.0


class BayState:
    """One bay. mat_c, layers_c (lowest first): degC.  water_kg_m2: in the compost.

    weight: its share of the bench's area.
    """

    __slots__ = ("edge_w_k", "layers_c", "mat_c", "mat_w_m2", "water_kg_m2", "weight")

    def __init__(self, params: BenchParams, index: int, start_c: float) -> None:
        bay = params.bays[index]
        self.weight = bay.area_m2 / params.area_m2
        self.mat_w_m2 = bay.mat_w / bay.area_m2
        self.edge_w_k = bay.edge_w_m2k / params.layers
        self.mat_c = start_c
        self.layers_c = [start_c] * params.layers
        self.water_kg_m2 = params.water_kg_m2 * 0.95


class Fluxes(NamedTuple):
    """Vapour given off in one step, kg/s per m2 of bench; negative where it condenses.

    film, skin, cover: from wet leaf, dry leaf, cover.  fog_kg: surplus of saturated air that fell
    on leaves.  bays: conductance (kg/s kPa) and saturation (kPa) of each bay's surface.
    solved_kpa: vapour that the fluxes went with.  surface_c: mean compost surface.
    """

    film: float
    skin: float
    cover: float
    fog_kg: float
    bays: list[tuple[float, float]]
    solved_kpa: float
    surface_c: float


def vapour_constants(p: BenchParams) -> tuple[float, ...]:
    vapour = VAPOUR_KG_M3_KPA
    return (
        vapour * p.leaf_area / p.leaf_air_s_m,
        vapour * p.leaf_area / (p.leaf_air_s_m + p.leaf_s_m),
        vapour * p.cover_air_w_m2k / AIR_J_M3K,
        AIR_J_M3K / p.surface_air_w_m2k + p.surface_s_m,
        vapour * p.air_m,
        p.water_kg_m2,
        1.0 / (p.film_kg_m2 * p.leaf_area),
        vapour * p.vent_m_s,
        vapour * p.lid_m_s,
    )


def heat_constants(p: BenchParams) -> tuple[float, ...]:
    return (
        p.leaf_j_m2k * p.leaf_area,
        AIR_J_M3K * p.air_m,
        p.cover_j_m2k,
        p.surface_leaf_w_m2k,
        p.surface_air_w_m2k,
        p.surface_cover_w_m2k,
        p.cover_out_w_m2k,
        p.sun_leaf,
        p.sun_cover,
        p.sun_leaf + p.sun_surface + p.sun_cover,
        AIR_J_M3K * p.vent_m_s,
        AIR_J_M3K * p.lid_m_s,
    )


def bay_constants(p: BenchParams) -> tuple[float, ...]:
    layer_m = p.depth_m / p.layers
    return (
        p.mat_j_m2k,
        p.compost_j_m3k * layer_m,
        1.0 / (1.0 / p.contact_w_m2k + 0.5 * layer_m / p.compost_w_mk),
        p.compost_w_mk / layer_m,
        p.below_w_m2k,
        p.surface_air_w_m2k,
        p.surface_cover_w_m2k,
        p.surface_leaf_w_m2k,
        p.sun_surface,
    )
