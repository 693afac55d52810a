"""A bench that is not there: heat and water of mats, compost, leaves, air and cover.

One state per m2 of bench, shared by its bays: leaf, air, vapour, cover. One state per bay: mat,
compost in layers, compost water. Leaf, air and cover are stepped implicitly together (their time
constants are shorter than a step), vapour implicitly by itself, mat and compost explicitly.

Bookkeeping. Heat capacities are constants; water brought to a part counts as the heat that takes it
to that part's temperature, and leaves it at that temperature. Latent heat is a constant
(2.45 MJ/kg, FAO-56 Eq. 3-1 near 20 degC). With that, heat and water balance to rounding error.
"""

from collections.abc import Sequence
from math import exp, sqrt

from simulator.bench_params import BenchParams
from simulator.bench_parts import (
    AIR_J_M3K,
    LATENT_J_KG,
    VAPOUR_KG_M3_KPA,
    WATER_J_KG_K,
    WATER_LOW_SHARE,
    WET_SHARE,
    Balance,
    BayState,
)
from simulator.film import saturation_kpa
from simulator.inverse import symmetric_inverse
from simulator.weather import Weather


class BenchModel:
    """The bench. `leaf_c`, `air_c`, `cover_c` degC, `vapour_kpa`, `film_kg_m2` per m2 of bench.

    lid_open: cover lifted.  Since the start, wet_s: seconds with leaves wet; dry_kpa_s: leaf-to-air
    deficit summed over the others, kPa s.
    """

    __slots__ = (
        "_constants",
        "_cover_film",
        "_dt_s",
        "_layer_j_k",
        "_lid",
        "air_c",
        "balance",
        "bays",
        "cover_c",
        "dry_kpa_s",
        "film_kg_m2",
        "leaf_c",
        "lid_open",
        "params",
        "vapour_kpa",
        "wet_s",
    )

    def __init__(
        self, params: BenchParams, start_c: float = 12.0, start_rh_pct: float = 85.0
    ) -> None:
        self.params = params
        self.bays = tuple(BayState(params, i, start_c) for i in range(len(params.bays)))
        self.leaf_c = self.air_c = self.cover_c = start_c
        self.vapour_kpa = saturation_kpa(start_c) * start_rh_pct / 100.0
        self.film_kg_m2 = 0.0
        self.lid_open = False
        self.balance = Balance()
        self.wet_s = 0.0
        self.dry_kpa_s = 0.0
        self._cover_film = 0.0
        self._layer_j_k = params.compost_j_m3k * params.depth_m / params.layers
        self._constants: tuple[float, ...] = ()
        self._dt_s = 0.0
        self._lid = False

    @property
    def rh_pct(self) -> float:
        """Relative humidity of the air under the cover, 0..100."""
        return min(100.0, 100.0 * self.vapour_kpa / saturation_kpa(self.air_c))

    def advance(
        self, dt_s: float, mat_share: Sequence[float], mist_ml: float, weather: Weather
    ) -> None:
        """Move the bench on by `dt_s` seconds (2 to 30).

        mat_share: per bay, share of the interval its mat was on, 0..1.  mist_ml: water that left
        the nozzles in the interval, over the whole bench.  weather: of the house.

        One long function on locals: it runs at every step of every rehearsal.
        """
        if dt_s != self._dt_s or self.lid_open is not self._lid:
            self._prepare(dt_s)
        (k_leaf, k_skin, k_cover, r_surf, k_air, held, dry_s_m, per_film, cover_film_most,
         leaf_store, air_store, cover_store, g_surf_leaf, g_surf, g_surf_cover, g_out,
         sun_leaf, sun_cover, sun_surface, sun_all, g_vent, k_vent,
         i_ll, i_aa, i_cc, i_la, i_lc, i_ac,
         mat_step, layer_step, g_mat, g_layer, g_below, water_most) = self._constants  # fmt: skip
        house_c, house_kpa, sun_w = weather
        film = self.film_kg_m2
        falling = fall_heat = leaf_heat = 0.0
        if mist_ml > 0.0 or film * per_film > 1.0:
            falling, fall_heat, leaf_heat = self._land(mist_ml)
            film = self.film_kg_m2
        leaf_c, air_c, cover_c = self.leaf_c, self.air_c, self.cover_c
        vapour = self.vapour_kpa
        balance = self.balance

        # Vapour: implicit, with saturation at the surfaces as the step begins.
        leaf_kpa = 0.6108 * exp(17.27 * leaf_c / (leaf_c + 237.3))
        cover_kpa = 0.6108 * exp(17.27 * cover_c / (cover_c + 237.3))
        film_kg_s = k_film = k_dry = 0.0
        if vapour > leaf_kpa:
            k_film = k_leaf
        elif film > 0.0:
            wet = sqrt(film * per_film)  # drops on part of the leaf; invented, plausible
            k_film = k_leaf * wet
            k_dry = k_skin * (1.0 - wet)
            if k_film * (leaf_kpa - vapour) * dt_s >= film:  # the last of it goes in this step
                film_kg_s = film / dt_s
                k_film = 0.0
        else:
            k_dry = k_skin
        cover_film = self._cover_film
        cover_kg_s = 0.0
        if vapour <= cover_kpa and k_cover * (cover_kpa - vapour) * dt_s >= cover_film:
            cover_kg_s = cover_film / dt_s
            k_cover = 0.0
        k_leaf = k_film + k_dry
        source = k_leaf * leaf_kpa + k_cover * cover_kpa + k_vent * house_kpa
        source += film_kg_s + cover_kg_s
        sink = k_leaf + k_cover + k_vent
        surface_c = 0.0
        surfaces = []
        for bay in self.bays:
            top_c = bay.layers_c[-1]
            dry = held - bay.water_kg_m2
            k_bay = VAPOUR_KG_M3_KPA / (r_surf if dry <= 0.0 else r_surf + dry_s_m * dry)
            top_kpa = 0.6108 * exp(17.27 * top_c / (top_c + 237.3))
            surfaces.append((k_bay, top_kpa))
            weight = bay.weight
            surface_c += weight * top_c
            k_bay *= weight
            source += k_bay * top_kpa
            sink += k_bay
        vapour = (k_air * vapour + dt_s * source) / (k_air + dt_s * sink)
        deficit_kpa = leaf_kpa - vapour
        film_kg_s += k_film * deficit_kpa
        skin_kg_s = k_dry * deficit_kpa
        cover_kg_s += k_cover * (cover_kpa - vapour)
        if film_kg_s:
            film -= film_kg_s * dt_s
            if film < 0.0:  # a little more than there was: the leaf's own water makes it good
                skin_kg_s -= film / dt_s
                film_kg_s += film / dt_s
                film = 0.0
        balance.vented_kg += k_vent * (vapour - house_kpa) * dt_s
        if cover_kg_s:
            cover_film -= cover_kg_s * dt_s
            if cover_film > cover_film_most:
                balance.drained_kg += cover_film - cover_film_most
                cover_film = cover_film_most
            self._cover_film = cover_film
        fog_kg = 0.0
        held_kpa = vapour
        air_kpa = 0.6108 * exp(17.27 * air_c / (air_c + 237.3))
        if vapour > air_kpa:  # what saturated air cannot hold falls on the leaves
            fog_kg = k_air * (vapour - air_kpa)
            held_kpa = air_kpa
            film += fog_kg
        self.vapour_kpa = held_kpa
        self.film_kg_m2 = film
        if film * per_film > WET_SHARE:
            self.wet_s += dt_s
        elif deficit_kpa > 0.0:
            self.dry_kpa_s += deficit_kpa * dt_s

        # Leaf, air and cover: implicit together.
        in_leaf = leaf_store * leaf_c + sun_leaf * sun_w + g_surf_leaf * surface_c
        in_leaf -= LATENT_J_KG * (film_kg_s + skin_kg_s)
        in_air = air_store * air_c + g_surf * surface_c + g_vent * house_c
        if falling or fog_kg:
            in_leaf += leaf_heat / dt_s
            in_air += LATENT_J_KG * fog_kg / dt_s
        in_cover = cover_store * cover_c + g_surf_cover * surface_c + g_out * house_c
        in_cover += sun_cover * sun_w - LATENT_J_KG * cover_kg_s
        self.leaf_c = leaf_c = i_ll * in_leaf + i_la * in_air + i_lc * in_cover
        self.air_c = air_c = i_la * in_leaf + i_aa * in_air + i_ac * in_cover
        self.cover_c = cover_c = i_lc * in_leaf + i_ac * in_air + i_cc * in_cover

        # Mat and compost: explicit.
        lost_w = g_vent * (air_c - house_c) + g_out * (cover_c - house_c)
        mat_w = 0.0
        gain_w = g_surf * air_c + g_surf_cover * cover_c + g_surf_leaf * leaf_c
        gain_w += sun_surface * sun_w
        g_gain = g_surf + g_surf_cover + g_surf_leaf
        for bay, share, (k_bay, top_kpa) in zip(self.bays, mat_share, surfaces, strict=True):
            evaporated = k_bay * (top_kpa - vapour)
            layers_c = bay.layers_c
            weight = bay.weight
            edge_w_k = bay.edge_w_k
            mat_c = bay.mat_c
            here_c = layers_c[0]
            below_w = g_below * (mat_c - house_c)
            heat_w = bay.mat_w_m2 * share
            lost_w += weight * (below_w + edge_w_k * (sum(layers_c) - len(layers_c) * house_c))
            mat_w += weight * heat_w
            rising = g_mat * (mat_c - here_c)
            bay.mat_c = mat_c + mat_step * (heat_w - rising - below_w)
            warmed = []
            for above_c in layers_c[1:]:
                flow = g_layer * (here_c - above_c)
                warmed.append(here_c + layer_step * (rising - flow - edge_w_k * (here_c - house_c)))
                rising = flow
                here_c = above_c
            rising += gain_w - g_gain * here_c - edge_w_k * (here_c - house_c)
            warmed.append(here_c + layer_step * (rising - LATENT_J_KG * evaporated))
            bay.layers_c = warmed
            water = bay.water_kg_m2 - (evaporated + skin_kg_s) * dt_s
            if falling:
                water += falling
                self._drip(bay, falling, fall_heat)
            if water > water_most:
                balance.drained_kg += weight * (water - water_most)
                water = water_most
            bay.water_kg_m2 = water
        balance.mat_j += mat_w * dt_s
        balance.sun_j += sun_all * sun_w * dt_s
        balance.lost_j += lost_w * dt_s

    def _prepare(self, dt_s: float) -> None:
        """All that a step needs and that only its length and the lid change."""
        p = self.params
        vent_m_s = p.lid_m_s if self.lid_open else p.vent_m_s
        g_vent = AIR_J_M3K * vent_m_s
        leaf_air = p.leaf_sides * AIR_J_M3K * p.leaf_area / p.leaf_air_s_m
        leaf_store, air_store, cover_store = (
            p.leaf_j_m2k * p.leaf_area / dt_s,
            AIR_J_M3K * p.air_m / dt_s,
            p.cover_j_m2k / dt_s,
        )
        inverse = symmetric_inverse(
            leaf_store + leaf_air + p.leaf_cover_w_m2k + p.surface_leaf_w_m2k,
            air_store + leaf_air + p.cover_air_w_m2k + p.surface_air_w_m2k + g_vent,
            cover_store + p.cover_air_w_m2k + p.leaf_cover_w_m2k + p.surface_cover_w_m2k
            + p.cover_out_w_m2k,
            -leaf_air,
            -p.leaf_cover_w_m2k,
            -p.cover_air_w_m2k,
        )  # fmt: skip
        layer_m = p.depth_m / p.layers
        self._constants = (
            VAPOUR_KG_M3_KPA * p.leaf_area / p.leaf_air_s_m,
            VAPOUR_KG_M3_KPA * p.leaf_area / (p.leaf_air_s_m + p.leaf_s_m),
            VAPOUR_KG_M3_KPA * p.cover_air_w_m2k / AIR_J_M3K,
            AIR_J_M3K / p.surface_air_w_m2k + p.surface_s_m,
            VAPOUR_KG_M3_KPA * p.air_m,
            WATER_LOW_SHARE * p.water_kg_m2,
            p.dry_s_m / p.water_kg_m2,
            1.0 / (p.film_kg_m2 * p.leaf_area),
            p.cover_film_kg_m2,
            leaf_store,
            air_store,
            cover_store,
            p.surface_leaf_w_m2k,
            p.surface_air_w_m2k,
            p.surface_cover_w_m2k,
            p.cover_out_w_m2k,
            p.sun_leaf,
            p.sun_cover,
            p.sun_surface,
            p.sun_leaf + p.sun_surface + p.sun_cover,
            g_vent,
            VAPOUR_KG_M3_KPA * vent_m_s,
            *inverse,
            dt_s / p.mat_j_m2k,
            dt_s / self._layer_j_k,
            1.0 / (1.0 / p.contact_w_m2k + 0.5 * layer_m / p.compost_w_mk),
            p.compost_w_mk / layer_m,
            p.below_w_m2k,
            p.water_kg_m2,
        )
        self._dt_s = dt_s
        self._lid = self.lid_open

    def _land(self, mist_ml: float) -> tuple[float, float, float]:
        """Water that arrives: leaves keep what they can, the rest drips down.

        Returns what falls (kg/m2), that times its temperature, and heat brought to leaves (J/m2).
        """
        p = self.params
        given = mist_ml * 0.001 / p.area_m2
        self.balance.given_kg += given
        caught = given * p.caught
        leaf_heat = WATER_J_KG_K * caught * (p.mist_water_c - self.leaf_c)
        self.balance.water_j += leaf_heat
        film = self.film_kg_m2 + caught
        falling = given - caught
        fall_heat = falling * p.mist_water_c
        spare = film - p.film_kg_m2 * p.leaf_area
        if spare > 0.0:
            film -= spare
            falling += spare
            fall_heat += spare * self.leaf_c
        self.film_kg_m2 = film
        return falling, fall_heat, leaf_heat

    def _drip(self, bay: BayState, falling: float, fall_heat: float) -> None:
        """Warm or cool the top layer by water that dripped on it."""
        heat = WATER_J_KG_K * (fall_heat - falling * bay.layers_c[-1])
        bay.layers_c[-1] += heat / self._layer_j_k
        self.balance.water_j += bay.weight * heat

    def water(self, litres_m2: float, water_c: float) -> None:
        """Water every bay by hand: it sinks through the layers, taking up their warmth."""
        layer_j_k = self._layer_j_k
        flow_j_k = WATER_J_KG_K * litres_m2
        self.balance.given_kg += litres_m2
        for bay in self.bays:
            sinking_c = water_c
            for i in range(len(bay.layers_c) - 1, -1, -1):
                before_c = bay.layers_c[i]
                sinking_c = (layer_j_k * before_c + flow_j_k * sinking_c) / (layer_j_k + flow_j_k)
                bay.layers_c[i] = sinking_c
                self.balance.water_j += bay.weight * layer_j_k * (sinking_c - before_c)
            water = bay.water_kg_m2 + litres_m2
            self.balance.drained_kg += bay.weight * max(0.0, water - self.params.water_kg_m2)
            bay.water_kg_m2 = min(water, self.params.water_kg_m2)

    def at_height(self, height_mm: float) -> tuple[int, float]:
        """Place of a probe in the compost, for `base_c`: the layer below it and the share above.

        height_mm: above the mat; beyond the highest layer's middle it is the highest layer.
        """
        layer_mm = self.params.depth_m * 1000.0 / self.params.layers
        place = min(max(height_mm / layer_mm - 0.5, 0.0), self.params.layers - 1.000001)
        return int(place), place - int(place)

    def base_c(self, bay: int, place: tuple[int, float]) -> float:
        """Compost temperature of a bay at a place from `at_height`, degC."""
        layers_c = self.bays[bay].layers_c
        low, share = place
        return layers_c[low] + share * (layers_c[low + 1] - layers_c[low])

    def stored_j(self) -> float:
        """Heat held per m2 of bench above 0 degC, latent heat of the air's vapour included, J."""
        p = self.params
        total = p.leaf_j_m2k * p.leaf_area * self.leaf_c
        total += AIR_J_M3K * p.air_m * self.air_c + p.cover_j_m2k * self.cover_c
        total += LATENT_J_KG * VAPOUR_KG_M3_KPA * p.air_m * self.vapour_kpa
        for bay in self.bays:
            layers_j = self._layer_j_k * sum(bay.layers_c)
            total += bay.weight * (p.mat_j_m2k * bay.mat_c + layers_j)
        return total

    def stored_kg(self) -> float:
        """Water held per m2 of bench: compost, leaves, cover and air, kg."""
        vapour_kg = VAPOUR_KG_M3_KPA * self.params.air_m * self.vapour_kpa
        total = self.film_kg_m2 + self._cover_film + vapour_kg
        return total + sum(bay.weight * bay.water_kg_m2 for bay in self.bays)
