"""Ornaments asked for in a job, put on its part: the part as it shall be, and the lines that a pointed cutter follows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from newel.core.errors import BadInput, NewelError
from newel.core.job import OrnamentAsk, OrnamentKind, WrapBy
from newel.geometry.drop import DropTree, drop_tree
from newel.geometry.meshes import Mesh, mesh_bounds
from newel.ornament.drawing import Drawing, fitted
from newel.ornament.dxf_drawing import read_dxf
from newel.ornament.grey_picture import read_grey
from newel.ornament.lettering import lettered
from newel.ornament.medial import medial_axis
from newel.ornament.patches import EDGE_STEP_MM, Patch, drawn, relief
from newel.ornament.svg_drawing import read_svg
from newel.ornament.wrapping import Wrap, on_part, surface_radius, with_ornament, wrapped_by_radius, wrapped_by_surface

Floats = NDArray[np.float64]

LINED = (OrnamentKind.ENGRAVE, OrnamentKind.CARVE)
_FLAT_STEP = 0.6  # of the tip's flat between the rings that clear a stroke's flat bottom
_LEAST_STEP_MM = 0.08
_AFTER_MM = 1.0  # what a wrap reaches over the drawing's own edge


@dataclass(frozen=True)
class Pointed:
    """The V cutter that carves lines and strokes: half its point angle, and the flat of its tip."""

    half_angle_deg: float
    tip_flat_mm: float


@dataclass(frozen=True)
class Ornamented:
    """A part with its ornaments, bar frame; `lines`: for each ornament asked for, what a pointed cutter follows (n, 3)."""

    part: Mesh
    lines: tuple[tuple[Floats, ...], ...]


def ornamented(part: Mesh, asked: Sequence[OrnamentAsk], files: Mapping[str, bytes], pointed: Sequence[Pointed]) -> Ornamented:
    """Put ornaments on a part that lies in its bar, one after the other; each lies on what the ones before it left.

    `files`: the bytes of every file and font that is named; `pointed`: the V cutter for each. Raises BadInput or Infeasible,
    naming the ornament.
    """
    lines: list[tuple[Floats, ...]] = []
    for number, (ask, cutter) in enumerate(zip(asked, pointed, strict=True), start=1):
        try:
            part, some = _put_on(part, ask, files, cutter, f"[[ornament]] {number}")
        except NewelError as error:
            error.where = error.where or f"[[ornament]] {number}"
            raise
        lines.append(some)
    return Ornamented(part, tuple(lines))


def _put_on(
    part: Mesh, ask: OrnamentAsk, files: Mapping[str, bytes], cutter: Pointed, where: str
) -> tuple[Mesh, tuple[Floats, ...]]:
    tree = drop_tree(part.vertices, part.faces)
    from_x = float(mesh_bounds(part)[0, 0])
    if ask.kind is OrnamentKind.RELIEF:
        if ask.file is None or ask.width_mm is None:
            raise BadInput("a relief needs a picture's file and a width_mm", where=where)
        patch, half = _relief(files[ask.file], ask, where)
        return with_ornament(part, patch, _wrap(tree, ask, from_x, half), raised=False), ()
    drawing = fitted(
        _drawing(ask, files, where),
        width_mm=ask.width_mm,
        height_mm=ask.height_mm if ask.text is None else None,
        turn_deg=ask.turn_deg,
        mirrored=ask.mirrored,
    )
    reach = ask.depth_mm * np.tan(np.radians(cutter.half_angle_deg)) + cutter.tip_flat_mm + _AFTER_MM
    u0, v0, u1, v1 = drawing.bounds
    wrap = _wrap(tree, ask, from_x, ((u1 - u0) / 2.0 + reach, (v1 - v0) / 2.0 + reach))
    patch = drawn(drawing, ask.kind.value, ask.depth_mm, cutter.half_angle_deg, cutter.tip_flat_mm, where)
    lines = tuple(on_part(tree, wrap, line, np.zeros(len(line))) for line in tip_lines(drawing, ask, cutter))
    return with_ornament(part, patch, wrap, raised=ask.kind is OrnamentKind.RAISED), lines


def _drawing(ask: OrnamentAsk, files: Mapping[str, bytes], where: str) -> Drawing:
    if (ask.text is None) == (ask.file is None):
        raise BadInput("an ornament is either a text or a file", where=where, remedy="write text or file, not both")
    if ask.text is not None:
        if ask.height_mm is None:
            raise BadInput("a text needs the height of its capitals", where=where, remedy="write height_mm")
        return lettered(ask.text, files[ask.font or ""], ask.height_mm, where)
    assert ask.file is not None
    ending = ask.file.lower().rpartition(".")[2]
    if ending == "svg":
        return read_svg(files[ask.file], where)
    if ending == "dxf":
        return read_dxf(files[ask.file], 1.0, where)
    raise BadInput(f"a drawing ending in {ending!r} cannot be read", where=where, remedy="save it as SVG or DXF")


def _relief(data: bytes, ask: OrnamentAsk, where: str) -> tuple[Patch, tuple[float, float]]:
    assert ask.width_mm is not None
    patch = relief(read_grey(data, where), ask.width_mm, ask.depth_mm)
    rad = np.radians(ask.turn_deg)
    turn = np.array([[np.cos(rad), -np.sin(rad)], [np.sin(rad), np.cos(rad)]]) @ np.diag([1.0, -1.0 if ask.mirrored else 1.0])
    faces = patch.faces[:, ::-1] if ask.mirrored else patch.faces
    uv = patch.uv @ turn.T
    half = np.abs(uv).max(axis=0) + _AFTER_MM
    return Patch(uv, faces, patch.depth_mm), (float(half[0]), float(half[1]))


def _wrap(tree: DropTree, ask: OrnamentAsk, from_x: float, half_mm: tuple[float, float]) -> Wrap:
    x = from_x + ask.at_x_mm
    if ask.wrap is WrapBy.SURFACE:
        return wrapped_by_surface(tree, x, ask.at_turn_deg, half_mm)
    radius = ask.radius_mm or float(surface_radius(tree, np.array([x]), np.array([ask.at_turn_deg]))[0])
    return wrapped_by_radius(x, ask.at_turn_deg, radius, half_mm)


def tip_lines(drawing: Drawing, ask: OrnamentAsk, cutter: Pointed) -> list[Floats]:
    """Return what the tip of a pointed cutter follows, in the drawing's plane: lines, or strokes' axes and flat bottoms."""
    if ask.kind not in LINED:
        return []
    if ask.kind is OrnamentKind.ENGRAVE:
        rings = [np.asarray(ring.coords) for part in drawing.area.geoms for ring in (part.exterior, *part.interiors)]
        return [*drawing.lines, *rings]
    reach = ask.depth_mm * np.tan(np.radians(cutter.half_angle_deg)) + cutter.tip_flat_mm / 2.0
    lines = []
    for branch in medial_axis(drawing.area, EDGE_STEP_MM / 2.0):
        # where the stroke is wider than the tip may go deep, rings take over
        narrow = branch.radius_mm <= reach * 1.02
        lines += [run for run in _runs(branch.points, narrow) if len(run) > 1]
    step = max(_LEAST_STEP_MM, _FLAT_STEP * cutter.tip_flat_mm)
    inset = reach
    while not (inner := drawing.area.buffer(-inset)).is_empty:
        lines += [np.asarray(ring.coords) for ring in shapely.get_parts(inner.boundary)]
        inset += step
    return lines


def _runs(points: Floats, keep: NDArray[np.bool_]) -> list[Floats]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], keep, [False]]).astype(np.int8)))
    return [points[a:b] for a, b in edges.reshape(-1, 2)]
