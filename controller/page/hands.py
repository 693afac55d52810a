"""What a grower's hand can ask of a bench from its page: holds with an end, and one burst."""

from controller.draw.markup import Element, element
from controller.page.forms import act_form
from controller.page.moment import Moment
from controller.page.render import Asked
from controller.page.words import moment_words
from controller.records import ActKind

SPANS = ((30, "30 min"), (60, "1 h"), (120, "2 h"), (240, "4 h"), (480, "8 h"), (720, "12 h"))


def bay_hands(asked: Asked, bench: str, bay: str) -> Element | None:
    """Hold the heat of a bay off or on, or give it back."""
    moment = asked.moment
    held = moment.state.bays.get((bench, bay))
    hold = "" if held is None else held.hold
    until_s = 0.0 if held is None else held.hold_until_s
    place = f"{bench}.{bay}"
    return _hands(asked, "Heat by hand", _held(moment, "heat", hold, until_s), hold,
                  ActKind.HOLD_HEAT, "heat", place)  # fmt: skip


def mist_hands(asked: Asked, bench: str) -> Element | None:
    """Hold the mist of a bench off or on, give it back, or one burst now."""
    moment = asked.moment
    held = moment.state.mist.get(bench)
    hold = "" if held is None else held.hold
    until_s = 0.0 if held is None else held.hold_until_s
    length = element(
        "label",
        "for ",
        element("input", type="number", name="seconds", min="1", max="60", value="5", required="",
                inputmode="numeric"),
        " s",
    )  # fmt: skip
    burst = act_form(asked, ActKind.BURST, "One burst now ...", (("place", bench),), length,
                     risky=True)  # fmt: skip
    return _hands(asked, "Mist by hand", _held(moment, "mist", hold, until_s), hold,
                  ActKind.HOLD_MIST, "mist", bench, burst)  # fmt: skip


def _held(moment: Moment, what: str, hold: str, until_s: float) -> str:
    if not hold or until_s <= moment.now.mono_s:
        return f"The rules have the {what}."
    zone, now_s = moment.site.site.zone, moment.now.utc_s
    end = moment_words(moment.utc_s(until_s), now_s, zone)
    return f"The {what} is held {hold} by hand until {end}."


def _hands(
    asked: Asked,
    title: str,
    told: str,
    hold: str,
    kind: str,
    what: str,
    place: str,
    *more: Element,
) -> Element:
    key = place.replace(".", "-")
    state = element("p", told, id=f"held-{what}-{key}", data_live="")
    if not asked.holder.may_act:
        return element("div", element("h3", title), state, class_="byhand")
    choices = [element("option", words, value=str(minutes)) for minutes, words in SPANS]
    ways = [element("option", words, value=value)
            for value, words in (("off", "off"), ("on", "on"))]  # fmt: skip
    hold_form = act_form(
        asked,
        kind,
        "Hold ...",
        (("place", place),),
        element("label", f"Hold {what} ", element("select", *ways, name="value")),
        element("label", " for ", element("select", *choices, name="minutes")),
        risky=True,
    )
    release = act_form(asked, ActKind.RELEASE, "Give back to the rules", (("place", place),))
    inside = [state, release if hold else None, hold_form, *more]
    return element(
        "details", element("summary", title), *(part for part in inside if part is not None),
        class_="byhand", open="" if hold else None,
    )  # fmt: skip
