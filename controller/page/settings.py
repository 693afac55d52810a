"""What is in force, in sentences: the bench file, the recipes, the limits, and what was learned."""

from math import isfinite

from config.model import Bay, Bench, Probe, Site
from config.recipes import Recipe, thaw
from controller.decide.aims import BayAims, MistAims
from controller.decide.alarm_table import rows, span_words
from controller.decide.learn import gains
from controller.decide.limits import limits_for
from controller.decide.state import BayState
from controller.decide.weaning import PHASE_WORDS
from controller.draw.markup import Element, element
from controller.faces import cautions, thrift
from controller.learned import told
from controller.page.render import Asked, Sheet
from controller.page.words import GAP, number, percent, place_words, sentence, with_commands
from controller.records import Batch

KIND_WORDS = {
    "base_temperature": "the base", "air_temperature": "the top", "humidity": "humidity",
    "house_temperature": "the house", "light": "light", "water_meter": "the water to the mister",
}  # fmt: skip


def settings_page(asked: Asked) -> Sheet:
    """The page of /settings. Nothing that is secret, nor where it is kept."""
    moment = asked.moment
    site = moment.site
    inside = [
        element("h1", "Settings in words"),
        element("p", *with_commands(
            "What the running program goes by. The bench file is changed at the machine; "
            "`warmfoot check` says what a change means."), class_="lead"),
        *_paragraphs(_site(site)),
    ]  # fmt: skip
    for name, bench in site.benches.items():
        inside += [element("h2", place_words(name, site)), *_paragraphs(_bench(bench))]
        mist = moment.aims.mist.get(name)
        if mist is not None and mist.relay:
            inside += _paragraphs([_mist(bench, mist)])
        for bay, held in bench.bays.items():
            aims, state = moment.aims.bays.get((name, bay)), moment.state.bays.get((name, bay))
            inside.append(element("h3", f"Bay {bay}"))
            inside += _paragraphs(_bay(held, aims, state or BayState()))
        inside += [element("h3", "Limits in force"), _limits(site, name)]
    inside += _recipes(moment.batches)
    owed = [*cautions(site), *thrift(site)]
    if owed:
        lines = [element("li", sentence(one)) for one in owed]
        inside += [element("h2", "Notes of the bench file"), element("ul", *lines, class_="came")]
    told = element("div", *inside, id="settings", data_live="")
    return Sheet("Settings", (told, element("p", element("a", "Records", href="/records"))))


def _paragraphs(lines: list[str]) -> list[Element]:
    return [element("p", sentence(line)) for line in lines if line]


def _site(site: Site) -> list[str]:
    about = site.site
    north = "north" if about.latitude_deg >= 0 else "south"
    made = [
        f"{about.name} lies {abs(about.latitude_deg):g}° {north}; clock times are those of "
        f"{about.timezone}. A decision is made every {about.tick_s:g}{GAP}s"
    ]
    tariff = site.tariff
    if tariff is None:
        made.append("No tariff is given, so heat has no price")
    else:
        windows = ", ".join(
            f"{one.price_per_kwh:g}{GAP}{tariff.currency} from {one.start:%H:%M} to {one.end:%H:%M}"
            for one in tariff.windows
        )
        made.append(f"A kWh costs {tariff.price_per_kwh:g}{GAP}{tariff.currency}"
                    f"{f'; {windows}' if windows else ''}")  # fmt: skip
    days = site.calibration.every_days
    made.append(
        f"Probes are to be calibrated every {days} days"
        if days
        else "Nobody is reminded of calibrating probes"
    )
    alerts = site.alerts
    if not alerts.routes:
        made.append("No alarm leaves this machine: nobody is told who does not look here")
    else:
        ways = ", ".join(
            f"{name} (priority {route.least_priority} and above"
            f"{f', after {route.after_min:g} min without an answer' if route.after_min else ''})"
            for name, route in alerts.routes.items()
        )
        made.append(f"Alarms go to {ways}")
        if alerts.quiet_from and alerts.quiet_until:
            made.append(f"Quiet from {alerts.quiet_from:%H:%M} to {alerts.quiet_until:%H:%M}")
    return made


