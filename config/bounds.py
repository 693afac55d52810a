"""Hard bounds. A bench file may tighten these; nothing may loosen them.

Plant figures: rooting falls where the medium is held above about 30 degC (Leyland cypress at a
steady 30: De Silva 2003, Lincoln University; pine: Southern African Forestry Journal 196, 2002).
The other figures are this program's own choice of caution.
"""

from typing import Final

BASE_CEILING_C: Final = 32.0
"""No heat is ordered with any believed base probe at or above this."""
BASE_TRIP_C: Final = 30.0
"""Heat of the bay trips, and stays off until a person resets it."""
BASE_CEILING_NO_CUTOUT_C: Final = 28.0
BASE_TRIP_NO_CUTOUT_C: Final = 27.0
"""The same two without a declared independent thermal cut-out on the mat."""
CUTOUT_HIGHEST_C: Final = 45.0
"""A cut-out on the mat set hotter than this protects no roots, and is not counted as declared."""
TARGET_LOWEST_C: Final = 5.0
TARGET_HIGHEST_C: Final = 28.0
BURST_LONGEST_S: Final = 60.0
MIST_HOUR_SHARE: Final = 0.25
"""Share of any hour the mister may be on."""
HOLD_LONGEST_S: Final = 12 * 3600.0
"""A hold by hand always ends; this is the longest."""
LEASE_LONGEST_S: Final = 60.0
"""No order to a heat mat outlives this without being renewed."""
