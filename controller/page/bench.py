"""One bench: its side section, every value with its limits and its past, and why it does what it
does."""

from math import nan

from config.model import mat_id
from config.recipes import PHASES
from controller.decide.aims import BayAims
from controller.draw.markup import Element, element
from controller.page.bench_air import air_part, mist_part
from controller.page.hands import bay_hands
from controller.page.measures import Measure, measure
from controller.page.probes import probes_part
from controller.page.reasons import reasons
from controller.page.render import Asked, Sheet
from controller.page.section import USUAL_MM, BaseProbe, Cut, section
from controller.page.standing import call_card, calls, over_fold
from controller.page.trends import (
    Past,
    base_past,
    difference,
    mat_past,
    past,
    span_of,
    trend,
)
from controller.page.words import (
    GAP,
    base_words,
    claims,
    lean_words,
    mat_inferred,
    measured,
    missing,
    number,
    place_words,
    sentence,
    views_of,
)


def bench_page(asked: Asked) -> Sheet:
    """The page of /bench/NAME; 404 for a bench there is not."""
    name = asked.path.rpartition("/")[2]
    moment = asked.moment
    plan = moment.site.benches.get(name)
    if plan is None:
        here = element("p", "There is no such bench. ", element("a", "All benches", href="/"))
        return Sheet("No such bench", (here,), 404)
    span = span_of(asked)
    seen = past(asked, span)
    own = [call for call in calls(moment) if call.place.partition(".")[0] == name]
    shown = [call_card(call, asked) for call in own if call.stands]
    over = [call for call in own if call.over]
    if not shown:
        shown.append(element("p", "No alarm stands here.", class_="quiet"))
    if over:
        shown.append(over_fold(over, asked))
    inside = [
        element("h1", plan.title or name),
        element("div", *shown, id="call", data_live=""),
        element("div", *_suffers(asked, name), id="suffers", data_live=""),
        _span_choice(asked, span),
    ]  # fmt: skip
    for bay in plan.bays:
        inside.append(_bay(asked, seen, name, bay))
    inside.append(air_part(asked, seen, name))
    if plan.mister is not None:
        inside.append(mist_part(asked, seen, name))
    inside.append(probes_part(asked, name))
    return Sheet(plan.title or name, tuple(inside))


def _span_choice(asked: Asked, span: str) -> Element:
    links = [
        element("a", words, href=f"{asked.path}?span={key}",
                aria_current="true" if key == span else None)
        for key, words in (("24h", "last 24 hours"), ("7d", "last 7 days"))
    ]  # fmt: skip
    return element("p", "Beside each value: ", links[0], " ", links[1], class_="spans")


def _suffers(asked: Asked, bench: str) -> list[Element]:
    """Batches that this bench cannot please, and what would help them."""
    found = [one for one in asked.moment.sharing.suffers if one.bench == bench]
    return [element("p", sentence(one.line), class_="asks") for one in found]


# -- a bay ----------------------------------------------------------------------------------------


def _bay(asked: Asked, over: Past, bench: str, bay: str) -> Element:
    moment = asked.moment
    aims = moment.aims.bays[(bench, bay)]
    key = f"{bench}-{bay}"
    title = place_words(f"{bench}.{bay}", moment.site)
    many = len(moment.site.benches[bench].bays) > 1
    return element(
        "section",
        element("h2", f"{title}: from the house down to the mat" if many
                else "From the house down to the mat"),
        element(
            "div",
            element(
                "div",
                element("div", _section(asked, bench, bay, aims), id=f"cut-{key}", data_live=""),
                bay_hands(asked, bench, bay),
                class_="side",
            ),
            element("div", *_values(asked, over, bench, bay, aims), class_="values"),
            class_="halves",
        ),
        class_="bay",
    )  # fmt: skip


