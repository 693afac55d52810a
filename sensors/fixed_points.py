"""Known values to hold a probe against: melting ice, and the air over saturated salts.

Melting ice: 0.00 degC. The scale in force (ITS-90, Preston-Thomas 1990, Metrologia 27:3) is fixed
at the triple point of water, 0.01 degC; ice and air-saturated water of everyday pressure stand 0.01
K below that, which is common practice as a check for thermometers of this kind.

Saturated salts: equilibrium relative humidity of the air over them, from L. Greenspan 1977,
'Humidity fixed points of binary saturated aqueous solutions', J. Res. NBS 81A:89-96. The figures
were written down from memory and not seen again here; common salt, magnesium chloride, potassium
chloride and potassium carbonate alone, which a grower can get.
"""

from typing import Final, NamedTuple

ICE_C: Final = 0.0
ICE_U_K: Final = 0.05
"""Standard uncertainty of an ice bath made with care in a kitchen: common practice, no source."""

COOLEST_C: Final = 15.0
WARMEST_C: Final = 30.0
"""The salts' figures are given at 20 and 25 degC; no farther from these than this are they used."""


class FixedPointError(ValueError):
    """A fixed point that cannot be used so: what was asked, and what is possible."""


class Salt(NamedTuple):
    """One salt. rh_20, rh_25: % RH over it at 20 and 25 degC.  u_pct: standard uncertainty, %.

    care: words for whoever handles it.
    """

    name: str
    formula: str
    rh_20: float
    rh_25: float
    u_pct: float
    care: str


_SLURRY_U_PCT: Final = 0.5
"""What a grower's jar adds to the paper's own few tenths: an assumption, no source."""

SALTS: Final[dict[str, Salt]] = {
    "magnesium": Salt(
        "magnesium chloride", "MgCl2.6H2O", 33.07, 32.78, _SLURRY_U_PCT,
        "it grows warm when wetted and eats metal: keep it off probe, bench and hands",
    ),
    "carbonate": Salt(
        "potassium carbonate", "K2CO3", 43.16, 43.16, _SLURRY_U_PCT,
        "a strong alkali: gloves and goggles, never with acid, out of children's reach",
    ),
    "table": Salt(
        "common salt", "NaCl", 75.47, 75.29, _SLURRY_U_PCT,
        "pure, without iodine or anti-caking agent; it eats metal",
    ),
    "potassium": Salt(
        "potassium chloride", "KCl", 85.11, 84.34, _SLURRY_U_PCT,
        "do not swallow it; it eats metal",
    ),
}  # fmt: skip


def over_salt(salt: str, air_c: float) -> float:
    """Relative humidity over a saturated salt, % RH, on the straight line through 20 and 25 degC.

    salt: key of SALTS.  air_c: COOLEST_C..WARMEST_C.  Raises FixedPointError.
    """
    known = SALTS.get(salt)
    if known is None:
        raise FixedPointError(f"no salt {salt!r} here; there are {', '.join(SALTS)}")
    if not COOLEST_C <= air_c <= WARMEST_C:
        raise FixedPointError(
            f"{known.name} at {air_c:g} °C: its humidity is known here from {COOLEST_C:g} to "
            f"{WARMEST_C:g} °C; do it in a room of about 20 to 25 °C"
        )
    return known.rh_20 + (known.rh_25 - known.rh_20) * (air_c - 20.0) / 5.0
