"""Checks across records: each sound by itself, wrong beside another."""

import pytest

from config.load import ConfigError, loads

HEAD = """\
[site]
name = "Alder Lane Nursery"
timezone = "Europe/Dublin"
latitude_deg = 53.3
longitude_deg = -6.5
[links.board]
kind = "serial"
port = "/dev/ttyACM0"
[links.broker]
kind = "mqtt"
[benches.north.bays.left]
"""
PROBE = 'link = "board", channel = "base1", kind = "base_temperature"'
MAT = 'link = "board", channel = "mat1", power_w = 120'
CUTOUT = ', cutout = "declared", cutout_c = 35'


def told(rest: str = "", *, probe: str = PROBE, mat: str = MAT, head: str = HEAD) -> list[str]:
    """What is said of a file, without file name and line; [] when nothing."""
    text = f"{head}probes = [{{ {probe} }}]\nmat = {{ {mat} }}\n{rest}"
    try:
        loads(text, "b")
    except ConfigError as error:
        return [problem.text for problem in error.problems]
    return []


def only(rest: str = "", *, probe: str = PROBE, mat: str = MAT, head: str = HEAD) -> str:
    (text,) = told(rest, probe=probe, mat=mat, head=head)
    return text


HEAT = "[benches.north.heat]\n"
MIST = "[benches.north.mist]\n"
AIR = "[benches.north.air]\nprobes = [{ link = 'board', channel = 'air', kind = "


def test_sound_file_has_nothing_said() -> None:
    assert told() == []


@pytest.mark.parametrize(
    ("probe", "start"),
    [
        ('link = "board", topic = "a", kind = "base_temperature"', "topic|link board is not mqtt"),
        (PROBE + ', node = "n1"', "node|link board carries one board only"),
        (PROBE.replace('"board"', '"broker"'), "|link broker is shared by many boards; write node"),
        (PROBE + ', pointer = "/a"', "pointer|pointer goes with topic"),
        (
            'link = "broker", topic = "a/+", kind = "base_temperature"',
            "topic|write one device's whole topic, without the wildcards",
        ),
        (
            'link = "broker", topic = "a", pointer = "x", kind = "base_temperature"',
            "pointer|this is not a JSON pointer",
        ),
        (
            'link = "broker", topic = "a", pointer = "/~2", kind = "base_temperature"',
            "pointer|this is not a JSON pointer",
        ),
        (
            PROBE.replace("base_temperature", "air_temperature"),
            "kind|a bay holds base_temperature probes only",
        ),
        (PROBE + ", offset_pct = 2", "offset_pct|only a humidity probe has offset_pct"),
    ],
)
def test_unfit_probe_of_a_bay_is_refused(probe: str, start: str) -> None:
    key, words = start.split("|")
    text = only(probe=probe)
    assert text.startswith(f"benches.north.bays.left.probes[1]{'.' if key else ''}{key}")
    assert f" - {words}" in text


def test_sound_mqtt_addresses_are_taken() -> None:
    assert (
        told(probe='link = "broker", topic = "a/b", pointer = "/~0/~1", kind = "base_temperature"')
        == []
    )
    assert told(probe=PROBE.replace('"board"', '"broker", node = "n1"')) == []


@pytest.mark.parametrize(
    ("air", "words"),
    [
        ("'base_temperature' }]", "a base probe belongs to a bay"),
        ("'humidity', offset_c = 1 }]", "humidity is not a temperature; take offset_c out"),
        ("'light', height_mm = 9 }]", "only a base probe has a height above the mat"),
    ],
)
def test_unfit_probe_of_the_air_is_refused(air: str, words: str) -> None:
    assert words in only(AIR + air)


def test_offsets_of_the_right_kind_are_taken() -> None:
    assert told(AIR + "'humidity', offset_pct = 1 }]", probe=PROBE + ", offset_c = -0.2") == []


def test_one_probe_cannot_serve_two_places() -> None:
    text = only(AIR.replace("'air'", "'base1'") + "'air_temperature' }]")
    assert text.endswith("north.base1 already has this probe; each serves one place only")


def test_two_values_of_one_topic_are_two_probes() -> None:
    two = "[benches.north.air]\nprobes = [{ link = 'broker', topic = 't', pointer = '/a', kind = "
    two += "'humidity' }, { link = 'broker', topic = 't', pointer = '/%s', kind = 'light' }]"
    assert told(two % "b") == []
    assert "already has this probe" in only(two % "a")


def test_same_name_in_the_records_is_refused() -> None:
    two = AIR + "'humidity', name = 'x' }, { link = 'board', channel = 'x', kind = 'light' }]"
    assert "its name in the records, north.x, is already that of a probe" in only(two)
    bay = AIR + "'humidity', name = 'left' }]"
    assert "north.left, is already that of a bay" in only(bay)


