"""What an act will do, in a grower's words, before it is asked for a second time."""

from collections.abc import Mapping
from datetime import datetime
from typing import Final, NamedTuple

from config.bounds import HOLD_LONGEST_S
from controller.decide.alarm_table import rows
from controller.page.moment import Moment
from controller.page.words import place_words
from controller.records import Act, ActKind

ALARM_ACTS: Final[Mapping[str, tuple[str, str]]] = {
    ActKind.ACKNOWLEDGE: ("Mark this alarm as seen?", "Seen"),
    ActKind.SHELVE: ("Set this alarm aside?", "Set aside"),
    ActKind.UNSHELVE: ("Bring this alarm back?", "Bring it back"),
}
"""Title and button of each."""


class Effect(NamedTuple):
    """title: the question.  lines: what it means for the cuttings, when it ends, how to undo it.
    sure: words of the button."""

    title: str
    lines: tuple[str, ...]
    sure: str


def effect_of(act: Act, moment: Moment) -> Effect | None:
    """What the act will do; None when there is no such place or alarm."""
    if act.kind in ALARM_ACTS:
        return _alarm(act, moment)
    bench, _, bay = act.place.partition(".")
    plan = moment.site.benches.get(bench)
    if plan is None or (bay and bay not in plan.bays):
        return None
    title = plan.title or bench
    where = f"{title}, bay {bay}" if bay else title
    span_s = min(act.span_s, HOLD_LONGEST_S)
    end = datetime.fromtimestamp(moment.now.utc_s + span_s, moment.site.site.zone)
    back = (
        f"It ends by itself at {end:%H:%M} on {end.day} {end:%b} ({span_s / 60:.0f} min); you can "
        "give it back to the rules sooner."
    )
    if act.kind == ActKind.HOLD_HEAT:
        return _heat(act.value, where, back)
    if act.kind == ActKind.HOLD_MIST:
        return _mist(act.value, where, back)
    if act.kind == ActKind.BURST:
        length = f"{act.span_s:g} s" if act.span_s else "the usual length"
        return Effect(
            f"Mist {where} once, now?",
            (
                f"One burst of {length}. The leaves get wet; so does the compost below them.",
                "It counts towards the mister's hour, which the guards hold to a quarter.",
                "Stand clear of the spray, above all after idle days: warm standing water breeds "
                "Legionella. A burst cannot be taken back.",
            ),
            "Mist now",
        )
    if act.kind == ActKind.RELEASE:
        told = "The rules decide again, from the next tick on."
        return Effect(f"Give {where} back to the rules?", (told,), "Give back")
    return Effect(
        f"Let {where} work again?",
        (
            "It was switched off because something went wrong. Do this only after you have found "
            "the cause and put it right, at the bench, by hand and eye.",
            "If the cause still stands, it will trip again; cuttings do not stand that twice.",
        ),
        "The cause is gone: reset",
    )


def _alarm(act: Act, moment: Moment) -> Effect | None:
    """What is asked once, and again only by a form of an earlier run."""
    row = rows().get(act.alarm)
    if row is None:
        return None
    title, sure = ALARM_ACTS[act.kind]
    told = f"{row.title}, {place_words(act.place, moment.site)}. It changes no output."
    lines = (told, f"For {act.span_s / 60:.0f} min.") if act.kind == ActKind.SHELVE else (told,)
    return Effect(title, lines, sure)


def _heat(value: str, where: str, back: str) -> Effect:
    if value == "on":
        return Effect(
            f"Hold the heat of {where} on?",
            (
                "The mat heats without a pause, whatever the target says. Roots suffer when the "
                "base gets hot; the hard limits and the trip stay in force.",
                back,
            ),
            "Hold heat on",
        )
    return Effect(
        f"Hold the heat of {where} off?",
        (
            "The mat stays cold however cold the base gets. On a cold night an unheated base loses "
            "a degree or two within two hours; rooting slows, and tender cuttings are chilled.",
            back,
        ),
        "Hold heat off",
    )


def _mist(value: str, where: str, back: str) -> Effect:
    if value == "on":
        return Effect(
            f"Hold the mist of {where} on?",
            (
                "The mister runs as much as its guards let it: at most a quarter of any hour. "
                "Compost gets wet and cold, and wet leaves rot.",
                back,
            ),
            "Hold mist on",
        )
    return Effect(
        f"Hold the mist of {where} off?",
        (
            "No burst comes, however dry the leaves get. Fresh cuttings without roots can wilt "
            "within the hour on a bright day, and may not come back.",
            back,
        ),
        "Hold mist off",
    )
