"""The workshop log: what was made, with which seal, how long it took, what was measured on it, and how it failed.

SQLite with a write-ahead log and synchronous FULL: an entry that was committed stays, whatever kills the program or the
power. Entries are only ever added; a mistake is answered by a later entry. Every entry has an id of its own (uid), so
that a log may be exported, read back or joined with another without anything coming in twice. Times are given from
outside as text (ISO 8601); nothing here reads a clock.
"""

from __future__ import annotations

import csv
import io
import math
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

from newel.core.errors import BadInput

MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE made (
            uid TEXT PRIMARY KEY, at TEXT NOT NULL, job TEXT NOT NULL, program TEXT NOT NULL, seal TEXT NOT NULL,
            verdict TEXT NOT NULL, planned_min REAL, taken_min REAL, outcome TEXT NOT NULL, remark TEXT NOT NULL
        ) WITHOUT ROWID""",
        """CREATE TABLE measured (
            uid TEXT PRIMARY KEY, made_uid TEXT NOT NULL, at TEXT NOT NULL, what TEXT NOT NULL, place TEXT NOT NULL,
            planned REAL, found REAL NOT NULL, unit TEXT NOT NULL, remark TEXT NOT NULL
        ) WITHOUT ROWID""",
    ),
    (
        "ALTER TABLE measured ADD COLUMN cutter TEXT NOT NULL DEFAULT ''",
        "CREATE INDEX measured_of ON measured (made_uid)",
    ),
)
BUSY_MS = 10_000


@dataclass(frozen=True)
class MadeEntry:
    """One run: when, which job and program, its seal, the proof's verdict, minutes planned and taken, and how it ended.

    `outcome`: 'good', 'failed' or 'not run yet'; `remark` says how it failed.
    """

    uid: str
    at: str
    job: str
    program: str
    seal: str
    verdict: str
    planned_min: float | None
    taken_min: float | None
    outcome: str
    remark: str


@dataclass(frozen=True)
class MeasuredEntry:
    """One thing measured on a part (or the machine): `what` ('diameter', 'depth', 'bending', …), planned and found, in `unit`.

    `place`: where on the part, in words. `cutter`: the shop's name of the cutter that made the surface, '' where none did.
    """

    uid: str
    made_uid: str
    at: str
    what: str
    place: str
    planned: float | None
    found: float
    unit: str
    remark: str
    cutter: str = ""


Entry = MadeEntry | MeasuredEntry
_TABLES: Mapping[str, type[MadeEntry] | type[MeasuredEntry]] = {"made": MadeEntry, "measured": MeasuredEntry}
_OUTCOMES = ("good", "failed", "not run yet")


def prepare(connection: sqlite3.Connection) -> None:
    """Make a connection ready: durable writes, the newest layout. BadInput for the log of a newer Newel or no log at all."""
    try:
        connection.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.isolation_level = None
        _migrate(connection)
    except sqlite3.DatabaseError as error:
        raise BadInput(
            f"this is not a workshop log: {error}", remedy="move the file away; a new log is begun by itself"
        ) from None


def _migrate(connection: sqlite3.Connection) -> None:
    connection.execute("BEGIN IMMEDIATE")
    try:
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        if version > len(MIGRATIONS):
            raise BadInput(
                f"the log has layout {version}; this Newel knows up to {len(MIGRATIONS)}",
                remedy="use the newer Newel that wrote it",
            )
        if version == 0 and connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
            raise BadInput("the file is a database of another program", remedy="name another file for the log")
        for number in range(version, len(MIGRATIONS)):
            for statement in MIGRATIONS[number]:
                connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def add(connection: sqlite3.Connection, entries: Iterable[Entry]) -> int:
    """Add entries, all or none, in one durable step; one that is there already is left alone. Returns how many were new."""
    entries = list(entries)
    for entry in entries:
        _check(entry)
    connection.execute("BEGIN IMMEDIATE")
    try:
        new = sum(_insert(connection, entry) for entry in entries)
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")
    return new


def made(connection: sqlite3.Connection) -> tuple[MadeEntry, ...]:
    """Return every run, the oldest first."""
    return tuple(MadeEntry(*row) for row in _rows(connection, "made"))


def measured(connection: sqlite3.Connection) -> tuple[MeasuredEntry, ...]:
    """Return every measurement, the oldest first."""
    return tuple(MeasuredEntry(*row) for row in _rows(connection, "measured"))


def to_csv(entries: Sequence[Entry], kind: str) -> str:
    """Return entries of one kind ('made' or 'measured') as CSV; numbers with all their digits, nothing is lost."""
    names = [field.name for field in fields(_TABLES[kind])]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([f"{kind}.{names[0]}", *names[1:]])
    for entry in entries:
        values = [getattr(entry, name) for name in names]
        writer.writerow(["" if value is None else repr(value) if isinstance(value, float) else value for value in values])
    return out.getvalue()


def from_csv(text: str) -> tuple[Entry, ...]:
    """Read entries back from CSV. Raises BadInput with the line for anything that is not as it was written."""
    rows = list(csv.reader(io.StringIO(text.lstrip("\ufeff"), newline="")))
    if not rows or "." not in (rows[0] or [""])[0] or rows[0][0].split(".")[0] not in _TABLES:
        raise BadInput("this is not an exported log", where="line 1", remedy="its header begins with made.uid or measured.uid")
    shape = _TABLES[rows[0][0].split(".")[0]]
    names = [field.name for field in fields(shape)]
    given = [rows[0][0].split(".")[1], *rows[0][1:]]
    if given != names:
        raise BadInput("the header is not that of a log", where="line 1", remedy=f"it should read {', '.join(names)}")
    numbers = {field.name for field in fields(shape) if "float" in str(field.type)}
    optional = {field.name for field in fields(shape) if "None" in str(field.type)}
    found: list[Entry] = []
    for at, row in enumerate(rows[1:], start=2):
        if not row:
            continue
        if len(row) != len(names):
            raise BadInput(f"{len(row)} fields where the header has {len(names)}", where=f"entry {at - 1}")
        values: dict[str, object] = dict(zip(names, row, strict=True))
        for name in numbers:
            if values[name] == "" and name in optional:
                values[name] = None
                continue
            try:
                values[name] = float(str(values[name]))
            except ValueError:
                raise BadInput(f"{name} = {values[name]!r} is not a number", where=f"entry {at - 1}") from None
        entry = shape(**values)  # type: ignore[arg-type]
        _check(entry)
        found.append(entry)
    return tuple(found)


def _check(entry: Entry) -> None:
    where = f"entry {entry.uid!r}"
    if not entry.uid or not entry.at:
        raise BadInput("an entry needs an id and a time", where=where)
    for field in fields(entry):
        value = getattr(entry, field.name)
        if isinstance(value, float) and not math.isfinite(value):
            raise BadInput(f"{field.name} is not a finite number", where=where)
        if isinstance(value, str) and "\x00" in value:
            raise BadInput(f"{field.name} holds a character that no text has", where=where)
    if isinstance(entry, MadeEntry):
        if entry.outcome not in _OUTCOMES:
            raise BadInput(f"an outcome is one of {', '.join(_OUTCOMES)}, not {entry.outcome!r}", where=where)
        for name in ("planned_min", "taken_min"):
            value = getattr(entry, name)
            if value is not None and value < 0.0:
                raise BadInput(f"{name} is below 0", where=where)
    elif not entry.what or not entry.unit:
        raise BadInput("a measurement needs to say what was measured, and its unit", where=where)


def _insert(connection: sqlite3.Connection, entry: Entry) -> int:
    table = "made" if isinstance(entry, MadeEntry) else "measured"
    names = [field.name for field in fields(entry)]
    marks = ", ".join("?" for _ in names)
    cursor = connection.execute(
        f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks}) ON CONFLICT (uid) DO NOTHING",
        [getattr(entry, n) for n in names],
    )
    return cursor.rowcount


def _rows(connection: sqlite3.Connection, table: str) -> list[tuple[Any, ...]]:
    names = ", ".join(field.name for field in fields(_TABLES[table]))
    return connection.execute(f"SELECT {names} FROM {table} ORDER BY at, uid").fetchall()
