"""Change one field of a job file's text and leave everything else as it was written: comments, order, spacing."""

from __future__ import annotations

import json
import re
from typing import Any


def set_field(text: str, table: str, key: str, value: Any) -> str:
    r"""Return the text with `key` of `table` ('' for the top) set to a value; None takes it out again.

    A field that stands there commented out, as a default does, is uncommented in its place.

    >>> set_field("[finish]\n# cusp_mm = 0.02  # between passes\n", "finish", "cusp_mm", 0.03)
    '[finish]\ncusp_mm = 0.03  # between passes\n'
    """
    lines = text.splitlines()
    first, last = _span(lines, table)
    if first < 0:
        return text if value is None else text.rstrip("\n") + f"\n\n[{table}]\n{key} = {toml_value(value)}\n"
    found = re.compile(rf"(\s*)(#\s*)?({re.escape(key)})\s*=\s*(.*)$")
    live = [k for k in range(first, last) if (match := found.match(lines[k])) and not match[2]]
    asleep = [k for k in range(first, last) if (match := found.match(lines[k])) and match[2]]
    if value is None:
        for k in live:
            lines[k] = f"# {lines[k]}"
    elif live or asleep:
        k = (live or asleep)[0]
        match = found.match(lines[k])
        assert match is not None
        lines[k] = f"{match[1]}{key} = {toml_value(value)}{_remark(match[4])}"
    else:
        at = last
        while at > first and not lines[at - 1].strip():
            at -= 1
        lines.insert(at, f"{key} = {toml_value(value)}")
    return "\n".join(lines) + "\n"


def toml_value(value: Any) -> str:
    """Return a value as TOML writes it; JSON's texts, numbers, lists and truths are TOML's."""
    return json.dumps(value, ensure_ascii=False)


def _span(lines: list[str], table: str) -> tuple[int, int]:
    """Return the lines [first, last) in which a table's keys stand; (-1, -1) where the table is not there."""
    heads = [(k, match[1].strip()) for k, line in enumerate(lines) if (match := re.match(r"\s*\[([^\[\]]+)\]\s*(#.*)?$", line))]
    if not table:
        return 0, heads[0][0] if heads else len(lines)
    for place, (k, name) in enumerate(heads):
        if name == table:
            return k + 1, heads[place + 1][0] if place + 1 < len(heads) else len(lines)
    return -1, -1


def _remark(rest: str) -> str:
    """Return the comment behind a value, with the space before it."""
    quoted = re.match(r"(\"(?:[^\"\\]|\\.)*\"|'[^']*'|\[[^\]]*\]|[^#\"']*)", rest)
    behind = rest[quoted.end() :] if quoted else ""
    return f"  {behind.strip()}" if behind.strip().startswith("#") else ""
