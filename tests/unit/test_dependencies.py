"""What the package imports at once is what it asks to be installed: the tests' own packages must not hide a missing one."""

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SOURCES = sorted((ROOT / "src" / "newel").rglob("*.py"))
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def _named(requirements):
    return {re.split(r"[<>=!~ \[]", line)[0].lower().replace("_", "-") for line in requirements}


ALWAYS = _named(PROJECT["dependencies"])
WITH_ORNAMENT = ALWAYS | _named(PROJECT["optional-dependencies"]["ornament"])


def _imported_at_once(source):
    """The top-level packages a module imports as it is imported itself, not inside a function or for types alone."""
    found = set()

    def look(body):
        for node in body:
            if isinstance(node, ast.Import):
                found.update(alias.name.partition(".")[0] for alias in node.names)
            elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
                found.add(node.module.partition(".")[0])
            elif isinstance(node, ast.If) and "TYPE_CHECKING" not in ast.unparse(node.test):
                look(node.body + node.orelse)
            elif isinstance(node, ast.Try):
                look(node.body)

    look(ast.parse(source.read_text(encoding="utf-8")).body)
    return found - set(sys.stdlib_module_names) - {"newel", "__future__"}


def test_a_module_of_another_package_is_seen():
    assert "shapely" in _imported_at_once(ROOT / "src" / "newel" / "toolpaths" / "descent.py")


@pytest.mark.parametrize("source", SOURCES, ids=lambda path: path.relative_to(ROOT / "src" / "newel").as_posix())
def test_everything_imported_at_once_is_asked_for(source):
    asked = WITH_ORNAMENT if "ornament" in source.parts else ALWAYS
    distributions = packages_distributions()
    for package in _imported_at_once(source):
        names = {name.lower().replace("_", "-") for name in distributions.get(package, [package])}
        assert names & asked, f"{package} is imported, and {' or '.join(sorted(names))} is not in pyproject.toml"
