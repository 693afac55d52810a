"""Tables and code agree: every reason has words, every alarm all its texts, every example loads."""

import ast
import re
import subprocess
from pathlib import Path

import pytest

from config.load import loads
from controller.decide import watch
from controller.decide.alarm_table import rows
from controller.decide.alarms import check_changes
from controller.decide.reasons import REASONS

ROOT = Path(__file__).parents[2]
DECIDE = sorted((ROOT / "controller" / "decide").glob("*.py"))
EXAMPLES = sorted((ROOT / "config" / "examples").glob("*.toml"))


def reasons_in_code():
    """(file, code, number of values or None) of every Reason("...") that is written out."""
    for path in DECIDE:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Reason"):
                continue
            code = node.args[0]
            codes = [code] if isinstance(code, ast.Constant) else []
            if isinstance(code, ast.IfExp):
                codes = [code.body, code.orelse]
            count = None
            if len(node.args) == 1:
                count = 0
            elif isinstance(node.args[1], ast.Tuple):
                count = len(node.args[1].elts)
            for constant in codes:
                if isinstance(constant, ast.Constant):
                    yield path.name, constant.value, count


def test_every_reason_in_code_has_words_and_as_many_values_as_they_need():
    found = list(reasons_in_code())
    assert len(found) > 25
    for file, code, count in found:
        assert code in REASONS, f"{file}: {code}"
        wanted = {int(n) for n in re.findall(r"\{(\d)\}", REASONS[code])}
        if count is not None:
            assert wanted <= set(range(count)), f"{file}: {code} has {count} values"


def test_every_reason_with_words_is_used():
    texts = "\n".join(
        p.read_text(encoding="utf-8") for p in DECIDE if not p.stem.endswith("reasons")
    )
    assert [code for code in REASONS if f'"{code}"' not in texts] == []


@pytest.mark.parametrize("row", rows().values(), ids=list(rows()))
def test_every_alarm_has_all_its_texts(row):
    for text in (row.title, row.limit, row.consequence, row.action, row.why):
        assert len(text) > 3, row.name
        assert "{" not in text
    assert row.causes
    assert all(row.causes)
    for sentence in (row.consequence, row.action, row.why):
        assert sentence[0].isupper() or sentence[0].isdigit()
        assert sentence.endswith("."), sentence
    assert row.respond_min > 0
    assert row.priority in (1, 2, 3)
    assert bool(row.worse) == bool(row.worse_when)


def test_every_alarm_is_watched_and_every_watched_one_is_in_the_table():
    watched = {
        name: scope
        for scope, names in (
            ("bay", watch.BAY_ALARMS),
            ("bench", watch.BENCH_ALARMS),
            ("probe", watch.PROBE_ALARMS),
            ("link", watch.LINK_ALARMS),
            ("site", watch.SITE_ALARMS),
        )
        for name in names
    }
    assert watched == {name: row.scope for name, row in rows().items()}


@pytest.mark.parametrize("path", EXAMPLES, ids=[path.name for path in EXAMPLES])
def test_example_loads_with_its_alarms(path):
    site = loads(path.read_text(encoding="utf-8"), path.name, embedded=False)
    check_changes(site)
    assert site.benches


def tracked():
    done = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, timeout=20)
    if done.returncode:
        pytest.skip("not a git working tree, so nothing says which files belong to it")
    names = [name for name in done.stdout.decode().split("\0") if name]
    return [ROOT / name for name in names if (ROOT / name).is_file()]


MACHINE_PATH = re.compile(r"(?<![\w.])/(?:home|Users|root|mnt|work|tmp)/[\w.-]+")
ALLOWED = {"/tmp/here"}


def test_no_path_of_somebodys_machine_is_in_a_tracked_file():
    for path in tracked():
        if path.suffix in (".db", ".png", ".gz"):
            continue
        text = path.read_text(encoding="utf-8")
        strange = set(MACHINE_PATH.findall(text)) - ALLOWED
        assert not strange, f"{path.relative_to(ROOT)}: {strange}"


def test_top_level_holds_what_it_should_and_nothing_else():
    names = {path.relative_to(ROOT).parts[0] for path in tracked()}
    assert {name for name in names if not name.startswith(".")} == {
        "README.md", "DEVELOPERS.md", "pyproject.toml",
        "config", "sensors", "controller", "simulator", "tests",
    }  # fmt: skip


def test_no_work_is_left_for_later_in_the_code():
    later = re.compile(r"\b(?:TO" r"DO|FIX" r"ME|X" r"XX)\b")
    for path in tracked():
        if path.suffix == ".py":
            assert not later.search(path.read_text(encoding="utf-8")), path
