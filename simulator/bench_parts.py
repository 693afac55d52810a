"""Parts and constants of the simulated bench."""

from dataclasses import dataclass

from simulator.bench_params import BenchParams
from simulator.film import AIR_CP_J_KG_K, latent_heat_j_kg, psychrometric_kpa_k

LATENT_J_KG = latent_heat_j_kg(20.0)
AIR_J_M3K = 1.20 * AIR_CP_J_KG_K
"""Heat capacity of a cubic metre of air near 20 degC."""
VAPOUR_KG_M3_KPA = AIR_J_M3K / (psychrometric_kpa_k(20.0) * LATENT_J_KG)
"""Vapour in a cubic metre of air per kPa, consistent with the free-film formula."""
WATER_J_KG_K = 4186.0
WET_SHARE = 0.10
"""Leaves count as wet above this share of the most they carry: less is drops in the axils (own
choice)."""
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
