"""The shop in words, for the terminal."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from newel.core.errors import BadInput
from newel.core.units import mm
from newel.shop.catalogue import Shop

# ISO 13399 symbols stand bare in files; in front of people every number has its unit.
_SYMBOL_UNITS = {**dict.fromkeys(("DC", "APMX", "LU", "LPR", "DCONMS", "RE", "DN"), " mm"), "SIG": "°"}
_KINDS = {"cutters": "cutter", "materials": "material", "machines": "machine", "bars": "bar"}


def list_text(shop: Shop, kind: str | None) -> str:
    """Return the names of one kind of thing, or of all, with the figures that tell them apart."""
    blocks = []
    for name in [kind] if kind else list(_KINDS):
        rows: Mapping[str, Any] = getattr(shop, name)
        width = max((len(row) for row in rows), default=0)
        lines = [f"  {row:<{width}}  {_in_short(item, name)}".rstrip() for row, item in rows.items()]
        blocks.append("\n".join([f"{name} ({len(rows)})", *lines]))
    return "\n\n".join(blocks)


def show_text(shop: Shop, name: str) -> str:
    """Return all figures of the thing of that name. Raises BadInput where the shop has none."""
    found = [(kind, getattr(shop, kind)[name]) for kind in _KINDS if name in getattr(shop, kind)]
    if not found:
        import difflib

        near = difflib.get_close_matches(name, [row for kind in _KINDS for row in getattr(shop, kind)], n=3, cutoff=0.4)
        remedy = f"did you mean {' or '.join(map(repr, near))}?" if near else "see: newel shop list"
        raise BadInput(f"the shop has nothing called {name!r}", remedy=remedy)
    return "\n\n".join("\n".join([f"{_KINDS[kind]} {name!r}", *_fields(row, "  ")]) for kind, row in found)


def count_text(shop: Shop) -> str:
    """Say what was read and checked."""
    return "checked: " + ", ".join(
        f"{len(getattr(shop, kind))} {word if len(getattr(shop, kind)) == 1 else kind}" for kind, word in _KINDS.items()
    )


def _in_short(row: Any, kind: str) -> str:
    if kind == "cutters":
        edges = f"{row.ZEFP} edge{'s' if row.ZEFP != 1 else ''}"
        return f"{row.form.value}, DC {mm(row.DC, 3)}, APMX {mm(row.APMX)}, {edges}"
    if kind == "materials":
        return f"{row.kind}, vc {row.vc_m_per_min[0]:g} to {row.vc_m_per_min[1]:g} m/min"
    if kind == "machines":
        return (
            f"{row.x.to_mm - row.x.from_mm:g} mm of X, spindle to {row.spindle.max_rpm:g} rpm, chuck at the {row.chuck_end} end"
        )
    sizes = " x ".join(mm(size) for size in row.size_mm)
    return f"{row.section.value}, {sizes}" + (f", sold in {', '.join(row.kinds)}" if row.kinds else "")


def _fields(row: Any, indent: str) -> list[str]:
    lines = []
    for field in dataclasses.fields(row):
        value = getattr(row, field.name)
        if dataclasses.is_dataclass(value):
            lines += [f"{indent}{field.name}", *_fields(value, indent + "  ")]
        elif field.name == "sources":
            lines += [f"{indent}sources", *(f"{indent}  {name}: {text}" for name, text in value)]
        elif field.name == "cautions":
            lines += [f"{indent}cautions", *(f"{indent}  - {text}" for text in value)]
        else:
            unit = _SYMBOL_UNITS.get(field.name, "") if value is not None else ""
            lines.append(f"{indent}{field.name} = {_plain(value)}{unit}")
    return lines


def _plain(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, tuple):
        return ", ".join(_plain(item) for item in value)
    return f"{value:g}" if isinstance(value, float) else str(value)