def test_one_plain_switch_cannot_serve_two_mats() -> None:
    plug = 'link = "broker", topic = "plug/set", lease = "auto_off", power_w = 90'
    right = f"[benches.north.bays.right]\nprobes = [{{ {PROBE.replace('base1', 'base2')} }}]\n"
    assert told(f"{right}mat = {{ {plug.replace('plug', 'plug2')} }}", mat=plug) == []
    assert "north.left.mat already has this relay" in only(f"{right}mat = {{ {plug} }}", mat=plug)


def test_lease_rules() -> None:
    plug = 'link = "broker", topic = "plug/set", power_w = 90'
    assert 'write lease = "auto_off"' in only(mat=plug)
    assert told(mat=plug + ', lease = "none"') == []
    assert "a board always takes a lease" in only(mat=MAT + ', lease = "none"')
    same = plug + ', lease = "none", on_payload = "x", off_payload = "x"'
    assert "on_payload and off_payload are the same" in only(mat=same)


def test_cutout_is_declared_with_its_temperature() -> None:
    assert told(mat=MAT + CUTOUT) == []
    assert "write cutout_c, as set on the device" in only(mat=MAT + ', cutout = "declared"')
    assert "no cut-out is declared" in only(mat=MAT + ", cutout_c = 35")
    hot = MAT + CUTOUT.replace("35", "60")
    assert "this is too high; write a number of degrees C between 5 and 45" in only(mat=hot)
    low = MAT + CUTOUT.replace("35", "21")
    assert "would act before the target, 22, is reached" in only(HEAT + "target_c = 22", mat=low)


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        ("target_c = 20\ngood_low_c = 20", "target_c = 20 - this must lie above good_low_c"),
        ("target_c = 22\ngood_high_c = 21", "good_high_c = 21 - this must lie above target_c"),
        ("good_low_c = 20\nhot_above_c = 19", "hot_above_c = 19 - this must lie above good_low_c"),
        ("hot_above_c = 28", "write a number at most 27 degrees C"),
        ("window_s = 100\nshortest_s = 60", "write at most 50"),
        ("parts = [{ start = '08:00', end = '09:00', target_c = 27 }]", "a number below 27"),
        (
            "good_high_c = 21\nparts = [{ start = '08:00', end = '09:00', target_c = 22 }]",
            "this lies above good_high_c",
        ),
        ("parts = [{ start = '08:00', end = '08:00', target_c = 22 }]", "are the same time"),
        (
            "parts = [{ start = '22:00', end = '06:00', target_c = 20 }, "
            "{ start = '05:59', end = '07:00', target_c = 21 }]",
            "heat.parts[2] - this shares some time with entry 1",
        ),
    ],
)
def test_heat_limits_are_the_right_way_round(plan: str, words: str) -> None:
    assert words in only(HEAT + plan)


def test_declared_cutout_allows_the_higher_trip_and_no_more() -> None:
    assert told(HEAT + "hot_above_c = 28", mat=MAT + CUTOUT) == []
    text = only(HEAT + "hot_above_c = 30.5", mat=MAT + CUTOUT)
    assert "this is too high; write a number of degrees C between 5 and 30" in text


def test_the_strictest_mat_binds_a_shared_plan() -> None:
    right = f"[benches.north.bays.right]\nprobes = [{{ {PROBE.replace('base1', 'base2')} }}]\n"
    right += f"mat = {{ {MAT.replace('mat1', 'mat2')}{CUTOUT} }}\n"
    assert "below 27 degrees C" in only(right + HEAT + "target_c = 27.5")
    own = right + "heat = { target_c = 27.5 }\n"
    assert told(own) == []


def test_day_parts_that_only_touch_are_taken() -> None:
    parts = "[{ start = '22:00', end = '06:00', target_c = 20 }, "
    assert told(HEAT + f"parts = {parts}{{ start = '06:00', end = '22:00', target_c = 21 }}]") == []


@pytest.mark.parametrize(
    ("schedule", "words"),
    [
        ("{ at = ['7:30'] }", 'schedule[1].at[1] = "7:30" - this is not a time of day'),
        ("{ at = ['sunrise+30', 'noon'] }", 'schedule[1].at[2] = "noon" - this is not a time'),
        ("{ every_min = 30, end = 'sunset+999' }", 'end = "sunset+999" - this is not a time of'),
        ("{ every_min = 30, start = '22:00', end = '05:00' }", "the end comes before the start"),
        ("{ every_min = 30, start = 'sunset', end = 'sunrise' }", "the end comes before the start"),
        ("{ burst_s = 3 }", "write either at (clock times) or every_min"),
        ("{ at = ['07:30'], every_min = 30 }", "write either at (clock times) or every_min"),
        ("{ every_min = 2 }", "every_min = 2 - bursts keep shortest_gap_s, 240 seconds, apart"),
    ],
)
def test_mist_schedule_must_mean_something(schedule: str, words: str) -> None:
    assert words in only(MIST + f"schedule = [{schedule}]")


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        ("hour_budget_s = 300\nday_budget_s = 200", "this is more than day_budget_s, 200"),
        ("hour_budget_s = 10\nburst_s = 12", "one burst is more than hour_budget_s, 10"),
        ("hour_budget_s = 901", "this is too high; write a number of seconds between 1 and 900"),
        ("burst_s = 61", "this is too high; write a number of seconds between 0.5 and 60"),
    ],
)
def test_mist_budgets_only_tighten(plan: str, words: str) -> None:
    assert words in only(MIST + plan)


