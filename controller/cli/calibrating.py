"""The baths that `calibrate` asks for: words, known values, and a probe watched until it rests."""

from collections.abc import Callable
from typing import Final, NamedTuple

import click

from config.model import Site
from controller.care_due import calibrated_probes
from controller.cli.common import Refused
from controller.journal.care import Held
from controller.wiring.hands import Hands
from sensors.fixed_points import ICE_C, ICE_U_K, SALTS, FixedPointError, over_salt
from sensors.steadiness import RESTS, Steady, steadiness

LONGEST_S: Final = {"degC": 40.0 * 60.0, "%": 24.0 * 3600.0}
TELL_S: Final = 30.0
SURE_K: Final = 0.2
"""Doubt of a reference, about 95 %, where nothing is said: common practice, no source."""

ICE: Final = """\
Ice bath, 0.00 °C. Crush ice of clean water finely, fill a vacuum flask to the brim
with it, pour in just enough water of the fridge (rain or distilled is best) to fill
the gaps, and pour off water until the ice no longer floats: ice down to the bottom,
water up to its top. Wait 15 minutes. Hang the probe in the middle, touching
nothing, as deep as it goes into compost, its lead leading down the side; stir
gently now and then, drain meltwater, press more ice after. A probe must be sealed
to be put into water; one that is not goes into a thin bag. Never put anything that
carries mains near water."""
REFERENCE: Final = """\
Reference. A thermometer with a certificate that is still in date, or one you held
in the same ice bath: both in a bucket or flask of water of the room, 20 to 30 °C,
stirred, tied together with their tips at one height; read after 15 minutes. Say
what the certificate says of its doubt: --sure 0.2 (K, at about 95 %)."""
BUCKET: Final = """\
Bucket. All base probes, sealed, tied together, tips at one height, in a bucket of
water that has stood in the room for an hour, stirred, out of the sun; never a probe
of air or humidity. After 15 minutes they all say the same or one is odd. It finds
an odd probe, not whether all are right."""


def salt_words() -> str:
    """How to make a humid jar, and what to mind with each salt."""
    made = """\
Salt jar. Stir a salt with a little clean water to a wet sand (grains stay, some
water stands in it), 2 cm deep in a jar that closes tightly. Hang the probe above it
through a sealed hole, never touching it, in a room that keeps its temperature
within 1 K, away from sun and draught. Leave it closed for 4 to 24 hours. Measure
the air in the jar or room to 1 K: --room. Gloves and goggles, no food jar, label
it, keep it from children; a splash on the probe spoils it. Two salts far apart
(common salt and magnesium chloride) give the gain too. The humidities are of
Greenspan 1977 (J. Res. NBS 81A:89), noted from memory."""
    rows = [
        f"  {key:10} {salt.name} ({salt.formula}), {salt.rh_20:.1f} % at 20 °C, "
        f"{salt.rh_25:.1f} at 25: {salt.care}"
        for key, salt in SALTS.items()
    ]
    return "\n".join([made, *rows])


class Baths(NamedTuple):
    """The known values asked for: degC, keys of SALTS, and the air over these.

    sure: expanded uncertainty of a reference, K.
    """

    ice: bool
    references: tuple[float, ...]
    salts: tuple[str, ...]
    room_c: float | None
    sure: float


def known_values(site: Site, probe: str, asked: Baths) -> list[Held]:
    """The known values asked for, with what the probe says left open. Raises Refused."""
    unit = calibrated_probes(site).get(probe)
    if unit is None:
        raise Refused(f"{probe}: only probes of temperature and humidity are calibrated here")
    if unit == "%" and (asked.ice or asked.references):
        raise Refused(f"{probe} measures humidity; use --salt: warmfoot calibrate how salt")
    if unit == "degC" and asked.salts:
        raise Refused(f"{probe} measures temperature; use --ice or --reference")
    if asked.salts and asked.room_c is None:
        raise click.UsageError("--salt wants --room, the temperature of the air over it")
    found = [Held("ice", ICE_C, 0.0, ICE_U_K)] if asked.ice else []
    found += [Held("reference", value, 0.0, asked.sure / 2.0) for value in asked.references]
    try:
        found += [
            Held(SALTS[one].name, over_salt(one, asked.room_c or 0.0), 0.0, SALTS[one].u_pct)
            for one in asked.salts
        ]
    except FixedPointError as error:
        raise Refused(str(error)) from error
    if not 1 <= len(found) <= 2:
        raise click.UsageError(
            f"{len(found)} known values given; one or two are wanted: --ice, --reference, --salt"
        )
    return found


class NotSteady(RuntimeError):
    """A probe that did not come to rest, or is not heard."""


def settled(
    hands: Hands, probe: str, unit: str, from_s: float, tell: Callable[[str], None]
) -> Steady:
    """Watch a probe until it rests; what it said uncorrected. Everything is off meanwhile.

    from_s: monotonic; what it said before was not in the bath yet.
    Raises NotSteady after LONGEST_S, or when it is not heard at all.
    """
    rest = RESTS[unit]
    began_s = told_s = hands.clock.now().mono_s
    while True:
        hands.tick()
        now_s = hands.clock.now().mono_s
        samples = [one for one in hands.raws.get(probe, ()) if one[0] >= from_s]
        found = steadiness(samples, rest) if samples else None
        if found is not None and found.steady:
            return found
        if now_s - told_s >= TELL_S:
            told_s = now_s
            tell(
                f"  {samples[-1][1]:.2f}, {found.why}"
                if found is not None
                else "  not heard yet; see its plug and `warmfoot check --wires`"
            )
        if now_s - began_s > LONGEST_S[unit] or (found is None and now_s - began_s > 300.0):
            raise NotSteady(
                f"{probe} is not heard; see its plug, and `warmfoot check --wires`"
                if found is None
                else f"{probe} did not come to rest within {LONGEST_S[unit] / 60:.0f} min: "
                f"{found.why}"
            )
