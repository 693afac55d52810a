"""`warmfoot calibrate` as a person types it: live on a simulated bench, and with values typed."""

import json

import pytest
from click.testing import CliRunner
from filelock import FileLock

from config.load import load
from controller.cli import calibrate, calibrated, common, main
from controller.journal.care import calibrations
from controller.journal.reader import open_reader

BASE = "north.left.base1"


@pytest.fixture
def bench(on_bench, monkeypatch, tmp_path, state_home):
    """A simulated bench that the command finds; `file` is its bench file."""
    made = on_bench()
    for module in (calibrate, calibrated):
        monkeypatch.setattr(module, "make_clock", lambda: made.clock)
        monkeypatch.setattr(module, "make_links", lambda *_: made.links)
    made.file = tmp_path / "bench.toml"
    text = made.text.replace('"memory"', '"serial", port = "/dev/none"')
    made.file.write_text(f"# keep me\n{text}")
    made.journal = state_home / "warmfoot" / "alder-lane.db"
    return made


def run(*words):
    return CliRunner().invoke(main, ["calibrate", *map(str, words)])


def bath(bench, probe, value, offset=0.0):
    """The probe lies in a bath of that temperature and says so much more."""
    made = bench.rig.probes[probe]
    made.truth = lambda: value
    made.offset = offset


def kept(bench):
    with open_reader(bench.journal) as reader:
        return calibrations(reader)


def in_force(bench):
    (probe,) = load(bench.file).benches["north"].bays["left"].probes
    return probe.offset_c, probe.gain


def test_probe_in_ice_is_watched_until_it_rests_and_put_right(bench):
    bath(bench, BASE, 0.0, offset=0.4)
    done = run("probe", bench.file, BASE, "--ice", "--write", "--by", "Maeve", "--json")
    assert done.exit_code == 0, done.output
    data = json.loads(done.stdout)
    assert data["offset"] == pytest.approx(-0.4, abs=0.05)
    assert (data["outcome"], data["by"], data["held"][0]["how"]) == ("written", "Maeve", "ice")
    assert 0.1 < data["u"] < 0.2
    assert in_force(bench) == (data["offset"], 1.0)
    assert "# keep me" in bench.file.read_text()
    assert bench.file.with_name("bench.toml.old-1").exists()
    (row,) = kept(bench)
    assert (row.offset, row.outcome) == (data["offset"], "written")
    assert bench.is_off()
    # It cooled from 20 degC with a lag of a minute before it could rest for three.
    assert 400.0 < bench.clock.now().mono_s < 2000.0


def test_typed_values_at_two_points_give_offset_and_gain(bench):
    done = run("probe", bench.file, BASE, "--ice", "--reference", 25.0, "--sure", 0.1,
               "--reads", 0.5, "--reads", 25.75, "--write")  # fmt: skip
    assert done.exit_code == 0, done.output
    offset, gain = in_force(bench)
    assert 0.5 * gain + offset == pytest.approx(0.0, abs=0.002)
    assert 25.75 * gain + offset == pytest.approx(25.0, abs=0.002)
    assert [point.how for point in kept(bench)[0].held] == ["ice", "reference"]


def test_typed_values_are_what_is_shown_with_the_correction_in_force(bench):
    assert run("probe", bench.file, BASE, "--ice", "--reads", 0.5, "--write").exit_code == 0
    assert in_force(bench) == (-0.5, 1.0)
    done = run("probe", bench.file, BASE, "--ice", "--reads", 0.3, "--write")
    assert done.exit_code == 0
    assert in_force(bench) == (-0.8, 1.0)
    assert "do both again with care" in done.output
    assert [row.was_offset for row in kept(bench)] == [0.0, -0.5]


def test_list_before_the_first_run_wants_the_bench_file(bench):
    assert run("probe", bench.file, BASE, "--ice", "--reads", 0.5, "--by", "Colm").exit_code == 0
    assert run("list").exit_code == common.EXIT_JOURNAL
    shown = run("list", bench.file)
    assert (shown.exit_code, "Colm" in shown.output) == (0, True), shown.output


def test_what_is_right_already_is_left_alone(bench):
    before = bench.file.read_bytes()
    done = run("probe", bench.file, BASE, "--ice", "--reads", 0.05, "--write")
    assert done.exit_code == 0
    assert "is right within the doubt" in done.output
    assert bench.file.read_bytes() == before
    assert kept(bench)[0].outcome == "as it was"


def test_without_a_terminal_the_line_is_told_and_nothing_written(bench):
    before = bench.file.read_bytes()
    done = run("probe", bench.file, BASE, "--ice", "--reads", 0.5)
    assert f"at {BASE}: offset_c = -0.5" in done.output
    assert bench.file.read_bytes() == before
    assert kept(bench)[0].outcome == "told"


