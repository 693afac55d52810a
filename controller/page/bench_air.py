"""The part of a bench's page that all its bays share: the air over the cuttings, and the mist."""

from math import isfinite, nan

from controller.draw.markup import Element, element
from controller.page.hands import mist_hands
from controller.page.measures import Measure, measure
from controller.page.reasons import reasons
from controller.page.render import Asked
from controller.page.trends import Past, deficit, mist_past, trend
from controller.page.words import (
    GAP,
    age,
    air_words,
    claims,
    film_words,
    measured,
    mist_inferred,
    number,
    top_words,
    views_of,
)


def air_part(asked: Asked, over: Past, bench: str) -> Element:
    moment = asked.moment
    view = moment.snapshot.benches[bench]
    aims = moment.aims.mist[bench]
    top, humid = over.read(bench, "air_temperature"), over.read(bench, "humidity")
    top_views = views_of(moment, bench, None, "air_temperature")
    if not top_views:
        told = "No air probe is fitted here, so top and dryness are not known."
        return element("section", element("h2", "The air over the cuttings"), element("p", told))
    outside = views_of(moment, bench, None, "house_temperature")
    house = f"the house, outside the cover: {measured(view.house_c, '°C')}" if outside else ""
    rows = [
        measure(
            Measure(
                f"top-{bench}", "Top, at the leaves", view.top_c, "°C",
                top_words(view.top_c, aims.top_hot_c), house, top_views,
                good=None, limits=((aims.top_hot_c, "hot"),), least=0.0, most=32.0,
            ),
            trend(asked, over, "top and house", "°C",
                  {"top": ("top", top), "house": ("house", over.read(bench, "house_temperature"))},
                  limits=(aims.top_hot_c,),
                  label="Top (dashed) and house (dotted), °C" if outside else "Top, °C"),
        ),
        measure(
            Measure(
                f"vpd-{bench}", "Dryness of the air (VPD)", view.vpd_kpa, "kPa",
                air_words(view.vpd_kpa, aims),
                f"{number(aims.vpd_low_kpa, 2)} to {number(aims.vpd_high_kpa, 2)}{GAP}kPa wanted "
                f"now; humidity {measured(view.rh_pct, '%', 0)}",
                views_of(moment, bench, None, "humidity"),
                good=(aims.vpd_low_kpa, aims.vpd_high_kpa), least=0.0, most=1.6, digits=2,
            ),
            trend(asked, over, "VPD", "kPa", {"vpd": ("VPD", deficit(top, humid))},
                  good=(aims.vpd_low_kpa, aims.vpd_high_kpa), low=0.0, decimals=2),
        ),
    ]  # fmt: skip
    return element("section", element("h2", "The air over the cuttings"),
                   element("div", *rows, class_="values wide"))  # fmt: skip


def mist_part(asked: Asked, over: Past, bench: str) -> Element:
    moment = asked.moment
    told = moment.picture()["benches"][bench]["mister"]
    aims = moment.aims.mist[bench]
    held = moment.state.mist.get(bench)
    ordered, reported = claims(told)
    dose = told["dose_kpa_min"]
    dry = nan if told["dryness_kpa_min"] is None else told["dryness_kpa_min"]
    last = "no burst yet"
    if held is not None and isfinite(held.last_burst_s):
        ago = age(moment.now.mono_s - held.last_burst_s)
        last = f"last burst {number(held.last_burst_len_s)}{GAP}s, {ago} ago"
    film = "" if held is None else f"; {film_words(held.film_kpa_min, aims.leafy)}"
    mode = "" if told["mode"] == "normal" else f" [{told['mode']}]"
    flow_ml_s = moment.snapshot.benches[bench].flow_ml_s
    water = f"; the meter counts {number(flow_ml_s)}{GAP}ml/s" if isfinite(flow_ml_s) else ""
    row = measure(
        Measure(
            f"mist-{bench}", "Dryness summed since the last burst", dry, "kPa min",
            f"{ordered}; {reported}; {mist_inferred(moment, bench)}{water}",
            f"{told['why']}{mode}; {last}{film}",
            [], limits=() if dose is None else ((dose, "burst by day"),), least=0.0,
            most=max(20.0, 1.5 * (dose or 0.0)), digits=1,
        ),
        trend(asked, over, "mister on", "%", {"film": ("mister on", mist_past(over, bench))},
              low=0.0, high=2.0, decimals=1, stepped=True,
              label="Mister on, % of the time"),
        reasons(asked, f"{bench}.mister"),
    )  # fmt: skip
    return element(
        "section",
        element("h2", "Mist"),
        element("div", row, mist_hands(asked, bench), class_="values"),
    )
