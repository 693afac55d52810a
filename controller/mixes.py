"""What is on record of the mixes of past batches."""

from collections.abc import Mapping
from math import isfinite

from controller.entries import effective, evidence
from controller.journal.reader import Reader
from controller.records import Batch
from controller.review.porosity import Known, same_mix


def known_mixes(reader: Reader) -> list[Known]:
    """Every batch's mix whose porosity is on record, newest first. Raises JournalError."""
    found = []
    for batch in reader.batches():
        one = _known(batch, evidence(batch, effective(reader.entries(batch.number))))
        if one is not None:
            found.append(one)
    return sorted(found, key=lambda one: (-one.at_s, -one.batch))


def _known(batch: Batch, said: Mapping[str, str]) -> Known | None:
    try:
        afp = float(said.get("afp_pct", ""))
    except ValueError:
        return None
    if not said.get("mix") or not isfinite(afp):
        return None
    return Known(said["mix"], afp, said.get("mix_height_cm", ""), batch.number, batch.stuck_s)


def mix_hint(reader: Reader, name: str) -> str:
    """What the mix of that name held when it was last measured, in words; "" for never."""
    for one in known_mixes(reader):
        if same_mix(one.mix, name):
            return f"the same mix held {one.afp_pct:g} %{at_depth(one)} for batch {one.batch}"
    return ""


def at_depth(one: Known) -> str:
    """ " at 5 cm", or "" where the depth was not measured."""
    return f" at {one.height_cm} cm" if one.height_cm else ""
