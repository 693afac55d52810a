"""The latest picture of a running site, as plain data: for `status`, `why`, and MQTT."""

from collections.abc import Mapping, Sequence
from math import isfinite

from config.model import Site, mat_id, mister_id
from controller.decide.reasons import words
from controller.decide.sharing import NOTHING, Lead, Sharing
from controller.decide.state import State
from controller.decide.watch_slow import restarts_of_hour
from controller.records import Batch, Decision, Warmth
from sensors.clock import Now
from sensors.readings import ProbeView, RelayReport, Snapshot

Json = dict[str, object]


def picture(
    site: Site,
    state: State,
    snapshot: Snapshot,
    decision: Decision,
    now: Now,
    batches: Sequence[Batch],
    warmths: Mapping[int, Warmth],
    journal: Mapping[str, object],
    sharing: Sharing = NOTHING,
) -> Json:
    """Everything a face needs to show the site now. Numbers that are not known are None.

    sharing: who leads and who suffers (`Controller.sharing`).
    """
    ordered = {order.relay: order.lease_s > 0 for order in decision.orders}
    bays = {(bay.bench, bay.bay): bay for bay in decision.bays}
    mists = {mist.bench: mist for mist in decision.mist}
    benches: Json = {}
    for name, bench in site.benches.items():
        view = snapshot.benches[name]
        bay_data: Json = {}
        for bay_name in bench.bays:
            bay_view = view.bays[bay_name]
            decided = bays.get((name, bay_name))
            mat = mat_id(name, bay_name)
            bay_data[bay_name] = {
                "base_c": _known(bay_view.base_c),
                "hottest_c": _known(bay_view.hottest_c),
                "probes_usable": bay_view.usable,
                "probes_fitted": bay_view.fitted,
                "target_c": _known(decided.target_c) if decided else None,
                "base_minus_top_k": _known(bay_view.base_c - view.top_c),
                "duty": round(decided.duty, 3) if decided else None,
                "mode": decided.mode if decided else "fault",
                "why": words(decided.reason) if decided else "no decision: see the events",
                "follows": _lead(sharing.bays.get((name, bay_name))),
                "mat": _relay(ordered.get(mat, False), snapshot.relays.get(mat), now),
                "probes": [_probe(probe, now) for probe in bay_view.probes],
            }
        mist_decided = mists.get(name)
        mister: Json | None = None
        if bench.mister is not None:
            relay = mister_id(name)
            mister = {
                "why": words(mist_decided.reason) if mist_decided else "no decision",
                "mode": mist_decided.mode if mist_decided else "fault",
                "dryness_kpa_min": _known(mist_decided.dryness_kpa_min) if mist_decided else None,
                "dose_kpa_min": _known(mist_decided.dose_kpa_min) if mist_decided else None,
                "follows": _lead(sharing.misters.get(name)),
                **_relay(ordered.get(relay, False), snapshot.relays.get(relay), now),
            }
        benches[name] = {
            "title": bench.title or name,
            "top_c": _known(view.top_c),
            "rh_pct": _known(view.rh_pct),
            "vpd_kpa": _known(view.vpd_kpa, 3),
            "wet_bulb_c": _known(view.wet_bulb_c),
            "house_c": _known(view.house_c),
            "flow_ml_s": _known(view.flow_ml_s),
            "probes": [_probe(probe, now) for probe in view.air],
            "bays": bay_data,
            "suffers": [
                {**one._asdict(), "line": one.line} for one in sharing.suffers if one.bench == name
            ],
            "mister": mister,
        }
    return {
        "at_utc_s": round(now.utc_s, 1),
        "clock_trusted": now.trusted,
        "site": site.site.name,
        "timezone": site.site.timezone,
        "benches": benches,
        "alarms": standing(state),
        "links": links(state, snapshot),
        "batches": [_batch(batch, warmths.get(batch.number), now) for batch in batches],
        "journal": dict(journal),
    }


def links(state: State, snapshot: Snapshot) -> dict[str, dict[str, object]]:
    """How each link is, by its name, as plain data."""
    return {
        name: {
            "up": link.health.up,
            "why": link.health.why,
            "note": link.health.note,
            "quiet_s": _known(link.quiet_s),
            "heard": link.health.heard,
            "rejected": link.health.rejected,
            "reopened": link.health.reopened,
            "restarts_h": round(restarts_of_hour(state.watch, name)),
        }
        for name, link in snapshot.links.items()
    }


def _lead(lead: Lead | None) -> Json | None:
    return None if lead is None else {"batch": lead.batch or None, "text": lead.text}


def standing(state: State) -> list[Json]:
    """Alarms that are not NORM, worst first."""
    shown = [
        (held.state in ("SHLVD", "DSUPR"), held.priority, place, alarm, held)
        for (alarm, place), held in state.alarms.items()
        if held.state not in ("NORM", "OOSRV")
    ]
    return [
        {
            "alarm": alarm,
            "place": place,
            "state": held.state,
            "priority": held.priority,
            "raised_utc_s": _known(held.raised_utc_s),
            "text": held.text,
            "acknowledged_by": held.acked_by,
            "first": held.first,
        }
        for _, _, place, alarm, held in sorted(shown, key=lambda one: one[:4])
    ]


def _known(value: float, digits: int = 2) -> float | None:
    return round(value, digits) if isfinite(value) else None


def _probe(view: ProbeView, now: Now) -> Json:
    reading = view.reading
    return {
        "probe": reading.probe,
        "quantity": reading.quantity,
        "value": _known(reading.value),
        "unit": reading.unit,
        "flag": reading.flag.name.lower(),
        "why": reading.why,
        "age_s": _known(now.mono_s - reading.taken_s, 1),
        "refused": view.rejected,
    }


def _relay(ordered: bool, report: RelayReport | None, now: Now) -> Json:
    """Ordered and reported are two different claims; neither proves that water or heat came."""
    if report is None:
        return {"ordered": _on(ordered), "reported": "not reported", "reported_age_s": None}
    return {
        "ordered": _on(ordered),
        "reported": _on(report.on),
        "reported_age_s": _known(now.mono_s - report.heard_s, 1),
    }


def _on(claim: bool) -> str:
    return "on" if claim else "off"


def _batch(batch: Batch, warmth: Warmth | None, now: Now) -> Json:
    return {
        "number": batch.number,
        "plant": batch.plant,
        "kind": batch.kind,
        "bench": batch.bench,
        "bay": batch.bay,
        "count": batch.cuttings,
        "phase": batch.phase,
        "age_days": round((now.utc_s - batch.stuck_s) / 86400, 2),
        "warmth_degree_hours": _known(warmth.degree_hours, 1) if warmth else None,
        "warmth_known_share": (
            round(warmth.covered_s / warmth.span_s, 4) if warmth and warmth.span_s else None
        ),
    }
