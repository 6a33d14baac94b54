"""Goal: the one-way order of the folders in `service/` holds, and no contract is empty.

Method: run the import linter on the contracts in pyproject.toml. It says nothing about a wildcard that
matches no module, which would leave a contract that checks nothing, so each wildcard is matched here against
the files. That `service/core/` needs the standard library only is read from its syntax trees: a list of
forbidden packages can never name the package that comes next.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
CONTRACTS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"]["contracts"]


def modules_of_service() -> set[str]:
    """Dotted names of all modules and packages under service/."""
    names = set()
    for path in (ROOT / "service").rglob("*.py"):
        parts = path.relative_to(ROOT).with_suffix("").parts
        names.add(".".join(parts[:-1] if parts[-1] == "__init__" else parts))
    return names


def wildcards() -> list[tuple[str, str]]:
    """(contract name, module expression) for every module expression with a wildcard."""
    return [
        (contract["name"], expression)
        for contract in CONTRACTS
        for value in contract.values()
        if isinstance(value, list)
        for text in value
        for expression in text.split(" -> ")
        if "*" in expression
    ]


def as_pattern(expression: str) -> re.Pattern[str]:
    """Read `*` as one module name and `**` as one or more, as the import linter does."""
    parts = {"*": r"[^.]+", "**": r"[^.]+(\.[^.]+)*"}
    return re.compile(r"\.".join(parts.get(part, re.escape(part)) for part in expression.split(".")))


def test_contracts_are_kept():
    linter = Path(sys.executable).with_name("lint-imports")
    result = subprocess.run([linter, "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stdout + result.stderr
    assert f"Contracts: {len(CONTRACTS)} kept, 0 broken." in result.stdout


def test_the_contracts_use_wildcards():
    assert wildcards(), "the test below would have no cases"


@pytest.mark.parametrize(("contract", "expression"), wildcards())
def test_wildcard_matches_a_module(contract: str, expression: str):
    pattern = as_pattern(expression)
    assert any(pattern.fullmatch(name) for name in modules_of_service()), (
        f"contract {contract!r}: {expression} matches no module, so it checks nothing"
    )


ARITHMETIC = {"numpy", "scipy"}


def test_core_imports_the_standard_library_and_arithmetic_only():
    files = sorted((ROOT / "service" / "core").rglob("*.py"))
    assert files
    strangers = []
    for path in files:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.level == 0:
                names = [node.module or ""]
            else:
                continue
            strangers += [
                f"{path.relative_to(ROOT)}:{node.lineno} imports {name}"
                for name in names
                if name.split(".")[0] not in sys.stdlib_module_names | ARITHMETIC
                and not f"{name}.".startswith("service.core.")
            ]
    assert not strangers, "\n".join(strangers)


@pytest.mark.parametrize("entrance", ["service.app", "service.cli"])
def test_the_service_starts_without_loading_what_only_some_questions_need(entrance: str):
    """SciPy takes half a second and tens of megabytes: the weighbridge waits for neither."""
    loaded = f"import sys, {entrance}; print('scipy' in sys.modules)"
    printed = subprocess.run([sys.executable, "-c", loaded], cwd=ROOT, capture_output=True, text=True, check=True)
    assert printed.stdout.strip() == "False"
