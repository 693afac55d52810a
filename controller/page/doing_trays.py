"""Trays that change place, batches that part or join, and the end of a batch."""

from controller.batch_acts import BatchActs
from controller.entries import LOST_CAUSES, left
from controller.page.doing import (
    CAUSE_WORDS,
    NOTE,
    WHEN,
    Known,
    bay_choices,
    number_field,
    place_of,
    rest_of,
)
from controller.page.fields import Field, Typed
from controller.page.words import percent, place_words


def moved_fields(known: Known) -> tuple[Field, ...]:
    here = f"{known.batch.bench}.{known.batch.bay}"
    bays = bay_choices(known.site, without=here)
    return (
        Field("bay", "To", "choice", bays, "its warmth follows it", bays[0][0] if bays else ""),
        Field("trays", "Trays from now on", hint="empty for the same", value=known.batch.trays),
        WHEN, NOTE,
    )  # fmt: skip


def do_moved(acts: BatchActs, known: Known, typed: Typed) -> str:
    bench, bay = place_of(known.site, typed, "bay")
    when = typed.when()
    typed.sound()
    acts.move(known.batch.number, bench, bay, trays=typed.text("trays"), at_s=when,
              note=typed.text("note"))  # fmt: skip
    return f"it stands in {place_words(f'{bench}.{bay}', known.site)} now"


def split_fields(known: Known) -> tuple[Field, ...]:
    here = f"{known.batch.bench}.{known.batch.bay}"
    return (
        number_field("count", "Part off", f"into a batch of their own; {rest_of(known)}"),
        Field("bay", "into", "choice", bay_choices(known.site), value=here),
        WHEN, NOTE,
    )  # fmt: skip


def do_split(acts: BatchActs, known: Known, typed: Typed) -> str:
    count = typed.whole("count", least=1)
    bench, bay = place_of(known.site, typed, "bay")
    when = typed.when()
    typed.sound()
    made = acts.split(known.batch.number, count, bench, bay, at_s=when, note=typed.text("note"))
    return f"batch {made.number} holds {count} of them now; label its trays {made.number}"


def merged_fields(known: Known) -> tuple[Field, ...]:
    like = tuple(
        (str(one.number), f"{one.number} {one.plant}, {one.cuttings} stuck")
        for one in known.others
        if (one.plant.strip().lower(), one.kind)
        == (known.batch.plant.strip().lower(), known.batch.kind)
    )
    choices = like or (("", "none: no other open batch is of this plant and kind"),)
    return Field("gone", "Take in", "choice", choices, value=choices[0][0]), WHEN, NOTE


def _gone(known: Known, typed: Typed) -> int:
    return int(typed.one_of("gone", [str(one.number) for one in known.others], "a batch") or 0)


def do_merged(acts: BatchActs, known: Known, typed: Typed) -> str:
    gone, when = _gone(known, typed), typed.when()
    typed.sound()
    made = acts.merge(known.batch.number, gone, at_s=when, note=typed.text("note"))
    return f"it has {made.cuttings} cuttings now, with those of batch {gone}; label their trays"


def merged_effect(known: Known, typed: Typed) -> tuple[str, ...]:
    gone, number = _gone(known, typed), known.batch.number
    typed.when()
    typed.sound()
    return (
        f"All that is left of batch {gone} goes on as batch {number}. Batch {gone} ends without a "
        "result of its own.",
        f"What batch {number} was given up to now will count for all of them. A merging can't be "
        "taken back; to part them again, split them.",
    )


def closed_fields(known: Known) -> tuple[Field, ...]:
    causes = tuple(
        number_field(f"lost_{cause}", f"lost, {CAUSE_WORDS[cause]}", value="")
        for cause in LOST_CAUSES
    )
    return (
        number_field("rooted", "With roots", rest_of(known)),
        number_field("callused", "Callus only", value="0"),
        *causes,
        Field("lesson", "Lesson", "lines", hint="what you would change next time, in one line"),
        WHEN,
    )


def _closing(typed: Typed) -> tuple[int, int, dict[str, int], float | None]:
    rooted, callused = typed.whole("rooted"), typed.whole("callused", empty=0)
    lost = {cause: typed.whole(f"lost_{cause}", empty=0) for cause in LOST_CAUSES}
    when = typed.when()
    typed.sound()
    return rooted, callused, {cause: count for cause, count in lost.items() if count}, when


def do_closed(acts: BatchActs, known: Known, typed: Typed) -> str:
    rooted, callused, lost, when = _closing(typed)
    done = acts.close(known.batch.number, rooted=rooted, callused=callused, lost=lost,
                      lesson=typed.text("lesson"), at_s=when)  # fmt: skip
    open_ones = f"; {done.unaccounted} not accounted for" if done.unaccounted else ""
    share = rooted / done.batch.cuttings
    return f"closed: {rooted} of {done.batch.cuttings} rooted, {percent(share)}{open_ones}"


def closed_effect(known: Known, typed: Typed) -> tuple[str, ...]:
    rooted, callused, lost, _ = _closing(typed)
    told = [f"{rooted} of {known.batch.cuttings} with roots", f"{callused} with callus only"]
    told += [f"{count} lost now, {CAUSE_WORDS[cause]}" for cause, count in lost.items()]
    there = left(known.batch, known.entries) - rooted - callused - sum(lost.values())
    if there > 0:
        told.append(f"{there} of which nothing is said")
    return (
        f"{'; '.join(told)}.",
        "Its warmth ends, and its bay follows the other batches, or rests if it has none. Its "
        "closing can be put right later, or taken back, by an entry.",
    )
