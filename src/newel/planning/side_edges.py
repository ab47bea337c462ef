"""Which sharp outside edges are bevelled, at which side, with which V cutter."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import Infeasible
from newel.core.plan import SharpEdge, Side
from newel.core.profile import outline
from newel.geometry.drop import drop
from newel.geometry.features import EdgeLine
from newel.planning.side_bench import SideBench
from newel.planning.sides import turned
from newel.shop.cutters import Form

Floats = NDArray[np.float64]

OFF_MM = 0.05  # how far off an edge one looks whether it is open from above
HIDDEN_SHARE = 0.5  # of an edge's points that may be hidden
SIDEWAYS = 0.05  # sine: how far the bisector of an edge may lean from the V cutter's own 45 degrees


def bevels(bench: SideBench, sides: Sequence[Side]) -> list[tuple[int, str, tuple[SharpEdge, ...]]]:
    """Return (side, cutter, edges) for every side that bevels; nothing where the job asks for no width."""
    width = bench.job.bevel.width_mm
    if width is None:
        return []
    name = bench.job.bevel.cutter or _v_cutter(bench, width)
    at: dict[int, list[SharpEdge]] = {}
    for edge in asked_edges(bench.features.edges, bench.job.bevel.least_turn_deg):
        k = _side_of(bench, edge, sides, bench.cutters[name].SIG or 90.0)
        if k is not None:
            at.setdefault(k, []).append(SharpEdge(edge.points, edge.one, edge.other, width))
    return [(k, name, tuple(edges)) for k, edges in sorted(at.items())]


def asked_edges(edges: Sequence[EdgeLine], least_turn_deg: float) -> list[EdgeLine]:
    """Return the outside edges whose faces turn by at least this much where they meet."""
    limit = np.cos(np.radians(least_turn_deg))
    return [edge for edge in edges if edge.outside and float(np.sum(edge.one * edge.other, axis=1).mean()) <= limit]


def _v_cutter(bench: SideBench, width_mm: float) -> str:
    names = [
        name for name in bench.named(Form.V)
        if abs((bench.cutters[name].SIG or 0.0) - 90.0) <= 1.0 and width_mm < 0.5 * bench.cutters[name].DC
    ]  # fmt: skip
    if not names:
        raise Infeasible(
            "no 90° V cutter is at hand for the bevels", where="[bevel]", remedy="add one to the shop, or leave bevels out"
        )
    return names[0]


def _side_of(bench: SideBench, edge: EdgeLine, sides: Sequence[Side], point_deg: float) -> int | None:
    """Return the side at which a V cutter's flank lies along the bevel all the way, the highest such edge; None: at no side."""
    best: tuple[float, int] | None = None
    middle = edge.one + edge.other
    middle = middle / np.linalg.norm(middle, axis=1)[:, None]
    lean = np.sin(np.radians(0.5 * point_deg))
    for k, side in enumerate(sides):
        up = turned(middle, side.turn_deg)[:, 2]
        if np.abs(up - lean).max() > SIDEWAYS:
            continue
        out = turned(edge.points + OFF_MM * middle, side.turn_deg)
        needle = outline((0.0, 0.0), (0.1 * OFF_MM, 0.0), (0.1 * OFF_MM, 1000.0))
        if (drop(bench.grounds.held, needle, out[:, 0], out[:, 1], side.turn_deg) > out[:, 2]).mean() > HIDDEN_SHARE:
            continue
        height = float(turned(edge.points, side.turn_deg)[:, 2].mean())
        if best is None or height > best[0] + 1e-6:
            best = (height, k)
    return None if best is None else best[1]
