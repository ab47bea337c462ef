"""Change one field of a job file's text and leave everything else as it was written: comments, order, spacing."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
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
    _set_line(lines, (first, last), key, value)
    return "\n".join(lines) + "\n"


def set_entry(text: str, table: str, row: int, values: Mapping[str, Any] | None) -> str:
    r"""Return the text with keys of the `row`-th [[table]] (from 0) set; a row more than there are is written at the end.

    A value of None takes its key out; None for all of them takes the whole entry out.

    >>> set_entry("[[thread]]\npitch_mm = 0.8\n", "thread", 0, {"pitch_mm": 1.0})
    '[[thread]]\npitch_mm = 1.0\n'
    """
    lines = text.splitlines()
    spans = _entries(lines, table)
    if row >= len(spans):
        body = [f"{key} = {toml_value(value)}" for key, value in (values or {}).items() if value is not None]
        return "\n".join([text.rstrip("\n"), "", f"[[{table}]]", *body]) + "\n" if body else text
    first, last = spans[row]
    if values is None:
        while first > 1 and lines[first - 2].lstrip().startswith("#"):  # what was said about it goes with it
            first -= 1
        while last > first and (not lines[last - 1].strip() or lines[last - 1].lstrip().startswith("#")):
            last -= 1  # what is said about the next table stays
        del lines[first - 1 : last]
        return "\n".join(lines).rstrip("\n") + "\n"
    for key, value in values.items():
        _set_line(lines, _entries(lines, table)[row], key, value)
    return "\n".join(lines) + "\n"


def _set_line(lines: list[str], span: tuple[int, int], key: str, value: Any) -> None:
    """Set one key among the lines [first, last) of its table."""
    first, last = span
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


def toml_value(value: Any) -> str:
    """Return a value as TOML writes it; JSON's texts, numbers, lists and truths are TOML's."""
    return json.dumps(value, ensure_ascii=False)


def _span(lines: list[str], table: str) -> tuple[int, int]:
    """Return the lines [first, last) in which a table's keys stand; (-1, -1) where the table is not there."""
    heads = _heads(lines)
    if not table:
        return 0, heads[0][0] if heads else len(lines)
    return next(((k + 1, end) for k, name, many, end in _ended(heads, len(lines)) if name == table and not many), (-1, -1))


def _entries(lines: list[str], table: str) -> list[tuple[int, int]]:
    """Return the lines [first, last) of each [[table]], in order."""
    return [(k + 1, end) for k, name, many, end in _ended(_heads(lines), len(lines)) if name == table and many]


def _heads(lines: list[str]) -> list[tuple[int, str, bool]]:
    """Return where tables begin: the line, the name, and whether it is one of several ([[name]])."""
    found = []
    for k, line in enumerate(lines):
        match = re.match(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?$", line)
        if match:
            found.append((k, match[2], match[1] == "[["))
    return found


def _ended(heads: list[tuple[int, str, bool]], end: int) -> list[tuple[int, str, bool, int]]:
    return [(*head, following) for head, following in zip(heads, [*(k for k, _, _ in heads[1:]), end])]


def _remark(rest: str) -> str:
    """Return the comment behind a value, with the space before it."""
    quoted = re.match(r"(\"(?:[^\"\\]|\\.)*\"|'[^']*'|\[[^\]]*\]|[^#\"']*)", rest)
    behind = rest[quoted.end() :] if quoted else ""
    return f"  {behind.strip()}" if behind.strip().startswith("#") else ""
