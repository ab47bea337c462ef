"""The inside corners where the part's ends stand on their stubs: round tips leave them filled, a flat cutter turns them out."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from newel.core.plan import Decision, Holding, Placement, Stub
from newel.core.profile import CutterShape
from newel.core.units import mm
from newel.planning.reach import Standing, lowest_tip
from newel.shop.cutters import Cutter, Form

Floats = NDArray[np.float64]

BESIDE_MM = 0.004  # the flank is kept this far off the end face, so that rounding cannot touch it
ASKED_TURNS = 48
HELD_HIGH_MM = 0.02  # an end that holds the tip further off its stub than this has no corner to be cut out


def corner_ways(shape: CutterShape, placed: Placement, holding: Holding, fillet_mm: float) -> list[tuple[float, float]]:
    """Return from where to where the tip of a flat cutter goes along X beside each end of the part, in mm (bar frame).

    `fillet_mm`: radius of what the tips before it left in the corner.
    """
    reach = shape.edge.radius_mm + BESIDE_MM
    low, high = placed.part_from_x_mm - reach, placed.part_to_x_mm + reach
    ways = [(max(low - fillet_mm, holding.chuck_stub.from_x_mm + reach), low)]
    if holding.tail_stub is not None:
        ways.append((high, min(high + fillet_mm, holding.tail_stub.to_x_mm - reach)))
    return [(a, b) for a, b in ways if b >= a]


def corner_cutter(
    cutters: Mapping[str, Cutter],
    shapes: Mapping[str, CutterShape],
    standing: Standing,
    placed: Placement,
    holding: Holding,
    widest_mm: float,
) -> str | None:
    """Return the stoutest flat cutter, no wider than `widest_mm`, that comes down to a stub beside the part's end; None: none.

    `standing`: part, stubs and full bar, so that its shank and holder are kept off them, too.
    """
    flats = [name for name, cutter in cutters.items() if cutter.form is Form.FLAT and widest_mm + 1e-9 >= cutter.DC]
    stubs = [holding.chuck_stub, *([holding.tail_stub] if holding.tail_stub is not None else [])]
    for name in sorted(flats, key=lambda name: (-cutters[name].DC, -cutters[name].LU, name)):
        ways = corner_ways(shapes[name], placed, holding, 0.0)
        if len(ways) == len(stubs) and all(_comes_down(standing, shapes[name], way, stub) for way, stub in zip(ways, stubs)):
            return name
    return None


def _comes_down(standing: Standing, shape: CutterShape, way: tuple[float, float], stub: Stub) -> bool:
    at = way[0] if way[0] > stub.from_x_mm and stub.to_x_mm <= way[0] + 2.0 * shape.edge.radius_mm else way[1]
    turn = np.arange(ASKED_TURNS) * 360.0 / ASKED_TURNS
    low = lowest_tip(standing, shape, np.full(ASKED_TURNS, at), np.zeros(ASKED_TURNS), turn)
    return bool(low.max() <= stub.radius_mm + HELD_HIGH_MM)


def corners_said(name: str, fillet_mm: float) -> Decision:
    """Say which cutter turns out the corners at the ends, and why."""
    return Decision(
        "corners at the ends",
        name,
        f"round tips leave a fillet of up to {mm(fillet_mm)} where the part stands on its stubs; a flat cutter turns it out",
        ("leave them for the knife",),
    )
