"""README and DEVELOPERS say what the program has, and the other way round."""

import re
import tomllib
from pathlib import Path

import click
import pytest

from config.load import loads
from config.model import Site
from controller.cli import common, main
from controller.decide.alarm_table import rows
from sensors.lines import decode

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def chapter(title):
    found = re.search(rf"^## {re.escape(title)}\n(.*?)(?=^## |\Z)", README, re.M | re.S)
    assert found, f"README has no chapter {title}"
    return found[1]


def commands():
    """Every command as a person types it: "check", "batch stick" ..."""
    context = click.Context(main)
    found = []
    for name in main.list_commands(context):
        command = main.get_command(context, name)
        if isinstance(command, click.Group):
            found += [f"{name} {sub}" for sub in command.commands]
        else:
            found.append(name)
    return found


@pytest.mark.parametrize("command", commands())
def test_readme_lists_every_command(command):
    *group, name = command.split()
    cells = re.findall(r"^\| (`[^|]+(?:\\\|[^|]+)*) \|", chapter("Commands"), re.M)
    fitting = [cell for cell in cells if not group or re.search(rf"`{group[0]}\b", cell)]
    assert any(re.search(rf"[` ]{re.escape(name)}\b", cell) for cell in fitting), cells


def test_readme_lists_no_command_that_there_is_none_of():
    known = {word for command in commands() for word in command.split()}
    cells = re.findall(r"^\| (`[^|]+(?:\\\|[^|]+)*) \|", chapter("Commands"), re.M)
    for cell in cells:
        for words in re.findall(r"`([^`]+)`", cell):
            assert words.split()[0] in known, words


def test_commands_shown_in_readme_are_accepted():
    """Every `warmfoot ...` of the shell examples has options and arguments that exist."""
    blocks = re.findall(r"^```sh\n(.*?)^```", README, re.M | re.S)
    lines = re.sub(r"\\\n\s*", " ", "\n".join(blocks)).splitlines()
    shown = [re.search(r"(?:^|/)warmfoot (\S.*?)(?:\s{2,}#.*)?$", line) for line in lines]
    found = [match[1] for match in shown if match]
    assert len(found) >= 8
    for line in found:
        words = [word.strip('"') for word in re.findall(r'(?:[^\s"]|"[^"]*")+', line)]
        context = click.Context(main)
        command = main.get_command(context, words[0])
        assert command is not None, line
        rest = words[1:]
        if isinstance(command, click.Group):
            command = command.get_command(context, rest.pop(0))
            assert command is not None, line
        command.make_parser(context).parse_args(rest)


def test_readme_names_every_exit_code():
    codes = {value for name, value in vars(common).items() if name.startswith("EXIT_")} | {0, 1, 2}
    said = re.search(r"Exit codes: (.*?)\.\s", chapter("Commands"), re.S)
    assert said
    assert {int(code) for code in re.findall(r"(?:^|, |\s)(\d)\s", said[1])} == codes


TABLES = {
    "site": "[site]",
    "links": "[links.NAME]",
    "benches": "[benches.B]",
    "tariff": "[tariff]",
    "alerts": "[alerts]",
    "journal": "[journal]",
    "calibration": "[calibration]",
    "labels": "[labels]",
    "page": "[page]",
    "publish": "publish",
}
PLAIN_KEYS = {"title", "recipe", "supply_w"}


def test_readme_lists_every_table_of_the_bench_file():
    text = chapter("The bench file")
    assert set(Site.model_fields) == set(TABLES)
    for heading in TABLES.values():
        assert f"`{heading}`" in README
    for name in Site.model_fields["benches"].annotation.__args__[1].model_fields:
        shown = f"`{name}`" if name in PLAIN_KEYS else f"[benches.B.{name}"
        assert shown in text, f"README does not tell of {name}"


def test_bench_file_shown_in_readme_is_sound():
    (shown,) = re.findall(r"^```toml\n(.*?)^```", chapter("The bench file"), re.M | re.S)
    site = loads(shown, "README.md")
    example = ROOT / "config" / "examples" / "one_tray_serial.toml"
    assert site == loads(example.read_text(encoding="utf-8"), example.name)


def test_words_of_the_line_format_in_readme_are_the_programs():
    text = chapter("The line format")
    lines = re.findall(r"`((?:hello|probe|relay|nak|order) \d+ [^`]*)\*\.\.`", text)
    assert {line.split()[0] for line in lines} == {"hello", "probe", "relay", "nak", "order"}
    from sensors.lines import crc8

    for line in lines:
        word, _, fields = decode(f"{line}*{crc8(line.encode()):02X}")
        assert fields, word


def test_degraded_modes_of_readme_are_those_of_the_program():
    code = "\n".join(
        path.read_text(encoding="utf-8") for path in (ROOT / "controller" / "decide").glob("*.py")
    )
    shown = set(re.findall(r"`(D\d)`", README))
    assert shown == set(re.findall(r'"(D\d)"', code))


def test_bounds_told_in_readme_are_those_in_force():
    from config import bounds

    for figure in (
        f"ceiling {bounds.BASE_CEILING_C:g} °C",
        f"trip at {bounds.BASE_TRIP_C:g} °C",
        f"({bounds.BASE_CEILING_NO_CUTOUT_C:g}\nand {bounds.BASE_TRIP_NO_CUTOUT_C:g} °C",
        f"burst of {bounds.BURST_LONGEST_S:g} s",
    ):
        assert figure in README, figure


def test_links_between_the_documents_lead_somewhere():
    for text in (README, DEVELOPERS):
        for target in re.findall(r"\]\(([^)#]+)\)", text):
            if not target.startswith("http"):
                assert (ROOT / target).exists(), target


def test_no_placeholder_is_left_in_developers():
    assert "@@" not in DEVELOPERS.replace("@@OUTSIDE@@", "")


def test_version_is_told_once():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    assert f"### {project['version']}" in DEVELOPERS


def test_alarms_named_in_the_documents_exist():
    for name in re.findall(r"benches\.\w+\.alarms\.([a-z_]+)", README + DEVELOPERS):
        assert name in rows(), name


def test_pictures_are_light_and_shown():
    pictures = sorted((ROOT / "tests" / "pictures").glob("*.png"))
    assert pictures
    for path in pictures:
        assert path.stat().st_size < 200_000, path.name
        assert f"tests/pictures/{path.name}" in README, path.name
