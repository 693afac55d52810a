"""Who may import whom, held by the contracts of pyproject.toml and looked at again here."""

import ast
import os
import subprocess
import sys
import tomllib
from importlib.util import find_spec
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
CONTRACTS = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"][
    "contracts"
]
PURE = next(c for c in CONTRACTS if c["name"].startswith("decisions and other pure modules"))


def files_of(module):
    """Source files of a module, or of everything in a package."""
    path = ROOT / Path(*module.split("."))
    return sorted(path.rglob("*.py")) if path.is_dir() else [path.with_suffix(".py")]


def imported(path):
    """Top names of everything that a file imports, also inside functions and by name."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            found |= {f"{node.module}.{alias.name}" for alias in node.names} | {node.module}
        elif isinstance(node, ast.Call) and getattr(node.func, "id", "") == "__import__":
            found.add("__import__")
    return found


def test_import_contracts_hold():
    program = Path(sys.executable).with_name("lint-imports")
    if not program.exists():
        why = "no lint-imports here; install it: pip install import-linter"
        if os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)
    done = subprocess.run(
        [program, "--no-cache"], cwd=ROOT, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stdout + done.stderr


PURE_FILES = [path for module in PURE["source_modules"] for path in files_of(module)]


@pytest.mark.parametrize("path", PURE_FILES, ids=[str(p.relative_to(ROOT)) for p in PURE_FILES])
def test_pure_module_knows_no_clock_chance_wire_or_store(path):
    tops = {name.split(".")[0] for name in imported(path)}
    assert not tops & {*PURE["forbidden_modules"], "__import__", "importlib", "subprocess"} - (
        {"importlib"} if "importlib.resources.files" in imported(path) else set()
    )
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            assert node.func.attr not in ("utcnow", "today"), f"{path} reads the clock"
            if node.func.attr == "now":
                assert not isinstance(node.func.value, ast.Name), f"{path} reads the clock"


def test_only_app_builds_and_only_tests_and_the_entry_point_know_the_simulator():
    for package in ("config", "sensors", "controller"):
        for path in files_of(package):
            assert not {name for name in imported(path) if name.split(".")[0] == "simulator"}


def test_every_module_of_the_contracts_exists():
    names = [*PURE["source_modules"]]
    for contract in CONTRACTS:
        names += contract.get("source_modules", [])
    assert [name for name in names if find_spec(name) is None] == []
