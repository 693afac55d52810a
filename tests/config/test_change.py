"""Figures put into a bench file: nothing else changes, and a file is never broken."""

import tomllib
from pathlib import Path

import pytest

from config.change import (
    change_correction,
    change_heat,
    heat_table,
    probe_path,
    with_correction,
    with_heat,
)
from config.load import ConfigError, load, loads
from config.model import probe_id

EXAMPLES = sorted((Path("config") / "examples").glob("*.toml"))
FIGURES = {"gain_duty_per_k": 0.88, "integral_s": 2950.0, "derivative_s": 700.0}
SHARED = """
[benches.north.heat]        # for both bays
ride = "low"                # saves heat
parts = [{ start = "23:00", end = "08:00", target_c = 20 }]
"""


def bays():
    for path in EXAMPLES:
        text = path.read_text()
        for bench, plan in loads(text, path.name).benches.items():
            for bay in plan.bays:
                yield pytest.param(path.name, text, bench, bay, id=f"{path.stem} {bench}.{bay}")


@pytest.mark.parametrize(("file", "text", "bench", "bay"), list(bays()))
def test_figures_come_in_and_every_line_with_a_comment_stays(file, text, bench, bay):
    changed = with_heat(text, file, bench, bay, FIGURES)
    before, after = loads(text, file), loads(changed, file)
    for name, figure in FIGURES.items():
        assert getattr(after.benches[bench].heat_for(bay), name) == figure
    assert [line for line in text.splitlines() if "#" in line] == [
        line for line in changed.splitlines() if "#" in line
    ]
    others = [
        (b, y) for b, plan in before.benches.items() for y in plan.bays if (b, y) != (bench, bay)
    ]
    for other, its_bay in others:
        assert after.benches[other].heat_for(its_bay) == before.benches[other].heat_for(its_bay)
    unlike = {
        name
        for name in type(before.benches[bench].heat).model_fields
        if getattr(before.benches[bench].heat_for(bay), name)
        != getattr(after.benches[bench].heat_for(bay), name)
    }
    assert unlike == set(FIGURES)


@pytest.mark.parametrize(("file", "text", "bench", "bay"), list(bays()))
def test_second_time_only_the_figures_differ(file, text, bench, bay):
    once = with_heat(text, file, bench, bay, FIGURES)
    twice = with_heat(once, file, bench, bay, FIGURES | {"integral_s": 3310.0})
    assert twice == once.replace("2950.0", "3310.0")
    assert with_heat(twice, file, bench, bay, FIGURES) == once


def two_bays():
    path = Path("config") / "examples" / "two_benches_mqtt.toml"
    return path.read_text() + SHARED


def test_bay_beside_others_gets_a_plan_of_its_own_with_what_the_bench_said():
    text = two_bays()
    site = loads(text, "bench.toml")
    assert heat_table(site, "north", "left")[-2:] == ("left", "heat")
    after = loads(with_heat(text, "bench.toml", "north", "left", FIGURES), "bench.toml")
    plan = after.benches["north"].heat_for("left")
    assert (plan.ride, plan.gain_duty_per_k) == ("low", 0.88)
    assert plan.parts == site.benches["north"].heat.parts
    assert after.benches["north"].heat == site.benches["north"].heat


def test_only_bay_of_a_bench_uses_the_bench_s_table():
    text = EXAMPLES[0].read_text()
    assert heat_table(loads(text, "x"), "north", "left") == ("benches", "north", "heat")


def test_figure_out_of_bounds_is_refused_with_its_key():
    with pytest.raises(ConfigError, match=r"gain_duty_per_k = -1.0 - this is too low"):
        with_heat(two_bays(), "bench.toml", "north", "left", FIGURES | {"gain_duty_per_k": -1.0})


