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
    Fluxes,
    bay_constants,
    heat_constants,
    vapour_constants,
)
from simulator.film import saturation_kpa
from simulator.inverse import symmetric_inverse
from simulator.weather import Weather


class BenchModel:
    """The bench. `leaf_c`, `air_c`, `cover_c` degC, `vapour_kpa`, `film_kg_m2` per m2 of bench.

    lid_open: cover lifted.  wet_s: seconds with leaves wet, since the start.
    """

    __slots__ = (
        "_bay_constants",
        "_cover_film",
        "_dt_s",
        "_heat_constants",
        "_inverse",
        "_lid",
        "_vapour_constants",
        "air_c",
        "balance",
        "bays",
        "cover_c",
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
        self._cover_film = 0.0
        self._dt_s = 0.0
        self._lid = False
        self._inverse = (0.0,) * 6
        self._vapour_constants = vapour_constants(params)
        self._heat_constants = heat_constants(params)
        self._bay_constants = bay_constants(params)

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
        """
        if dt_s != self._dt_s or self.lid_open is not self._lid:
            self._prepare(dt_s)
        falling = fall_heat = leaf_heat = 0.0
        if mist_ml > 0.0 or self.film_kg_m2 * self._vapour_constants[6] > 1.0:
            falling, fall_heat, leaf_heat = self._land(mist_ml)
        fluxes = self._move_vapour(dt_s, weather.house_kpa)
        self._warm_air(dt_s, weather, fluxes, leaf_heat)
        house_c = weather.house_c
        sun_w = weather.sun_w_m2
        mat_j = lost = 0.0
        for bay, share, surface in zip(self.bays, mat_share, fluxes.bays, strict=True):
            evaporated = surface[0] * (surface[1] - fluxes.solved_kpa)
            weight = bay.weight
            lost += weight * self._warm_bay(bay, dt_s, share, evaporated, house_c, sun_w)
            mat_j += weight * share * bay.mat_w_m2
            water = bay.water_kg_m2 - (evaporated + fluxes.skin) * dt_s
            if falling:
                water += falling
                self._drip(bay, falling, fall_heat)
            if water > self.params.water_kg_m2:
                self.balance.drained_kg += weight * (water - self.params.water_kg_m2)
                water = self.params.water_kg_m2
            bay.water_kg_m2 = water
        balance = self.balance
        balance.mat_j += mat_j * dt_s
        balance.sun_j += self._heat_constants[9] * sun_w * dt_s
        balance.lost_j += lost * dt_s

    def _prepare(self, dt_s: float) -> None:
        """Invert the leaf-air-cover system for this step length and lid."""
        p = self.params
        leaf_air = AIR_J_M3K * p.leaf_area / p.leaf_air_s_m
        vent = AIR_J_M3K * (p.lid_m_s if self.lid_open else p.vent_m_s)
        from_leaf = leaf_air + p.leaf_cover_w_m2k + p.surface_leaf_w_m2k
        from_air = leaf_air + p.cover_air_w_m2k + p.surface_air_w_m2k + vent
        from_cover = (
            p.cover_air_w_m2k + p.leaf_cover_w_m2k + p.surface_cover_w_m2k + p.cover_out_w_m2k
        )
        self._inverse = symmetric_inverse(
            p.leaf_j_m2k * p.leaf_area / dt_s + from_leaf,
            AIR_J_M3K * p.air_m / dt_s + from_air,
            p.cover_j_m2k / dt_s + from_cover,
            -leaf_air,
            -p.leaf_cover_w_m2k,
            -p.cover_air_w_m2k,
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

    def _move_vapour(self, dt_s: float, house_kpa: float) -> Fluxes:
        """Implicit vapour balance, with saturation at the surfaces as the step begins."""
        k_leaf, k_skin, k_cover, r_surf, k_air, full, per_film, closed, lid = self._vapour_constants
        film = self.film_kg_m2
        vapour = self.vapour_kpa
        leaf_c, cover_c, air_c = self.leaf_c, self.cover_c, self.air_c
        leaf_kpa = 0.6108 * exp(17.27 * leaf_c / (leaf_c + 237.3))
        cover_kpa = 0.6108 * exp(17.27 * cover_c / (cover_c + 237.3))
        film_kg_s = cover_kg_s = k_film = k_dry = 0.0
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
        k_pane = k_cover
        cover_film = self._cover_film
        if vapour <= cover_kpa and k_cover * (cover_kpa - vapour) * dt_s >= cover_film:
            cover_kg_s = cover_film / dt_s
            k_pane = 0.0
        k_vent = lid if self.lid_open else closed
        source = (k_film + k_dry) * leaf_kpa + k_pane * cover_kpa + k_vent * house_kpa
        source += film_kg_s + cover_kg_s
        sink = k_film + k_dry + k_pane + k_vent
        surface_c = 0.0
        surfaces = []
        held = WATER_LOW_SHARE * full
        for bay in self.bays:
            top_c = bay.layers_c[-1]
            top_kpa = 0.6108 * exp(17.27 * top_c / (top_c + 237.3))
            water = bay.water_kg_m2
            k_bay = VAPOUR_KG_M3_KPA / (
                r_surf if water >= held else r_surf + self.params.dry_s_m * (held - water) / full
            )
            surfaces.append((k_bay, top_kpa))
            weight = bay.weight
            surface_c += weight * top_c
            source += weight * k_bay * top_kpa
            sink += weight * k_bay
        vapour = (k_air * vapour + dt_s * source) / (k_air + dt_s * sink)
        film_kg_s += k_film * (leaf_kpa - vapour)
        skin_kg_s = k_dry * (leaf_kpa - vapour)
        cover_kg_s += k_pane * (cover_kpa - vapour)
        film -= film_kg_s * dt_s
        if film < 0.0:  # a little more than there was: the leaf's own water makes it good
            skin_kg_s -= film / dt_s
            film_kg_s += film / dt_s
            film = 0.0
        self.balance.vented_kg += k_vent * (vapour - house_kpa) * dt_s
        solved_kpa = vapour
        fog_kg = 0.0
        air_kpa = 0.6108 * exp(17.27 * air_c / (air_c + 237.3))
        if vapour > air_kpa:
            fog_kg = k_air * (vapour - air_kpa)
            vapour = air_kpa
            film += fog_kg
        self._keep_condensate(cover_film - cover_kg_s * dt_s)
        self.vapour_kpa = vapour
        self.film_kg_m2 = film
        if film * per_film > WET_SHARE:
            self.wet_s += dt_s
        return Fluxes(film_kg_s, skin_kg_s, cover_kg_s, fog_kg, surfaces, solved_kpa, surface_c)

    def _keep_condensate(self, film_kg: float) -> None:
        most = self.params.cover_film_kg_m2
        if film_kg > most:
            self.balance.drained_kg += film_kg - most
            film_kg = most
        self._cover_film = film_kg

    def _warm_air(self, dt_s: float, weather: Weather, fluxes: Fluxes, leaf_heat: float) -> None:
        """Leaf, air and cover, implicit together."""
        (leaf_j, air_j, cover_j, g_surf_leaf, g_surf, g_surf_cover, g_out, sun_leaf, sun_cover, _,
         closed, lid) = self._heat_constants  # fmt: skip
        film_kg_s, skin_kg_s, cover_kg_s, fog_kg, _, _, surface_c = fluxes
        house_c = weather.house_c
        sun_w = weather.sun_w_m2
        g_vent = lid if self.lid_open else closed
        in_leaf = leaf_j / dt_s * self.leaf_c + sun_leaf * sun_w + g_surf_leaf * surface_c
        in_leaf += leaf_heat / dt_s - LATENT_J_KG * (film_kg_s + skin_kg_s)
        in_air = air_j / dt_s * self.air_c + g_surf * surface_c + g_vent * house_c
        in_air += LATENT_J_KG * fog_kg / dt_s
        in_cover = cover_j / dt_s * self.cover_c + g_surf_cover * surface_c + g_out * house_c
        in_cover += sun_cover * sun_w - LATENT_J_KG * cover_kg_s
        i_ll, i_aa, i_cc, i_la, i_lc, i_ac = self._inverse
        self.leaf_c = i_ll * in_leaf + i_la * in_air + i_lc * in_cover
        self.air_c = air_c = i_la * in_leaf + i_aa * in_air + i_ac * in_cover
        self.cover_c = cover_c = i_lc * in_leaf + i_ac * in_air + i_cc * in_cover
        lost = g_vent * (air_c - house_c) + g_out * (cover_c - house_c)
        self.balance.lost_j += lost * dt_s

    def _warm_bay(
        self,
        bay: BayState,
        dt_s: float,
        share: float,
        evaporated: float,
        house_c: float,
        sun_w: float,
    ) -> float:
        """Mat and compost, explicit. Returns heat lost below and at the sides, W/m2."""
        (mat_j, layer_j, g_mat, g_layer, g_below, g_surf, g_surf_cover, g_surf_leaf,
         sun_surface) = self._bay_constants  # fmt: skip
        layers_c = bay.layers_c
        edge_w_k = bay.edge_w_k
        step = dt_s / layer_j
        mat_c = bay.mat_c
        here_c = layers_c[0]
        lost = g_below * (mat_c - house_c)
        rising = g_mat * (mat_c - here_c)
        bay.mat_c = mat_c + dt_s / mat_j * (bay.mat_w_m2 * share - rising - lost)
        top = len(layers_c) - 1
        for i in range(top):
            above_c = layers_c[i + 1]
            flow = g_layer * (here_c - above_c)
            side = edge_w_k * (here_c - house_c)
            lost += side
            layers_c[i] = here_c + step * (rising - flow - side)
            rising = flow
            here_c = above_c
        side = edge_w_k * (here_c - house_c)
        gain = g_surf * (self.air_c - here_c) + g_surf_cover * (self.cover_c - here_c)
        gain += g_surf_leaf * (self.leaf_c - here_c) + sun_surface * sun_w
        layers_c[top] = here_c + step * (gain + rising - side - LATENT_J_KG * evaporated)
        return lost + side

    def _drip(self, bay: BayState, falling: float, fall_heat: float) -> None:
        """Warm or cool the top layer by water that dripped on it."""
        heat = WATER_J_KG_K * (fall_heat - falling * bay.layers_c[-1])
        bay.layers_c[-1] += heat / self._bay_constants[1]
        self.balance.water_j += bay.weight * heat

    def water(self, litres_m2: float, water_c: float) -> None:
        """Water every bay by hand: it sinks through the layers, taking up their warmth."""
        layer_j_k = self._bay_constants[1]
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
        leaf_j, air_j, cover_j = self._heat_constants[:3]
        mat_j, layer_j = self._bay_constants[:2]
        total = leaf_j * self.leaf_c + air_j * self.air_c + cover_j * self.cover_c
        total += LATENT_J_KG * self._vapour_constants[4] * self.vapour_kpa
        for bay in self.bays:
            total += bay.weight * (mat_j * bay.mat_c + layer_j * sum(bay.layers_c))
        return total

    def stored_kg(self) -> float:
        """Water held per m2 of bench: compost, leaves, cover and air, kg."""
        total = self.film_kg_m2 + self._cover_film + self._vapour_constants[4] * self.vapour_kpa
        return total + sum(bay.weight * bay.water_kg_m2 for bay in self.bays)