def _bench(bench: Bench) -> list[str]:
    air = ", ".join(_probe(probe) for probe in bench.air.probes)
    made = [f"In its air: {air}" if air else "No probe hangs in its air"]
    if bench.recipe:
        kind = bench.recipe.replace("_", " ")
        made.append(f"While it is empty it is kept warm and moist for {kind} cuttings")
    else:
        made.append("While it is empty it rests")
    if bench.supply_w is not None:
        made.append(f"Its mats together draw at most {bench.supply_w:g}{GAP}W")
    return made


def _probe(probe: Probe) -> str:
    name = probe.name or probe.channel or probe.kind
    where = f" at {probe.height_mm:g}{GAP}mm" if probe.height_mm is not None else ""
    shift = ""
    if probe.offset_c:
        shift = f", put right by {number(probe.offset_c, 2, sign=True)}{GAP}K"
    elif probe.offset_pct:
        shift = f", put right by {number(probe.offset_pct, 1, sign=True)}{GAP}%"
    return f"{name} measures {KIND_WORDS[probe.kind]}{where}{shift}"


def _mist(bench: Bench, aims: MistAims) -> str:
    """The mister now, and what it may do at most."""
    most = (
        f"at most {aims.hour_budget_s:g}{GAP}s an hour and {aims.day_budget_s / 60:g}{GAP}min a day"
    )
    timed = f", and at {len(bench.mist.schedule)} set times" if bench.mist.schedule else ""
    if aims.resting:
        return f"Its mister rests; {most}"
    if aims.dose_kpa_min is None:
        return f"Its mister gives nothing by dryness now{timed}; {most} ({aims.why})"
    night = "by night too" if aims.night_mist else "not by night"
    return (
        f"Its mister gives {round(aims.burst_s, 1):g}{GAP}s for every "
        f"{aims.dose_kpa_min:.1f}{GAP}kPa min of dryness{timed}, {night}, not within "
        f"{aims.shortest_gap_s / 60:g}{GAP}min; {most} ({aims.why})"
    )


def _bay(bay: Bay, aims: BayAims | None, state: BayState) -> list[str]:
    mat = bay.mat
    cutout = "no independent cut-out is declared"
    if mat.cutout == "declared":
        at = f" at {mat.cutout_c:g}{GAP}°C" if mat.cutout_c is not None else ""
        cutout = f"an independent cut-out is declared{at}"
    area = f" on {mat.area_m2:g}{GAP}m²" if mat.area_m2 is not None else ""
    made = [
        f"Its mat has {mat.power_w:g}{GAP}W{area}; {cutout}",
        "; ".join(_probe(probe) for probe in bay.probes),
    ]
    if aims is None:
        return made
    if aims.resting:
        made.append(f"Nothing asks for warmth now; heat trips at {aims.trip_c:g}{GAP}°C all the "
                    "same")  # fmt: skip
    else:
        made.append(
            f"The base is held at {aims.target_c:.1f}{GAP}°C, good from {aims.good_low_c:g} to "
            f"{aims.good_high_c:g}{GAP}°C, hot above {aims.hot_above_c:g}{GAP}°C ({aims.why}); "
            f"wanted {aims.difference_c:g}{GAP}K over the top, and it yields when the top passes "
            f"{aims.top_hot_c:g}{GAP}°C. Heat trips at {aims.trip_c:g}{GAP}°C; no setting "
            f"goes above {aims.ceiling_c:g}{GAP}°C"
        )
    found = gains(aims, state)
    whose = "of the bench file" if aims.tuned else (
        "of what was learned" if isfinite(state.rate_k_s) else "as expected of this mat"
    )  # fmt: skip
    made.append(
        f"The mat works in windows of {aims.window_s / 60:.0f}{GAP}min, on or off for "
        f"{aims.shortest_s:g}{GAP}s at least. A kelvin too little asks at once for "
        f"{percent(found.gain)} of its heat, and for as much again in "
        f"{found.integral_s / 60:.0f}{GAP}min ({whose})"
    )
    return [*made, *(f"Learned: {line}" for line in told(aims, state))]