def test_bad_probe_is_not_put_right_but_written_down(bench):
    before = bench.file.read_bytes()
    done = run("probe", bench.file, BASE, "--ice", "--reads", 3.5, "--write")
    assert done.exit_code == common.EXIT_FAULT
    assert "3.5 K off" in done.stderr
    assert "change the probe" in done.stderr
    assert bench.file.read_bytes() == before
    (row,) = kept(bench)
    assert (row.outcome, row.offset) == ("refused", 0.0)


def test_humidity_over_salt(bench):
    done = run("probe", bench.file, "north.rh", "--salt", "table", "--salt", "magnesium",
               "--room", 20, "--reads", 78.0, "--reads", 35.0, "--write")  # fmt: skip
    assert done.exit_code == 0, done.output
    (probe,) = [p for p in load(bench.file).benches["north"].air.probes if p.channel == "rh"]
    assert 78.0 * probe.gain + probe.offset_pct == pytest.approx(75.47, abs=0.02)
    assert 35.0 * probe.gain + probe.offset_pct == pytest.approx(33.07, abs=0.02)


def test_probe_that_is_not_heard_ends_it_without_change(bench):
    from simulator.faults import make_fault

    bench.rig.strike((make_fault("probe_silent", 0.0, None, BASE),))
    done = run("probe", bench.file, BASE, "--ice", "--write")
    assert (done.exit_code, "is not heard" in done.stderr) == (common.EXIT_REFUSED, True)
    assert bench.is_off()
    assert kept(bench) == []


def test_probe_that_never_rests_ends_it(bench):
    made = bench.rig.probes[BASE]
    made.truth = lambda: 15.0 + 0.005 * bench.clock.now().mono_s
    done = run("probe", bench.file, BASE, "--ice")
    assert "did not come to rest within 40 min" in done.stderr


def test_live_it_wants_the_bench_alone_and_typed_it_does_not(bench):
    bench.journal.parent.mkdir(parents=True)
    with FileLock(str(bench.journal) + ".lock"):
        live = run("probe", bench.file, BASE, "--ice")
        typed = run("probe", bench.file, BASE, "--ice", "--reads", 0.5)
    assert live.exit_code == common.EXIT_RUNNING
    assert typed.exit_code == 0
    assert bench.orders == []


@pytest.mark.parametrize(
    ("words", "code", "text"),
    [
        ([BASE], 2, "0 known values"),
        ([BASE, "--ice", "--reads", 0.1, "--reads", 0.2], 2, "2 values after --reads for 1"),
        ([BASE, "--salt", "table", "--room", 20], 5, "measures temperature"),
        (["north.rh", "--ice"], 5, "measures humidity"),
        (["north.rh", "--salt", "table"], 2, "--room"),
        (["north.rh", "--salt", "table", "--room", 4], 5, "about 20 to 25"),
        (["north.rh", "--salt", "pepper", "--room", 20], 2, "Invalid value"),
        (["north.left.base7", "--ice"], 3, "did you mean"),
        ([BASE, "--ice", "--reference", 25], 5, "no terminal here"),
        ([BASE, "--ice", "--reads", "cold"], 2, "is not a number"),
        ([BASE, "--ice", "--reads", "nan"], 2, "beyond what is believed"),
        ([BASE, "--reference", "inf", "--reads", "20"], 2, "beyond what is believed"),
        (
            [BASE, "--ice", "--sure", "nan", "--reads", "0.3"],
            2,
            "beyond what is believed here, 0.001",
        ),
    ],
)
def test_slips_of_the_pen_are_told(bench, words, code, text):
    before = bench.file.read_bytes()
    done = run("probe", bench.file, *words)
    assert (done.exit_code, text in done.stderr) == (code, True), done.output
    assert bench.file.read_bytes() == before
    assert bench.orders == []


def test_the_odd_one_in_a_bucket_is_named(bench):
    for probe, offset in ((BASE, 0.1), ("north.right.base2", -0.1), ("north.air", 1.2)):
        bath(bench, probe, 18.0, offset)
    done = run("together", bench.file, BASE, "north.right.base2", "north.air", "--json")
    assert done.exit_code == common.EXIT_FAULT
    found = json.loads(done.stdout)
    assert (found[0]["probe"], found[0]["odd"]) == ("north.air", True)
    assert sum(one["odd"] for one in found) == 1
    assert bench.is_off()
    shown = run("together", bench.file)
    assert shown.exit_code == 0
    assert "odd" not in shown.output
    assert "north.air" not in shown.output, "an air probe must not get wet unasked"
    assert run("together", bench.file, "north.rh", BASE).exit_code == common.EXIT_REFUSED
    assert run("together", bench.file, BASE).exit_code == common.EXIT_REFUSED


def test_how_tells_of_ice_and_of_what_salts_do():
    assert "vacuum flask" in run("how").output
    salts = run("how", "salt").output
    assert "Gloves" in salts
    assert "from memory" in " ".join(salts.split())
    assert "Gloves" not in run("how", "ice").output
