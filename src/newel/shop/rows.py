"""Reading one row of a shop text: a table of plain values into a frozen dataclass, every complaint naming row and field."""

from __future__ import annotations

import difflib
import math
import types
import typing
from collections.abc import Iterable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from enum import StrEnum
from typing import Any, TypeVar, Union

from newel.core.errors import BadInput
from newel.core.units import length_mm

Row = TypeVar("Row")

# ISO 13399 symbols that are lengths; they stay bare by house rule, every other length ends in _mm.
_LENGTH_SYMBOLS = frozenset({"DC", "RE", "APMX", "LU", "LPR", "DN", "DCONMS", "TP"})


def row_from(table: Mapping[str, Any], kind: type[Row], *, where: str, given: Mapping[str, Any] | None = None) -> Row:
    """Make a `kind` (a frozen dataclass) from a table; `given` are fields that do not stand in the table.

    Lengths may be numbers of mm or texts such as '1/8 in'. Raises BadInput that names the field: unknown (with the
    nearest known one), missing, of the wrong sort, or not a finite number.
    """
    known = {field.name: field for field in fields(kind) if field.name not in (given or {})}  # type: ignore[arg-type]
    hints = typing.get_type_hints(kind)
    for key in table:
        if key not in known:
            raise BadInput(f"unknown field {key!r}", where=where, remedy=nearest_name(key, known))
    values = dict(given or {})
    for name, field in known.items():
        if name in table:
            values[name] = _value(table[name], hints[name], f"{where}, field {name}", name)
        elif field.default is MISSING and field.default_factory is MISSING:
            if type(None) in typing.get_args(hints[name]):
                values[name] = None  # TOML has no word for nothing: what may be None may be left out
                continue
            raise BadInput(f"field {name!r} is missing", where=where, remedy=f"add a line {name} = …")
    return kind(**values)


def row_named(rows: Mapping[str, Row], name: str, what: str, *, where: str = "") -> Row:
    """Find a row by its name; BadInput says which names there are, the nearest first, when it is not there."""
    if name in rows:
        return rows[name]
    listed = ", ".join(repr(row) for row in sorted(rows)) or "none at all"
    near = difflib.get_close_matches(name, list(rows), n=1, cutoff=0.5)
    hint = f"did you mean {near[0]!r}? " if near else ""
    raise BadInput(f"there is no {what} {name!r} in the shop", where=where, remedy=f"{hint}the shop has: {listed}")


def nearest_name(key: str, known: Iterable[str]) -> str:
    """Say which known name a mistyped one is nearest to, or list them all."""
    names = list(known)
    folded = {name.lower(): name for name in names}
    near = difflib.get_close_matches(key.lower(), list(folded), n=1, cutoff=0.5)
    if near:
        return f"did you mean {folded[near[0]]!r}?"
    return "known fields: " + ", ".join(sorted(names))


def _value(value: Any, hint: Any, where: str, name: str) -> Any:
    """Turn one TOML value into what the field's annotation asks for."""
    origin = typing.get_origin(hint)
    if origin in (Union, types.UnionType):
        (inner,) = (option for option in typing.get_args(hint) if option is not type(None))
        return _value(value, inner, where, name)
    if origin is tuple:
        return _tuple(value, typing.get_args(hint), where, name)
    if is_dataclass(hint):
        if not isinstance(value, Mapping):
            raise BadInput(f"{value!r} should be a table", where=where)
        return row_from(value, typing.cast(type, hint), where=where)
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        if value not in [option.value for option in hint]:
            options = ", ".join(repr(option.value) for option in hint)
            raise BadInput(f"{value!r} is not one of the choices", where=where, remedy=f"choose from {options}")
        return hint(value)
    return _plain(value, hint, where, name)


def _plain(value: Any, hint: Any, where: str, name: str) -> Any:
    if hint is bool:
        if not isinstance(value, bool):
            raise BadInput(f"{value!r} should be true or false", where=where)
        return value
    if hint is str:
        if not isinstance(value, str):
            raise BadInput(f"{value!r} should be a text in quotes", where=where)
        return value
    if hint is float and (name in _LENGTH_SYMBOLS or name.endswith("_mm")) and not isinstance(value, bool):
        return length_mm(value, where=where)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise BadInput(f"{value!r} should be a number", where=where)
    if not math.isfinite(value):
        raise BadInput(f"{value!r} is not a finite number", where=where)
    if hint is int:
        if value != int(value):
            raise BadInput(f"{value!r} should be a whole number", where=where)
        return int(value)
    return float(value)


def _tuple(value: Any, parts: tuple[Any, ...], where: str, name: str) -> tuple[Any, ...]:
    if not isinstance(value, (list, tuple)):
        raise BadInput(f"{value!r} should be a list in square brackets", where=where)
    if len(parts) == 2 and parts[1] is Ellipsis:
        return tuple(_value(item, parts[0], where, name) for item in value)
    if len(value) != len(parts):
        raise BadInput(f"{value!r} should hold {len(parts)} values", where=where)
    return tuple(_value(item, part, where, name) for item, part in zip(value, parts))
