"""docs/how-we-know.md names only tests that there are."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "docs" / "how-we-know.md"


def test_every_test_that_the_page_names_is_there() -> None:
    named = re.findall(r"`((?:published|agreement|unit|faults)/\w+\.py)::(\w+)`", PAGE.read_text(encoding="utf-8"))
    assert len(named) > 40
    missing = [f"{file}::{name}" for file, name in named if f"def {name}(" not in (ROOT / "tests" / file).read_text("utf-8")]
    assert missing == []


def test_every_line_of_a_table_names_a_check() -> None:
    rows = [line for line in PAGE.read_text(encoding="utf-8").splitlines() if line.startswith("| ")]
    bare = [row for row in rows if "::" not in row and not re.search(r"\| check \|$", row)]
    assert bare == []
