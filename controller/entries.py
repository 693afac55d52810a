"""What a batch's entries say once corrections are taken into account."""

from collections.abc import Mapping, Sequence
from math import inf

from config.checklist import NO, YES
from controller.records import Batch, Entry, EntryKind

LOST_CAUSES = ("rotted", "dried", "disease", "pest", "damaged", "leaf_drop", "other", "unknown")
"""Why a cutting was lost; common practice, no source."""


def effective(entries: Sequence[Entry]) -> list[Entry]:
    """The entries as they stand, oldest fact first.

    entries: all of one batch, in the order entered.  A correction takes the place, number and kind
    of the entry that it corrects, with its own time, values and note; one without values withdraws
    that entry.  A correction may itself be corrected.
    """
    standing: dict[int, Entry] = {}
    stands_for: dict[int, int] = {}
    for entry in entries:
        if not entry.corrects:
            standing[entry.number] = entry
            continue
        first = stands_for.get(entry.corrects, entry.corrects)
        stands_for[entry.number] = first
        kind = next((e.kind for e in entries if e.number == first), entry.kind)
        if entry.values:
            standing[first] = entry._replace(number=first, kind=kind)
        else:
            standing.pop(first, None)
    return sorted(standing.values(), key=lambda entry: (entry.at_s, entry.number))


def number_of(values: Mapping[str, str], key: str) -> int:
    """The whole number under `key`, 0 when it is not there."""
    return int(values.get(key, "0"))


def lost(entries: Sequence[Entry]) -> dict[str, int]:
    """Cuttings lost, by cause, of entries that stand; those given at closing included."""
    found: dict[str, int] = {}
    for entry in entries:
        if entry.kind == EntryKind.LOST:
            cause = entry.values.get("cause", "unknown")
            found[cause] = found.get(cause, 0) + number_of(entry.values, "lost")
        elif entry.kind == EntryKind.CLOSED:
            for key, value in entry.values.items():
                if key.startswith("lost_"):
                    cause = key.removeprefix("lost_")
                    found[cause] = found.get(cause, 0) + int(value)
    return found


def potted(entries: Sequence[Entry]) -> int:
    """Cuttings potted on so far, of entries that stand."""
    return sum(number_of(e.values, "potted") for e in entries if e.kind == EntryKind.POTTED)


def merged_away(entries: Sequence[Entry]) -> int:
    """Cuttings that go on in another batch since this one was merged into it."""
    return sum(
        number_of(e.values, "count")
        for e in entries
        if e.kind == EntryKind.MERGED and "into" in e.values
    )


def left(batch: Batch, entries: Sequence[Entry]) -> int:
    """Cuttings of a batch that live as far as is known. entries: those that stand."""
    return batch.cuttings - sum(lost(entries).values()) - merged_away(entries)


def unaccounted(batch: Batch, entries: Sequence[Entry]) -> int:
    """Cuttings of which a closing says nothing; 0 while the batch is open."""
    closings = [entry.values for entry in entries if entry.kind == EntryKind.CLOSED]
    if not closings:
        return 0
    told = number_of(closings[-1], "rooted") + number_of(closings[-1], "callused")
    return left(batch, entries) - told


def wilted(entry: Entry) -> bool | None:
    """What an entry says of leaves that flag; None where it says nothing."""
    said = entry.values.get("wilted", "").strip().lower()
    return True if said in YES else False if said in NO else None


def evidence(batch: Batch, entries: Sequence[Entry]) -> dict[str, str]:
    """What is known of the cuttings as they were stuck: recorded then, or entered since.

    entries: those that stand.  A later answer outranks an earlier one; an empty one takes it back.
    """
    known = dict(batch.details)
    for entry in entries:
        if entry.kind == EntryKind.CHECKED:
            known |= entry.values
    return {key: value for key, value in known.items() if value}


def step_of(entry: Entry) -> str:
    """The phase that an entry takes its batch to, "" for none."""
    stepping = entry.kind in (EntryKind.WEANED, EntryKind.TESTED)
    return entry.values.get("phase", "") if stepping else ""


def phase_at(batch: Batch, entries: Sequence[Entry], first_phase: str) -> tuple[str, float]:
    """The phase last entered and since when (UTC s), from entries that stand."""
    phase, since_s = first_phase, batch.stuck_s
    for entry in entries:
        named = step_of(entry)
        if named:
            phase, since_s = named, entry.at_s
    return phase, since_s


def stays(batch: Batch, entries: Sequence[Entry], until_s: float) -> list[tuple[str, float, float]]:
    """Where the batch stood: ("bench.bay", from, to), UTC s, oldest first, none of no length.

    entries: those that stand.
    """
    moves = [e for e in entries if e.kind == EntryKind.MOVED and "to" in e.values]
    here = f"{batch.bench}.{batch.bay}"
    place = moves[0].values.get("from", here) if moves else here
    since_s = batch.stuck_s
    found = []
    for move in moves:
        found.append((place, since_s, min(move.at_s, until_s)))
        place, since_s = move.values["to"], move.at_s
    found.append((place, since_s, until_s))
    return [stay for stay in found if stay[2] > stay[1]]


def place_at(batch: Batch, entries: Sequence[Entry], at_s: float) -> str:
    """ "bench.bay" in which the batch stood at `at_s`, UTC s, after what was entered for then."""
    stood = stays(batch, entries, inf)
    return next((place for place, from_s, to_s in stood if from_s <= at_s < to_s), stood[0][0])