def test_supply_must_bear_the_largest_mat() -> None:
    assert "the mat of bay left alone draws 120 watts" in only("[benches.north]\nsupply_w = 100")
    assert told("[benches.north]\nsupply_w = 120") == []


def test_tariff_windows_do_not_overlap() -> None:
    rows = "windows = [{ start = 23:00:00, end = '08:00', price_per_kwh = 0.1 }, "
    rows += "{ start = '%s', end = '09:00', price_per_kwh = 0.2 }]"
    assert told("[tariff]\nprice_per_kwh = 0.3\n" + rows % "08:00") == []
    text = only("[tariff]\nprice_per_kwh = 0.3\n" + rows % "07:59")
    assert text == "tariff.windows[2] - this shares some time with entry 1 of the list"


def test_quiet_hours_have_both_ends() -> None:
    assert "need both quiet_from and quiet_until" in only("[alerts]\nquiet_from = '22:00'")
    same = only("[alerts]\nquiet_from = '22:00'\nquiet_until = '22:00'")
    assert "this is the same as quiet_from" in same


def test_publish_names_an_mqtt_link() -> None:
    assert told(head='publish = "broker"\n' + HEAD) == []
    text = only(head='publish = "brokr"\n' + HEAD)
    assert text.endswith("(did you mean broker?); write one of broker")
    assert "is not the name of an mqtt link" in only(head='publish = "board"\n' + HEAD)


def test_links_that_disturb_each_other_are_refused() -> None:
    assert "link board already uses this port" in only(
        "[links.again]\nkind = 'serial'\nport = '/dev/ttyACM0'"
    )
    twin = "client_id = 'w'\n[links.twin]\nkind = 'mqtt'\nclient_id = 'w'\n[benches.north.bays"
    assert "a broker lets only one of them in" in only(
        head=HEAD.replace("[benches.north.bays", twin)
    )
    for key in ("password_env = 'P'", "ca_file = '/c'"):
        head = HEAD.replace('kind = "mqtt"', f'kind = "mqtt"\n{key}')
        assert f"links.broker.{key.split()[0]}" in only(head=head)


def test_unknown_recipe_is_told_with_the_nearest() -> None:
    assert "(did you mean semi_ripe?)" in only(
        '[benches.north]\nrecipe = "semi-rip"'.replace("-", "_")
    )


def test_alarm_change_that_changes_nothing_is_refused() -> None:
    assert "this changes nothing" in only("[benches.north.alarms.base_cold]")
    assert told("[benches.north.alarms.base_cold]\nlimit = 2") == []


DEVICE = 'link = "broker", topic = "a", kind = "base_temperature"'
SWITCH = 'link = "broker", topic = "plug/set", lease = "none", power_w = 120'


@pytest.mark.parametrize(
    ("probe", "words"),
    [
        (PROBE + ', sends = "tenths"', "sends goes with topic; take it out, a board sends plain"),
        (
            DEVICE + ', sends = "fraction"',
            'sends = "fraction" - only humidity is sent as a fraction of 1; take it out',
        ),
        (
            DEVICE + ', sends = "kelvin"',
            'this is not known here; write one of "degF", "tenths", "hundredths", "fraction"',
        ),
    ],
)
def test_a_measure_that_does_not_fit_is_refused(probe: str, words: str) -> None:
    assert words in only(probe=probe)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (', state = { topic = "plug/+" }', 'mat.state.topic = "plug/+" - write one device\'s'),
        (', state = { topic = "plug/set", pointer = "/on" }', "this is the topic of the orders"),
        (', state = { topic = "s", pointer = "on" }', 'mat.state.pointer = "on" - this is not a'),
        (', state = { topic = "s", off = "ON" }', "mat.state - on and off are the same word"),
        (', available = { topic = "#" }', 'mat.available.topic = "#" - write one device\'s whole'),
        (
            ', available = { payload = "up" }',
            "mat.available.topic is missing; write text",
        ),
    ],
)
def test_a_switch_that_tells_of_itself_in_no_sound_way_is_refused(more: str, words: str) -> None:
    assert words in only(mat=SWITCH + more)


def test_a_board_tells_of_its_relays_by_itself() -> None:
    assert "state goes with topic; other relays tell by themselves" in only(
        mat=MAT + ', state = { topic = "s" }'
    )
