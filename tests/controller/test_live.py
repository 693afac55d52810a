"""The live picture: plain data, strict JSON, what is not known is None, claims kept apart."""

import json

import pytest

from controller.batch_acts import BatchActs
from controller.live import picture, standing
from controller.records import Act, ActKind


@pytest.fixture
def shown(bench):
    """shown() -> (bench, its live picture after some ticks)."""
    made = bench()
    made.controller.start()

    def look(ticks=1):
        made.tick(ticks)
        controller = made.controller
        found = picture(
            controller.site,
            controller.state,
            controller.snapshot,
            controller.decision,
            made.clock.now(),
            controller.batches,
            {},
            {"path": "bench.db"},
            controller.sharing(),
        )
        return made, json.loads(json.dumps(found, allow_nan=False))

    return look


def test_picture_tells_what_is_measured_wanted_and_why(shown):
    _, found = shown(12)
    left = found["benches"]["north"]["bays"]["left"]
    assert left["base_c"] == 15.0
    assert left["target_c"] == 20.0
    assert left["base_minus_top_k"] == 3.0
    assert left["duty"] == 1.0
    assert "until it comes near" in left["why"]
    assert found["benches"]["north"]["rh_pct"] == 80.0
    assert found["site"] == "Alder Lane"
    assert found["links"]["board"]["up"] is True
    assert found["journal"] == {"path": "bench.db"}


def test_picture_tells_that_an_empty_bench_is_kept_ready_and_for_what(shown):
    _, found = shown(3)
    north = found["benches"]["north"]
    assert north["bays"]["left"]["follows"] == {
        "batch": None, "text": "empty: kept ready for Semi-ripe at 20 °C",
    }  # fmt: skip
    assert north["mister"]["follows"]["text"].startswith("empty: misted to be ready for Semi-ripe")
    assert north["suffers"] == []


def test_picture_tells_who_leads_and_who_suffers(shown):
    made, _ = shown()
    acts = BatchActs(made.journal, made.controller.site, "Aoife", clock=lambda: 1_772_452_800.0)
    for _ in range(2):
        acts.stick("Fuchsia", "softwood", "north", "left", 20)
    acts.wean(1, "callus")
    made.controller.take_batches(made.controller.recorder.inbox()[1])
    _, found = shown()
    north = found["benches"]["north"]
    assert north["bays"]["left"]["follows"]["batch"] in (1, 2)
    assert north["mister"]["follows"]["batch"] == 2
    (one,) = north["suffers"]
    assert (one["batch"], one["lead"], one["of"], one["to"]) == (1, 2, "mist", "")
    assert one["line"].endswith("watch its leaves for mould; no other bay here suits it now")


def test_a_fault_in_the_advice_stops_neither_picture_nor_heat(shown, monkeypatch):
    made, _ = shown(3)

    def broken(*_args, **_more):
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr("controller.loop.share", broken)
    made.controller.take_batches(())
    _, found = shown(2)
    assert found["benches"]["north"]["suffers"] == []
    assert found["benches"]["north"]["bays"]["left"]["mat"]["ordered"] == "on"


def test_unknown_is_none_and_never_a_number(shown):
    made, _ = shown(3)
    made.values = {"base1": None, "air": "12.0", "rh": "80.0"}
    _, found = shown(20)
    left = found["benches"]["north"]["bays"]["left"]
    assert left["base_c"] is None
    assert left["base_minus_top_k"] is None
    assert left["probes_usable"] == 0
    (probe,) = left["probes"]
    assert (probe["value"], probe["flag"]) == (None, "missing")
    assert left["mode"] == "D2"


def test_ordered_and_reported_are_two_claims(shown):
    made, found = shown(6)
    mat = found["benches"]["north"]["bays"]["left"]["mat"]
    assert (mat["ordered"], mat["reported"]) == ("on", "not reported")
    made.say("relay", {"mat1": "0/0"})
    _, found = shown()
    mat = found["benches"]["north"]["bays"]["left"]["mat"]
    assert (mat["ordered"], mat["reported"], mat["reported_age_s"]) == ("on", "off", 10.0)


def test_standing_alarms_come_worst_first_and_those_set_aside_last(shown):
    made, _ = shown(3)
    made.values["base1"] = "30.50"
    shown(40)
    made.controller.ask(
        Act(ActKind.SHELVE, "north.left", "Aoife", alarm="base_hot", span_s=600.0, note="known")
    )
    _, found = shown()
    alarms = found["alarms"]
    assert alarms[0]["alarm"] == "base_overheat"
    ranks = [(a["state"] in ("SHLVD", "DSUPR"), a["priority"]) for a in alarms]
    assert ranks == sorted(ranks)
    assert all(a["state"] != "NORM" for a in alarms)
    assert found["alarms"] == json.loads(json.dumps(standing(made.controller.state)))


def test_fault_in_the_decision_is_shown_and_not_hidden(shown, monkeypatch):
    made, _ = shown(3)

    def broken(*_args, **_more):
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr("controller.loop.step", broken)
    _, found = shown()
    north = found["benches"]["north"]
    assert north["bays"]["left"]["mode"] == "fault"
    assert north["bays"]["left"]["mat"]["ordered"] == "off"
    assert north["mister"]["mode"] == "fault"
    assert made.controller.decision.bays == ()
