"""What a grower writes down of a batch from its page: every act there is, and entries put right.

Everything goes by `BatchActs`, as from the command line. What ends a batch is shown with its effect
and asked for twice; all else can be put right, or taken back, by a new entry.
"""

from typing import Final

from controller.batch_acts import BatchActs
from controller.entries import LOST_CAUSES
from controller.page.doing import NOTE, WHEN, WILTED, Doing, Known, number_field, rest_of
from controller.page.doing_answers import checked_fields, do_checked
from controller.page.doing_seen import (
    do_looked,
    do_lost,
    do_potted,
    do_saleable,
    do_sprayed,
    do_tested,
    do_weaned,
    lost_fields,
    tested_fields,
    weaned_fields,
)
from controller.page.doing_trays import (
    closed_effect,
    closed_fields,
    do_closed,
    do_merged,
    do_moved,
    do_split,
    merged_effect,
    merged_fields,
    moved_fields,
    split_fields,
)
from controller.page.fields import Field, Typed
from controller.records import Batch, Entry, EntryKind

DOINGS: Final[dict[str, Doing]] = {
    "tested": Doing("Test", "Test ...", "Write it down", tested_fields, do_tested),
    "lost": Doing("Losses", "Losses ...", "Write it down", lost_fields, do_lost),
    "looked": Doing(
        "Looked at it", "Looked ...", "Write it down", lambda _: (WILTED, NOTE, WHEN), do_looked
    ),
    "sprayed": Doing(
        "Sprayed by hand", "Sprayed ...", "Write it down", lambda _: (WHEN, NOTE), do_sprayed
    ),
    "weaned": Doing("A step on, or back", "Step ...", "Take the step", weaned_fields, do_weaned),
    "checked": Doing(
        "Before sticking", "Checklist ...", "Write it down", checked_fields, do_checked,
        after_closing=True,
    ),
    "potted": Doing(
        "Potted on", "Potted ...", "Write it down",
        lambda known: (number_field("potted", "Potted", rest_of(known)), WHEN, NOTE), do_potted,
        after_closing=True,
    ),
    "saleable": Doing(
        "Fit for sale", "Saleable ...", "Write it down",
        lambda known: (number_field("saleable", "Saleable", rest_of(known)), WHEN, NOTE),
        do_saleable, after_closing=True,
    ),
    "moved": Doing("Move", "Move ...", "Move it", moved_fields, do_moved),
    "split": Doing("Split", "Split ...", "Part them off", split_fields, do_split),
    "merged": Doing("Merge", "Merge ...", "Go on", merged_fields, do_merged, merged_effect),
    "closed": Doing("Close", "Close ...", "Go on", closed_fields, do_closed, closed_effect),
}  # fmt: skip
"""By the kind of entry they make, in the order in which they are proposed."""


def may_do(batch: Batch) -> list[str]:
    """Acts that a batch still takes."""
    if batch.merged_into:
        return []
    return [name for name, one in DOINGS.items() if batch.closed_s is None or one.after_closing]


# -- entries put right ----------------------------------------------------------------------------

_FIGURES: Final[dict[str, tuple[str, ...]]] = {
    EntryKind.TESTED: ("tested", "rooted", "callused", "wilted"),
    EntryKind.LOST: ("lost", "cause"),
    EntryKind.LOOKED: ("wilted",),
    EntryKind.WEANED: ("phase",),
    EntryKind.POTTED: ("potted",),
    EntryKind.SALEABLE: ("saleable",),
    EntryKind.CLOSED: ("rooted", "callused", *(f"lost_{cause}" for cause in LOST_CAUSES)),
}
"""Figures of an entry that can be typed anew; any other can only be taken back."""


def can_put_right(entry: Entry) -> bool:
    """A move, a split or a merging is put right by doing it again."""
    return entry.kind not in (EntryKind.MOVED, EntryKind.MERGED, EntryKind.CORRECTED)


def entry_fields(known: Known, entry: Entry) -> tuple[Field, ...]:
    """The fields of an entry as it stands; none where it can only be taken back."""
    names = _FIGURES.get(EntryKind(entry.kind), ())
    if not names:
        return ()
    all_fields = {one.name: one for one in DOINGS[entry.kind].fields(known)}
    return (
        *(all_fields[name]._replace(value=entry.values.get(name, "")) for name in names),
        Field("note", "Note", "lines", value=entry.note),
    )


def put_right(acts: BatchActs, known: Known, entry: Entry, typed: Typed) -> str:
    """Put typed figures in place of an entry's, or take it back; both as a new entry."""
    if typed.text("take") == "back":
        acts.correct(known.batch.number, entry.number, {}, note="taken back")
        return f"taken back: {entry.kind}; both stay on record"
    names = _FIGURES.get(EntryKind(entry.kind), ())
    said = {name: typed.text(name) for name in names}
    words = {"wilted", "cause", "phase"}
    for name in names:
        if name not in words:
            said[name] = str(typed.whole(name, empty=0))
    typed.sound()
    shown = {key: value for key, value in entry.values.items() if key not in names} | {
        key: value
        for key, value in said.items()
        if value and not (key.startswith("lost_") and value == "0")
    }
    if entry.kind == EntryKind.LOOKED and not shown:
        # A correction without figures would withdraw it.
        typed.fault("wilted", "say how the leaves stand, or take the entry back")
        typed.sound()
    acts.correct(known.batch.number, entry.number, shown, note=typed.text("note"))
    return f"put right: {entry.kind}; both stay on record"