@pytest.fixture
def bench_file(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(EXAMPLES[0].read_text())
    path.chmod(0o640)
    return path


def test_file_is_changed_whole_and_the_old_one_kept(bench_file):
    text = bench_file.read_text()
    kept = change_heat(bench_file, "north", "left", FIGURES)
    assert (kept.name, kept.read_text()) == ("bench.toml.old-1", text)
    assert load(bench_file).benches["north"].heat.integral_s == 2950.0
    assert bench_file.stat().st_mode & 0o777 == 0o640
    assert change_heat(bench_file, "north", "left", FIGURES).name == "bench.toml.old-2"
    assert sorted(path.name for path in bench_file.parent.iterdir()) == [
        "bench.toml", "bench.toml.old-1", "bench.toml.old-2",
    ]  # fmt: skip


def test_link_to_a_file_stays_a_link(bench_file, tmp_path):
    link = tmp_path / "in_force.toml"
    link.symlink_to(bench_file)
    change_heat(link, "north", "left", FIGURES)
    assert link.is_symlink()
    assert load(bench_file).benches["north"].heat.integral_s == 2950.0


@pytest.mark.parametrize(
    ("figures", "bench", "bay", "words"),
    [
        ({"integral_s": 0.0}, "north", "left", "integral_s"),
        (FIGURES, "north", "right", "no bay north.right"),
        (FIGURES, "south", "left", "no bay south.left"),
    ],
)
def test_refused_change_leaves_the_file_as_it_was(bench_file, figures, bench, bay, words):
    before = bench_file.read_bytes()
    with pytest.raises(ConfigError, match=words):
        change_heat(bench_file, bench, bay, figures)
    assert bench_file.read_bytes() == before
    assert [path.name for path in bench_file.parent.iterdir()] == ["bench.toml"]


def test_unsound_file_is_not_touched(bench_file):
    bench_file.write_text(bench_file.read_text().replace("power_w = 120", "power_w = -3"))
    before = bench_file.read_bytes()
    with pytest.raises(ConfigError, match="power_w"):
        change_heat(bench_file, "north", "left", FIGURES)
    assert bench_file.read_bytes() == before


def test_disk_that_takes_nothing_leaves_the_file_as_it_was(bench_file, monkeypatch):
    before = bench_file.read_bytes()

    def full(_self, _target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(ConfigError, match="No space left on device"):
        change_heat(bench_file, "north", "left", FIGURES)
    assert bench_file.read_bytes() == before
    assert not list(bench_file.parent.glob(".bench*"))


def test_file_that_can_only_be_changed_by_hand_says_what_to_write(monkeypatch):
    monkeypatch.setattr("config.change.tomlkit.dumps", lambda _doc: "[")
    with pytest.raises(
        ConfigError, match=r"\[benches.north.heat\] by hand: gain_duty_per_k = 0.88"
    ):
        with_heat(EXAMPLES[0].read_text(), "bench.toml", "north", "left", FIGURES)


def test_whole_bench_in_one_line_is_changed_where_it_stands():
    text = EXAMPLES[0].read_text()
    doc = tomllib.loads(text)
    assert "heat" not in doc["benches"]["north"]
    inline = """
site = { name = "Shed", timezone = "Europe/Dublin", latitude_deg = 53.3, longitude_deg = -6.5 }
links = { board = { kind = "serial", port = "/dev/ttyACM0" } }
# all in one
benches = { tray = { recipe = "softwood", bays = { only = { probes = [{ link = "board", channel = "base1", kind = "base_temperature" }], mat = { link = "board", channel = "mat1", power_w = 25 } } } } }
"""  # noqa: E501
    changed = with_heat(inline, "bench.toml", "tray", "only", FIGURES)
    assert "# all in one" in changed
    assert loads(changed, "x").benches["tray"].heat.derivative_s == 700.0


def every_probe():
    for path in EXAMPLES:
        text = path.read_text()
        for probe in ids(loads(text, path.name)):
            yield pytest.param(path.name, text, probe, id=f"{path.stem} {probe}")


def ids(site):
    return list(corrections(site))


def corrections(site):
    found = {}
    for name, bench in site.benches.items():
        held = [(None, bench.air.probes), *((y, bay.probes) for y, bay in bench.bays.items())]
        for bay, probes in held:
            for probe in probes:
                found[probe_id(name, bay, probe)] = (probe.offset_c, probe.offset_pct, probe.gain)
    return found


@pytest.mark.parametrize(("file", "text", "probe"), list(every_probe()))
def test_correction_comes_in_at_one_probe_and_every_comment_stays(file, text, probe):
    key = "offset_pct" if probe.endswith(("rh", "humidity")) else "offset_c"
    changed = with_correction(text, file, probe, {key: -0.31, "gain": 1.004})
    before, after = corrections(loads(text, file)), corrections(loads(changed, file))
    place = 0 if key == "offset_c" else 1
    assert (after[probe][place], after[probe][2]) == (-0.31, 1.004)
    assert {k: v for k, v in after.items() if k != probe} == {
        k: v for k, v in before.items() if k != probe
    }
    comments = [line.partition("#")[2] for line in text.splitlines() if "#" in line]
    assert comments == [line.partition("#")[2] for line in changed.splitlines() if "#" in line]
    again = with_correction(changed, file, probe, {key: -0.4})
    assert again == changed.replace("-0.31", "-0.4")


def test_probes_written_as_tables_of_their_own_are_changed_too():
    text = EXAMPLES[0].read_text()
    head, _, rest = text.partition("probes = [                  # read")
    _, _, rest = rest.partition("]\n")
    one = '[[benches.north.bays.left.probes]]\nlink = "board"\nchannel = "base1"\n'
    text = f'{head}\n{one}kind = "base_temperature"  # the only one\n{rest}'
    changed = with_correction(text, "bench.toml", "north.left.base1", {"offset_c": 0.25})
    assert corrections(loads(changed, "bench.toml"))["north.left.base1"][0] == 0.25
    assert "# the only one" in changed


def test_probe_that_is_not_there_is_refused_with_those_that_are():
    site = loads(EXAMPLES[0].read_text(), "bench.toml")
    assert probe_path(site, "north.rh") == ("benches", "north", "air", "probes", 1)
    with pytest.raises(ConfigError, match=r"no probe 'north.left.base3'.*north.left.base1"):
        probe_path(site, "north.left.base3")


def test_correction_is_written_whole_and_the_old_file_kept(bench_file):
    text = bench_file.read_text()
    kept = change_correction(bench_file, "north.left.base2", {"offset_c": -0.2})
    assert (kept.name, kept.read_text()) == ("bench.toml.old-1", text)
    assert corrections(load(bench_file))["north.left.base2"][0] == -0.2
    with pytest.raises(ConfigError, match="too"):
        change_correction(bench_file, "north.left.base2", {"gain": 3.0})
    assert corrections(load(bench_file))["north.left.base2"] == (-0.2, 0.0, 1.0)


@pytest.mark.parametrize("lost", ["[", "all"])
def test_correction_that_would_not_arrive_is_told_with_the_line_to_write(monkeypatch, lost):
    text = EXAMPLES[0].read_text()
    monkeypatch.setattr("config.change.tomlkit.dumps", lambda _doc: text if lost == "all" else lost)
    with pytest.raises(
        ConfigError, match=r"at the probe north.left.base1 by hand: offset_c = 0.25"
    ):
        with_correction(text, "bench.toml", "north.left.base1", {"offset_c": 0.25})
