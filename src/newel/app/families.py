"""`newel family`: one job for each row of a table of sizes or models, after the pattern of one job file."""

from __future__ import annotations

import csv
import io
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import ParseError

from newel.app.inputs import read_text
from newel.app.job_file import read_job
from newel.app.whole_files import write_file
from newel.core.errors import BadInput

NAME = "name"
_A_NAME = re.compile(r"[\w][\w .+-]*$")


@dataclass(frozen=True)
class Member:
    """One job of a family: its name and its file's text."""

    name: str
    text: str


def write_family(table: Path, pattern: Path, folder: Path, *, force: bool) -> list[Path]:
    """Write one job file a row into `folder`; nothing is written unless every row is sound."""
    shared = read_text(pattern, "job file")
    read_job(shared, name=pattern.stem, where=str(pattern))
    members = family(read_text(table, "table"), shared, str(table), nearer(pattern.parent, folder))
    targets = [folder / f"{member.name}.toml" for member in members]
    there = [target for target in targets if target.exists()]
    if there and not force:
        raise BadInput(f"{there[0]} is already there", remedy="name another folder with -o, or write over it with --force")
    folder.mkdir(parents=True, exist_ok=True)
    for member, target in zip(members, targets, strict=True):
        write_file(target, member.text.encode("utf-8"))
    return targets


def nearer(pattern_folder: Path, folder: Path) -> str:
    """Return the way from the folder that the jobs go to, to the one that model files are named from ('' for the same)."""
    way = Path(os.path.relpath(pattern_folder, folder)).as_posix()
    return "" if way == "." else f"{way}/"


def family(table: str, pattern: str, where: str, way: str) -> list[Member]:
    """Return the jobs of a table in CSV (comma, semicolon or tab) after the job file `pattern`.

    The first row names the columns: `name`, and fields of the job file such as `model.file`, `model.scale`, `bar.size_mm` or
    `machine`. An empty cell leaves what the pattern says. `way` leads from the new jobs to the models. Raises BadInput
    with the line of the table.
    """
    rows = list(csv.reader(io.StringIO(table.lstrip("\ufeff")), delimiter=_delimiter(table)))
    if not rows or NAME not in [cell.strip() for cell in rows[0]]:
        raise BadInput("the table's first row must name its columns, one of them 'name'", where=f"{where}, line 1")
    columns = [cell.strip() for cell in rows[0]]
    members: list[Member] = []
    for number, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        place = f"{where}, line {number}"
        if len(row) > len(columns):
            raise BadInput(
                f"{len(row)} cells under {len(columns)} columns", where=place, remedy="quote cells with commas in them"
            )
        cells = {column: cell.strip() for column, cell in zip(columns, row, strict=False) if cell.strip()}
        name = cells.pop(NAME, "")
        if not _A_NAME.match(name) or name in {member.name for member in members}:
            raise BadInput(f"{name!r} cannot name a job of its own", where=place, remedy="give each row another name")
        text = _filled(pattern, cells, place, way)
        read_job(text, name=name, where=f"{place} ({name})")
        members.append(Member(name, text))
    if not members:
        raise BadInput("the table has no row under its columns", where=where)
    return members


def _delimiter(table: str) -> str:
    head = table.split("\n", 1)[0]
    return max(",;\t", key=head.count)


def _filled(pattern: str, cells: dict[str, str], place: str, way: str) -> str:
    """Return the pattern's text with the cells' values in it, its comments kept."""
    document = tomlkit.parse(pattern)
    model: Any = document["model"]
    model["file"] = f"{way}{model['file']}"
    for column, cell in cells.items():
        *tables, key = column.split(".")
        at: Any = document
        for table in tables:
            if table not in at:
                at[table] = tomlkit.table()
            at = at[table]
            if not hasattr(at, "keys"):
                raise BadInput(f"the column {column!r} names no field of a job file", where=place)
        value = _value(cell)
        at[key] = f"{way}{value}" if column == "model.file" else value
    return tomlkit.dumps(document)


def _value(cell: str) -> Any:
    """Return what a cell means: a number, true, a list as TOML writes it, or else its text."""
    try:
        return tomlkit.value(cell)
    except (ParseError, ValueError):
        return cell
