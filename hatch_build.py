"""Build hook: the wheel (and an editable install) carries the page, built from its TypeScript sources.

Where no Node is installed it comes as a Python package, for the time of the build only. NEWEL_NO_PAGE=1 leaves the page out.
"""

from __future__ import annotations

import importlib.util
import os
from pathlib import Path
from types import ModuleType
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

PAGE = Path("src/newel/app/page")


class PageBuild(BuildHookInterface):
    """Builds the page before the files are gathered."""

    def dependencies(self) -> list[str]:
        """Ask for Node where none is at hand."""
        building = _building(Path(self.root))
        return [] if _left_out() or building.node_at_hand() else [building.NODE_PACKAGE]

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Build the page; an editable install whose page stands ready is left alone."""
        if _left_out():
            return
        building = _building(Path(self.root))
        if version != "editable" or not building.is_built():
            building.build()
        build_data["artifacts"].append(f"{PAGE.as_posix()}/built/**")


def _left_out() -> bool:
    return os.environ.get("NEWEL_NO_PAGE") == "1"


def _building(root: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location("newel_page_building", root / PAGE / "building.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