def _limits(site: Site, bench: str) -> Element:
    """Alarm limits as they stand here; what the bench file changed is said."""
    changes = site.benches[bench].alarms
    in_force = limits_for(changes)._asdict()
    lines = []
    for name, row in rows().items():
        change = changes.get(name)
        if row.scope not in ("bench", "bay") and change is None:
            continue
        own = ""
        if change is not None and change.limit is not None:
            value = in_force.get(name, change.limit)
            own = f"the bench file says {value:g}{GAP}{row.unit}"
        if change is not None and change.on_delay_s is not None:
            wait = f"it waits for {span_words(change.on_delay_s)}"
            own = f"{own}, {wait}" if own else f"the bench file says {wait}"
        lines.append(
            element(
                "li",
                element("b", f"{row.priority} {row.title}"),
                f": {row.limit}",
                f" ({own})" if own else "",
            )
        )
    count = element("summary", f"{len(lines)} alarms: when each calls")
    return element("details", count, element("ul", *lines, class_="came"))


def _recipes(batches: tuple[Batch, ...]) -> list[Element]:
    """The recipes that open batches were stuck under."""
    if not batches:
        return []
    made = [element("h2", "Recipes in force")]
    alike: dict[tuple[str, str, object], list[Batch]] = {}
    for batch in batches:
        recipe = thaw(batch.recipe_json)
        alike.setdefault((recipe.title, _recipe(recipe), recipe.phases), []).append(batch)
    for (title, told_of_it, _), held in alike.items():
        whose = ", ".join(f"{one.number} {one.plant}" for one in held)
        lines = _phases(thaw(held[0].recipe_json))
        made += [element("h3", title), element("p", f"For batch {whose}. {told_of_it}"),
                 element("ul", *lines, class_="came")]  # fmt: skip
    return made


def _recipe(recipe: Recipe) -> str:
    low, high = recipe.usual_days
    proven = "" if recipe.warmth_proven else " (unproven)"
    return (
        f"Base {recipe.base_target_c:g}{GAP}°C, good from {recipe.good_low_c:g} to "
        f"{recipe.good_high_c:g}{GAP}°C, harmful below {recipe.harmful_low_c:g} and above "
        f"{recipe.harmful_high_c:g}{GAP}°C; top {recipe.top_day_c[0]:g} to "
        f"{recipe.top_day_c[1]:g}{GAP}°C by day, {recipe.top_night_c[0]:g} to "
        f"{recipe.top_night_c[1]:g}{GAP}°C by night; usually {low:g} to {high:g} days. "
        f"Warmth counts above {recipe.warmth_floor_c:g}{GAP}°C{proven}. It is the copy that was "
        "frozen at sticking."
    )


def _phases(recipe: Recipe) -> list[Element]:
    lines = []
    for phase in recipe.phases:
        shift = (
            f", base {number(phase.base_shift_c, sign=True)}{GAP}K" if phase.base_shift_c else ""
        )
        dose = (
            "no mist by dryness"
            if phase.dose_kpa_min is None
            else f"{phase.burst_s:g}{GAP}s for {phase.dose_kpa_min:g}{GAP}kPa min"
        )
        lines.append(
            element(
                "li",
                element("b", sentence(PHASE_WORDS.get(phase.name, phase.name))),
                f" From about day {phase.usual_days:g}: air from {phase.vpd_low_kpa:g} to "
                f"{phase.vpd_high_kpa:g}{GAP}kPa dry, {dose}{shift}.",
            )
        )
    return lines
