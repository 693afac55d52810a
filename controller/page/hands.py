"""What a grower's hand can ask of a bench from its page: holds with an end, and one burst."""

from math import inf

from controller.decide.state import BayState, MistState
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
    held = _hold(moment, moment.state.bays.get((bench, bay)))
    return _hands(asked, "Heat by hand", held, ActKind.HOLD_HEAT, "heat", f"{bench}.{bay}")


def mist_hands(asked: Asked, bench: str) -> Element | None:
    """Hold the mist of a bench off or on, give it back, or one burst now."""
    moment = asked.moment
    held = _hold(moment, moment.state.mist.get(bench))
    length = element(
        "label",
        "for ",
        element("input", type="number", name="seconds", min="1", max="60", value="5", required="",
                inputmode="numeric"),
        " s",
    )  # fmt: skip
    burst = act_form(asked, ActKind.BURST, "One burst now ...", (("place", bench),), length,
                     risky=True)  # fmt: skip
    return _hands(asked, "Mist by hand", held, ActKind.HOLD_MIST, "mist", bench, burst)


def _hold(moment: Moment, held: BayState | MistState | None) -> tuple[str, float]:
    """What is held by hand, "off" or "on", and its end in monotonic s; ("", -inf) for nothing."""
    if held is None or not moment.now.mono_s < held.hold_until_s:
        return "", -inf
    return held.hold, held.hold_until_s


def _told(moment: Moment, what: str, hold: str, until_s: float) -> str:
    if not hold:
        return f"The rules have the {what}."
    zone, now_s = moment.site.site.zone, moment.now.utc_s
    end = moment_words(moment.utc_s(until_s), now_s, zone)
    return f"The {what} is held {hold} by hand until {end}."


def _hands(
    asked: Asked,
    title: str,
    held: tuple[str, float],
    kind: str,
    what: str,
    place: str,
    *more: Element,
) -> Element:
    hold, until_s = held
    told = element("p", _told(asked.moment, what, hold, until_s))
    live = {"id": f"held-{what}-{place.replace('.', '-')}", "data_live": ""}
    if not asked.holder.may_act:
        state = element("div", told, **live)
        return element("div", element("h3", title), state, class_="byhand")
    here = (("place", place),)
    give = [act_form(asked, ActKind.RELEASE, "Give back to the rules", here)] if hold else []
    choices = [element("option", words, value=str(minutes)) for minutes, words in SPANS]
    ways = [element("option", words, value=value)
            for value, words in (("off", "off"), ("on", "on"))]  # fmt: skip
    hold_form = act_form(
        asked,
        kind,
        "Hold ...",
        here,
        element("label", f"Hold {what} ", element("select", *ways, name="value")),
        element("label", " for ", element("select", *choices, name="minutes")),
        risky=True,
    )
    return element(
        "details",
        element("summary", title),
        element("div", told, *give, class_="held", **live),
        hold_form,
        *more,
        class_="byhand",
        open="" if hold else None,
    )
