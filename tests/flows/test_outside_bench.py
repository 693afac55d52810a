"""The program that DEVELOPERS.md shows for somebody else's bench model is sound, and it runs."""

import re
from pathlib import Path

from controller.journal.reader import open_reader

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"


def program():
    text = DEVELOPERS.read_text(encoding="utf-8")
    chapter = text[text.index("## Closing the loop around a bench model of your own") :]
    found = re.search(r"^```python\n(.*?)^```$", chapter, re.M | re.S)
    assert found, "DEVELOPERS.md shows no program any more"
    return found[1]


def test_program_for_an_outside_model_warms_it_and_nothing_runs_over_the_jump(
    tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    names = {"__name__": "outside"}
    exec(compile(program(), "DEVELOPERS.md", "exec"), names)
    ordered, model, controller = names["ordered"], names["model"], names["controller"]
    assert len(ordered) == 8 * 360
    assert all(leases.keys() == {"mat1", "mist"} for leases in ordered)
    assert all(0.0 <= lease_s <= 60.0 for leases in ordered for lease_s in leases.values())
    assert ordered[0]["mat1"] > 0.0, "a cold base is heated from the first tick on"
    target_c = controller.decision.bays[0].target_c
    assert target_c == 22.0
    assert abs(model.base_c - target_c) < 1.0

    with open_reader(tmp_path / "outside.db") as reader:
        mat = reader.relays(["north.left.mat"], 0, 4e9)["north.left.mat"]
        gaps = reader.gaps(mat.t_s[0], mat.t_s[-1])
        told = [event.kind for event in reader.events()]
    assert len(gaps) == 1
    assert 3500 <= gaps[0].to_s - gaps[0].from_s <= 3700
    assert "gap" in told
    assert mat.on_ms.max() <= 60_000
    inside = (mat.t_s >= gaps[0].from_s) & (mat.t_s < gaps[0].to_s)
    assert mat.on_ms[inside].sum() == 0
    # Ordered heat and journalled heat are the same: leases cut to the step, nothing more.
    heated_s = sum(min(10.0, leases["mat1"]) for leases in ordered)
    assert abs(mat.on_ms.sum() / 1000 - heated_s) <= 30.0
