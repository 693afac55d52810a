"""The next step of a batch, proposed from roots found and from leaves that stand or flag.

The grower takes the step or leaves it; nothing here changes a target. A date never moves a batch:
the recipe's usual days only remind. Steps go back as well as forward.

Callus, first roots, half rooted, nearly all rooted and no wilt without mist: the triggers and the
two days back after leaves flagged are common practice, no one source; that weaning begins on roots
and ends on their amount fits poinsettia, whose cuttings could feed themselves some days after roots
showed (Wilkerson et al., J. Amer. Soc. Hort. Sci., about 2005).
"""

from collections.abc import Sequence
from typing import Final, NamedTuple

from config.recipes import PHASES, WEANING, Recipe
from controller.entries import left, number_of, phase_at, potted, step_of, wilted
from controller.records import Batch, Entry, EntryKind

DAY_S: Final = 86400.0
CALLUSED: Final = 0.5
HALF: Final = 0.5
NEARLY_ALL: Final = 0.8
"""Shares of those tested that lead to callus, to weaning and to its last step."""
TESTED_LEAST: Final = 3
"""A test of fewer, unless they are all that is left, leads to nothing; own choice."""
BACK_DAYS: Final = 2.0
"""After a step back the next one forward waits so long."""


class Step(NamedTuple):
    """What is proposed. phase: the step to take, "" for none.

    kind: "forward"; "back"; "wilt_test", to hold the mist for an hour at midday and look; "wait",
    for a step that is earned but too early; "care", for leaves that flag in the first phase.
    why: in a grower's words.  since_s: UTC s from which it holds.
    """

    kind: str
    phase: str
    why: str
    since_s: float


def proposed(batch: Batch, recipe: Recipe, entries: Sequence[Entry], now_s: float) -> Step | None:
    """The next step of an open batch; None while it should stay, and once potting on has begun.

    entries: those that stand.
    """
    names = [phase.name for phase in recipe.phases]
    phase, since_s = phase_at(batch, entries, names[0])
    if batch.closed_s is not None or phase not in names or potted(entries):
        return None
    place = names.index(phase)
    said = [entry for entry in entries if wilted(entry) is not None and entry.at_s <= now_s]
    last = said[-1] if said and said[-1].at_s > since_s else None
    if last is not None and wilted(last):
        if place == 0:
            why = "leaves flag: spray by hand, look at nozzles and shade; new cuttings wilt fast"
            return Step("care", "", why, last.at_s)
        why = "leaves flag, and a step back for two days gives them the mist they had"
        return Step("back", names[place - 1], why, last.at_s)
    if place + 1 == len(names):
        return None
    found = _found(batch, entries, names[place + 1])
    if found is None:
        return None
    why, from_s = found
    weaning = names[place + 1] in WEANING
    from_s = max(from_s, since_s + (recipe.wean_step_days * DAY_S if weaning else 0.0))
    went_back = _went_back(entries, names)
    if went_back:
        from_s = max(from_s, since_s + BACK_DAYS * DAY_S)
    if from_s > now_s:
        return Step("wait", names[place + 1], why, from_s)
    sure = names[place + 1] == "wean_late" or (weaning and went_back)
    if recipe.leafy and sure and last is None:
        hold = "hold the mist for an hour at midday and see whether leaves stand"
        return Step("wilt_test", names[place + 1], f"{why}: {hold}", from_s)
    return Step("forward", names[place + 1], why, from_s)


def _found(batch: Batch, entries: Sequence[Entry], phase: str) -> tuple[str, float] | None:
    """(why, since UTC s) when the last test leads on to `phase`, else None."""
    enough = min(TESTED_LEAST, max(1, left(batch, entries)))
    tests = [
        entry
        for entry in entries
        if entry.kind == EntryKind.TESTED and number_of(entry.values, "tested") >= enough
    ]
    if not tests:
        return None
    last = tests[-1]
    tested, rooted = (number_of(last.values, key) for key in ("tested", "rooted"))
    callused = rooted + number_of(last.values, "callused")
    words = f"{rooted} of {tested} had roots"
    if phase == "callus":
        leads, words = callused >= CALLUSED * tested, f"{callused} of {tested} had callus or roots"
    elif phase == "root":
        leads = rooted > 0
    else:
        leads = rooted >= (NEARLY_ALL if phase == "wean_late" else HALF) * tested
    return (words, last.at_s) if leads else None


def _went_back(entries: Sequence[Entry], names: Sequence[str]) -> bool:
    """Whether the phase it is in now was reached by a step back."""
    lived = [names[0]]
    for entry in entries:
        named = step_of(entry)
        if named in names and named != lived[-1]:
            lived.append(named)
    return len(lived) > 1 and names.index(lived[-1]) < names.index(lived[-2])


PHASE_WORDS: Final[dict[str, str]] = dict(
    zip(
        PHASES,
        (
            "just stuck: kept wet, also by night",
            "callus: drier, one full drying a day, dry by night",
            "first roots: half the mist, base a little cooler",
            "weaning: seldom misted, base let down",
            "last of weaning: hardly any mist, base let down further",
        ),
        strict=True,
    )
)
"""What each phase means at the bench."""
