"""The shop: cutters, holders, materials, machines and bars, read from TOML texts and checked.

Each text begins with `format = 1` and holds tables of rows: [cutters."1/8 in flat"], [holders."ER11 nut"],
[materials."beech"], [machines."…"], [bars."40 mm square"]. Texts are read in order and a later one may add rows, or
change single fields of an earlier row if it brings the `source` of what it changes.
"""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from importlib import resources
from types import MappingProxyType
from typing import Any

from newel.core.errors import BadInput
from newel.shop.bars import StockBar
from newel.shop.checks import check_bar, check_cutter, check_holder, check_machine, check_material
from newel.shop.cutters import Cutter, Holder
from newel.shop.machines import Machine
from newel.shop.materials import Material
from newel.shop.rows import nearest_name, row_from, row_named

FORMAT = 1
_Places = Mapping[tuple[str, str], str]  # (kind, row name): text, line and row, for complaints
_KINDS = ("cutters", "holders", "materials", "machines", "bars")
_SHIPPED = ("cutters.toml", "materials.toml", "machines.toml", "bars.toml")


@dataclass(frozen=True)
class Shop:
    """Everything at hand, each by its name."""

    cutters: Mapping[str, Cutter]
    holders: Mapping[str, Holder]
    materials: Mapping[str, Material]
    machines: Mapping[str, Machine]
    bars: Mapping[str, StockBar]

    def cutter(self, name: str, *, where: str = "") -> Cutter:
        """Return a cutter by name; BadInput with the names there are."""
        return row_named(self.cutters, name, "cutter", where=where)

    def holder_of(self, cutter: Cutter) -> Holder:
        """Return the holder a cutter stands in."""
        return row_named(self.holders, cutter.holder, "holder", where=f"cutter {cutter.name!r}")

    def material(self, name: str, *, where: str = "") -> Material:
        """Return a material by name; BadInput with the names there are."""
        return row_named(self.materials, name, "material", where=where)

    def machine(self, name: str, *, where: str = "") -> Machine:
        """Return a machine by name; BadInput with the names there are."""
        return row_named(self.machines, name, "machine", where=where)


def shipped_texts() -> Mapping[str, str]:
    """Return the shop texts that come with Newel, by file name, in reading order."""
    folder = resources.files("newel.shop").joinpath("data")
    return MappingProxyType({name: folder.joinpath(name).read_text(encoding="utf-8") for name in _SHIPPED})


def load_shop(texts: Mapping[str, str]) -> Shop:
    """Read and check a shop from TOML texts (label to text), later texts over earlier ones.

    Raises BadInput that names the text, the line where its row begins, the row and the field.
    """
    tables: dict[str, dict[str, dict[str, Any]]] = {kind: {} for kind in _KINDS}
    places: dict[tuple[str, str], str] = {}
    for label, text in texts.items():
        for kind, rows in _tables(text, label).items():
            for name, table in rows.items():
                place = _place(text, label, kind, name)
                earlier = tables[kind].get(name)
                if earlier is not None:
                    _bring_sources(table, kind, place)
                tables[kind][name] = _laid_over(earlier or {}, table)
                places[kind, name] = place
    holders = _rows(tables, places, "holders", Holder)
    cutters = _rows(tables, places, "cutters", Cutter)
    materials = {name: _material(table, name, places["materials", name]) for name, table in tables["materials"].items()}
    machines = _rows(tables, places, "machines", Machine)
    bars = _rows(tables, places, "bars", StockBar)
    _check_all(holders, check_holder, "holders", places)
    _check_all(cutters, check_cutter, "cutters", places)
    _check_all(materials, check_material, "materials", places)
    _check_all(machines, check_machine, "machines", places)
    _check_all(bars, check_bar, "bars", places)
    for name, cutter in cutters.items():
        row_named(holders, cutter.holder, "holder", where=f"{places['cutters', name]}, field holder")
    return Shop(*(MappingProxyType(rows) for rows in (cutters, holders, materials, machines, bars)))  # type: ignore[arg-type]


def _check_all(rows: Mapping[str, Any], check: Callable[[Any, str], None], kind: str, places: _Places) -> None:
    for name, row in rows.items():
        check(row, places[kind, name])


def _tables(text: str, label: str) -> dict[str, dict[str, dict[str, Any]]]:
    """Parse one text; refuse anything that is not a table of rows of a known kind."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadInput(f"not TOML: {error}", where=label, remedy="mend the line that is named") from None
    if data.pop("format", None) != FORMAT:
        raise BadInput("the shop text does not say its format", where=label, remedy=f"begin it with: format = {FORMAT}")
    for kind, rows in data.items():
        if kind not in _KINDS:
            raise BadInput(f"unknown table {kind!r}", where=label, remedy=nearest_name(kind, _KINDS))
        if not isinstance(rows, dict) or not all(isinstance(row, dict) for row in rows.values()):
            raise BadInput(f"{kind!r} should hold rows", where=label, remedy=f'write [{kind}."a name"] above its fields')
    return data


def _place(text: str, label: str, kind: str, name: str) -> str:
    """Say where a row begins, with its line where the plain header can be found."""
    headers = {f'[{kind}."{name}"]', f"[{kind}.'{name}']", f"[{kind}.{name}]"}
    for number, line in enumerate(text.splitlines(), start=1):
        if line.split("#")[0].strip() in headers:
            return f"{label}, line {number}, {kind} {name!r}"
    return f"{label}, {kind} {name!r}"


def _bring_sources(table: Mapping[str, Any], kind: str, place: str) -> None:
    """A changed figure must not keep the source of the one it replaces."""
    if kind != "materials":
        if "source" not in table:
            raise BadInput("the row changes an earlier one but has no source", where=place, remedy='add: source = "…"')
        return
    sources = table.get("sources", {})
    for field in table:
        if field in _SOURCED and field not in sources:
            raise BadInput(f"field {field!r} is changed but has no source", where=place, remedy=f'add: sources.{field} = "…"')


def _laid_over(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    """Return `below` with the fields of `above` laid over it, tables within tables likewise."""
    merged = copy.deepcopy(dict(below))
    for key, value in above.items():
        inner = merged.get(key)
        merged[key] = _laid_over(inner, value) if isinstance(inner, dict) and isinstance(value, dict) else value
    return merged


def _rows(tables: Any, places: _Places, kind: str, row: type) -> dict[str, Any]:
    return {name: row_from(table, row, where=places[kind, name], given={"name": name}) for name, table in tables[kind].items()}


# The figures of a material: everything but its name, its kind, what it warns of and the sources themselves.
_SOURCED = tuple(field.name for field in fields(Material) if field.name not in ("name", "kind", "cautions", "sources"))


def _material(table: Mapping[str, Any], name: str, place: str) -> Material:
    """Read a material: its sources stand in a table of their own, and figures without a source may be left out."""
    plain = {key: value for key, value in table.items() if key != "sources"}
    sources = table.get("sources", {})
    if not isinstance(sources, dict) or not all(isinstance(text, str) for text in sources.values()):
        raise BadInput("'sources' should be a table of texts", where=place)
    for field in sources:
        if field not in _SOURCED:
            raise BadInput(f"source of unknown field {field!r}", where=place, remedy=nearest_name(field, _SOURCED))
    given: dict[str, Any] = {"name": name, "sources": tuple(sorted(sources.items()))}
    return row_from(plain, Material, where=place, given=given)