def _section(asked: Asked, bench: str, bay: str, aims: BayAims) -> Element:
    moment = asked.moment
    view = moment.snapshot.benches[bench]
    seen = view.bays[bay]
    plan = moment.site.benches[bench].bays[bay]
    mist = moment.state.mist.get(bench)
    mist_aims = moment.aims.mist[bench]
    here = [b for b in moment.batches if (b.bench, b.bay) == (bench, bay)]
    bases = [
        BaseProbe(one.reading.probe, one.reading.value if one.reading.usable else nan,
                  probe.height_mm or USUAL_MM)
        for probe, one in zip(plan.probes, seen.probes, strict=True)
        if probe.kind == "base_temperature"
    ]  # fmt: skip
    on = {order.relay: order.lease_s > 0 for order in moment.decision.orders}
    wet = None
    if mist is not None and mist_aims.leafy and mist_aims.relay:
        wet = mist.film_kpa_min > 0.0
    cut = Cut(
        view.house_c,
        view.top_c,
        seen.base_c,
        bases,
        (aims.good_low_c, aims.good_high_c),
        aims.target_c,
        aims.top_hot_c,
        wet,
        any(PHASES.index(batch.phase) >= PHASES.index("root") for batch in here),
        on.get(mat_id(bench, bay), False),
        bool(here),
        missing(moment, bench, None, "house_temperature"),
        missing(moment, bench, None, "air_temperature"),
    )
    told = (
        f"side section: house {measured(view.house_c, '°C')}, top {measured(view.top_c, '°C')}, "
        f"base {measured(seen.base_c, '°C')}, base minus top "
        f"{measured(seen.base_c - view.top_c, 'K', sign=True)}"
    )
    return section(cut, told)


def _values(asked: Asked, over: Past, bench: str, bay: str, aims: BayAims) -> list[Element]:
    moment = asked.moment
    view = moment.snapshot.benches[bench]
    seen = view.bays[bay]
    base, top = base_past(over, bench, bay), over.read(bench, "air_temperature")
    key = f"{bench}-{bay}"
    lean_k = seen.base_c - view.top_c
    apart = difference(base, top)
    target = "no target while it rests" if aims.resting else (
        f"target {number(aims.target_c)}{GAP}°C, from {aims.why}"
    )  # fmt: skip
    decided = {(one.bench, one.bay): one for one in moment.decision.bays}.get((bench, bay))
    now_c = decided.target_c if decided is not None else nan
    both = views_of(moment, bench, None, "air_temperature")
    lean = measure(
        Measure(
            f"lean-{key}", "Base minus top", lean_k, "K",
            lean_words(lean_k, aims.difference_c),
            f"at least {aims.difference_c:g}{GAP}K wanted",
            views_of(moment, bench, bay, "base_temperature"),
            good=(aims.difference_c, 12.0), least=-2.0, most=12.0, signed=True,
        ),
        trend(asked, over, "base minus top", "K", {"base": ("base minus top", apart)},
              limits=(aims.difference_c,), low=0.0),
    )  # fmt: skip
    return [
        *([lean] if both else []),
        measure(
            Measure(
                f"base-{key}", "Base, at cutting depth", seen.base_c, "°C",
                base_words(seen.base_c, aims), f"{target}; {seen.usable} of {seen.fitted} probes",
                views_of(moment, bench, bay, "base_temperature"),
                good=(aims.good_low_c, aims.good_high_c), target=now_c,
                limits=((aims.slow_below_c, "slow"), (aims.hot_above_c, "hot")),
                least=8.0, most=32.0,
            ),
            trend(asked, over, "base", "°C", {"base": ("base", base)},
                  good=(aims.good_low_c, aims.good_high_c), target=now_c,
                  limits=(aims.slow_below_c, aims.hot_above_c)),
        ),
        _mat(asked, over, bench, bay),
    ]  # fmt: skip


def _mat(asked: Asked, over: Past, bench: str, bay: str) -> Element:
    """The mat in three claims, its share of the time, and why."""
    moment = asked.moment
    told = moment.picture()["benches"][bench]["bays"][bay]
    ordered, reported = claims(told["mat"])
    duty = told["duty"]
    mode = "" if told["mode"] == "normal" else f" [{told['mode']}]"
    return measure(
        Measure(
            f"mat-{bench}-{bay}", "Mat, share of the time wanted",
            nan if duty is None else duty * 100.0, "%",
            f"{ordered}; {reported}; {mat_inferred(moment, (bench, bay))}",
            f"{told['why']}{mode}", [], limits=((0.0, "never"), (100.0, "always")), least=-3.0,
            most=103.0, digits=0,
        ),
        trend(asked, over, "mat on", "%", {"mat": ("mat on", mat_past(over, bench, bay))},
              low=0.0, high=100.0, decimals=0, stepped=True, label="Mat on, % of the time"),
        reasons(asked, f"{bench}.{bay}"),
    )  # fmt: skip
