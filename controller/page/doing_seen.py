"""Tests, losses, looks and steps: what is seen of a batch, and done, between its two ends."""

from controller.batch_acts import BatchActs
from controller.decide.weaning import PHASE_WORDS
from controller.entries import LOST_CAUSES
from controller.page.doing import (
    CAUSE_WORDS,
    NOTE,
    WHEN,
    WILTED,
    Known,
    number_field,
    rest_of,
    said_wilted,
)
from controller.page.fields import Field, Typed


def tested_fields(known: Known) -> tuple[Field, ...]:
    return (
        number_field("tested", "Lifted", f"5 to 10, from corners and middle; {rest_of(known)}"),
        number_field("rooted", "of them with roots"),
        number_field("callused", "of the others, callus only", value="0"),
        WILTED, WHEN, NOTE,
    )  # fmt: skip


def do_tested(acts: BatchActs, known: Known, typed: Typed) -> str:
    tested, rooted = typed.whole("tested", least=1), typed.whole("rooted")
    callused = typed.whole("callused", empty=0)
    when = typed.when()
    typed.sound()
    acts.test(known.batch.number, tested, rooted, callused, wilted=said_wilted(typed), at_s=when,
              note=typed.text("note"))  # fmt: skip
    return f"written down: {rooted} of {tested} had roots"


def lost_fields(known: Known) -> tuple[Field, ...]:
    causes = tuple((cause, CAUSE_WORDS[cause]) for cause in LOST_CAUSES)
    return (
        number_field("lost", "Lost", f"so many more than before; {rest_of(known)}"),
        Field("cause", "because they were", "choice", causes, value="unknown"),
        WHEN, NOTE,
    )  # fmt: skip


def do_lost(acts: BatchActs, known: Known, typed: Typed) -> str:
    count = typed.whole("lost", least=1)
    cause = typed.one_of("cause", LOST_CAUSES, "a cause")
    when = typed.when()
    typed.sound()
    acts.lose(known.batch.number, count, cause, at_s=when, note=typed.text("note"))
    return f"written down: {count} lost, {CAUSE_WORDS[cause]}"


def do_looked(acts: BatchActs, known: Known, typed: Typed) -> str:
    when, wilted = typed.when(), said_wilted(typed)
    if wilted is None and not typed.text("note"):
        typed.fault("note", "say what you saw, or how the leaves stand")
    typed.sound()
    acts.look(known.batch.number, wilted=wilted, at_s=when, note=typed.text("note"))
    return "written down: looked at"


def do_sprayed(acts: BatchActs, known: Known, typed: Typed) -> str:
    when = typed.when()
    typed.sound()
    acts.spray(known.batch.number, at_s=when, note=typed.text("note"))
    return "written down: sprayed by hand"


def weaned_fields(known: Known) -> tuple[Field, ...]:
    names = [phase.name for phase in known.recipe.phases]
    here = names.index(known.batch.phase) if known.batch.phase in names else 0
    found: list[tuple[str, str]] = []
    for place, name in enumerate(names):
        way = "" if place == here else "back to " if place < here else "on to "
        now = " (it is there now)" if place == here else ""
        found.append((name, f"{way}{PHASE_WORDS.get(name, name)}{now}"))
    told = "roots found and leaves that stand lead it, never the date; a step can go back"
    if known.proposed:
        told = f"proposed: {PHASE_WORDS.get(known.proposed, known.proposed)}. {told.capitalize()}"
    first = known.proposed or known.batch.phase
    return Field("phase", "Take it", "choice", tuple(found), told, first), WHEN, NOTE


def do_weaned(acts: BatchActs, known: Known, typed: Typed) -> str:
    names = [phase.name for phase in known.recipe.phases]
    phase = typed.one_of("phase", names, "one of the steps")
    when = typed.when()
    if phase == known.batch.phase:
        typed.fault("phase", "it is there already; choose a step on, or back")
    typed.sound()
    acts.wean(known.batch.number, phase, at_s=when, note=typed.text("note"))
    return f"it is at {PHASE_WORDS.get(phase, phase)}; mist and base follow within a minute"


def do_potted(acts: BatchActs, known: Known, typed: Typed) -> str:
    count, when = typed.whole("potted", least=1), typed.when()
    typed.sound()
    acts.pot(known.batch.number, count, at_s=when, note=typed.text("note"))
    return f"written down: {count} potted on"


def do_saleable(acts: BatchActs, known: Known, typed: Typed) -> str:
    count, when = typed.whole("saleable", least=1), typed.when()
    typed.sound()
    acts.sell(known.batch.number, count, at_s=when, note=typed.text("note"))
    return f"written down: {count} saleable"
