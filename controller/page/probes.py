"""Every probe of a bench by itself: what it reads, how old that is, what speaks against it."""

from math import isfinite

from controller.draw.markup import Element, element
from controller.page.render import Asked
from controller.page.words import age, measured
from sensors.readings import ProbeView


def probes_part(asked: Asked, bench: str) -> Element:
    """Every probe by itself, as it is."""
    view = asked.moment.snapshot.benches[bench]
    rows = [_probe(one) for bay in view.bays.values() for one in bay.probes]
    rows += [_probe(one) for one in view.air]
    head = element(
        "tr", *(element("th", words, scope="col") for words in ("probe", "reads", "how old", ""))
    )
    body = element("tbody", *rows, id=f"read-{bench}", data_live="")
    table = element("table", element("thead", head), body)
    return element(
        "section",
        element("details", element("summary", "Every probe by itself"), table, class_="probes"),
        id=f"probes-{bench}",
    )


def _probe(view: ProbeView) -> Element:
    reading = view.reading
    unit = reading.unit.replace("degC", "°C")
    digits = 0 if reading.unit in ("%", "W/m2") else 1
    if reading.usable:
        value: Element | str = measured(reading.value, unit, digits)
    elif isfinite(reading.raw):
        value = element("span", element("s", measured(reading.raw, unit, digits)), " stale"
                        if reading.flag.name == "MISSING" else " not believed")  # fmt: skip
    else:
        value = "no reading"
    refused = f"{view.rejected} refused" if view.rejected else ""
    words = "; ".join(part for part in (reading.why, refused) if part)
    return element("tr", element("td", reading.probe), element("td", value),
                   element("td", age(view.age_s)), element("td", words))  # fmt: skip
