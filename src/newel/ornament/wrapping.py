"""Wrapping: where a point of the drawing lies on the part, and the part with the ornament taken out of it or put on.

A point (u, v) of the drawing goes to X and to the turn that brings it under the spindle: read from outside with the chuck at
the left it stands upright. By `radius` the map is X = u, turn = v / R: every length is true on a cylinder of that radius. By
the `surface` lengths are true along the two lines through the ornament's middle, the meridian and the girth of the part.
"""

from __future__ import annotations

from dataclasses import dataclass

import manifold3d
import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput, Infeasible
from newel.core.profile import outline
from newel.geometry.drop import DropTree, drop, drop_tree
from newel.geometry.meshes import Mesh
from newel.ornament.patches import Patch

Floats = NDArray[np.float64]

NEEDLE = outline((0.0, 0.0), (1e-6, 0.0), (1e-6, 1.0))  # a cutter without width: it finds the surface itself
PROUD_MM = 0.5  # how far a body to be taken away begins outside the surface, and one to be added inside
LEAST_LEFT_MM = 0.2  # an ornament must not be cut through to the rotary axis
_STATIONS = 2001


@dataclass(frozen=True)
class Wrap:
    """A map from the drawing to the part: tables of u against X and v against turn; see the module's head."""

    u_mm: Floats
    x_mm: Floats
    v_mm: Floats
    turn_deg: Floats

    def at(self, uv: Floats) -> tuple[Floats, Floats]:
        """Return X (n,) and turn (n,) of points (n, 2)."""
        return np.interp(uv[:, 0], self.u_mm, self.x_mm), np.interp(uv[:, 1], self.v_mm, self.turn_deg)


def wrapped_by_radius(middle_x_mm: float, turn_deg: float, radius_mm: float, half_mm: tuple[float, float]) -> Wrap:
    """Wrap at a chosen radius. `half_mm`: half the drawing's width and height."""
    u, v = (np.array([-1.0, 1.0]) * half for half in half_mm)
    return Wrap(u, middle_x_mm + u, v, turn_deg + np.degrees(v / radius_mm))


def wrapped_by_surface(part: DropTree, middle_x_mm: float, turn_deg: float, half_mm: tuple[float, float]) -> Wrap:
    """Wrap with true lengths along the part's meridian and girth through the ornament's middle."""
    x = middle_x_mm + np.linspace(-1.0, 1.0, _STATIONS) * half_mm[0]
    r = surface_radius(part, x, np.full_like(x, turn_deg))
    along = _grown(np.hypot(np.diff(x), np.diff(r)))
    radius = float(surface_radius(part, np.array([middle_x_mm]), np.array([turn_deg]))[0])
    turn = turn_deg + np.linspace(-1.0, 1.0, _STATIONS) * min(180.0, 1.5 * np.degrees(half_mm[1] / radius))
    r = surface_radius(part, np.full_like(turn, middle_x_mm), turn)
    mean = (r[1:] + r[:-1]) / 2.0
    around = _grown(np.hypot(np.diff(r), mean * np.radians(np.diff(turn))))
    return Wrap(along, x, around, turn)


def _grown(steps: Floats) -> Floats:
    """Return lengths from the middle station, negative before it."""
    whole = np.concatenate([[0.0], np.cumsum(steps)])
    return whole - whole[len(whole) // 2]


def surface_radius(part: DropTree, x_mm: Floats, turn_deg: Floats) -> Floats:
    """Return how far the surface stands from the rotary axis at places (n,) under the spindle. Infeasible: off the part."""
    r = drop(part, NEEDLE, x_mm, 0.0, turn_deg)
    if not (r > LEAST_LEFT_MM).all():
        raise Infeasible("the ornament reaches off the part", remedy="make it smaller, or move it")
    return r


def on_part(part: DropTree, wrap: Wrap, uv: Floats, below_mm: Floats) -> Floats:
    """Return points of the drawing as points (n, 3) of the bar frame, `below_mm` (n,) under the surface."""
    x, turn = wrap.at(uv)
    return _at(x, turn, surface_radius(part, x, turn) - below_mm)


def _at(x: Floats, turn_deg: Floats, r: Floats) -> Floats:
    rad = np.radians(turn_deg)
    return np.column_stack([x, r * np.sin(rad), r * np.cos(rad)])


def with_ornament(part: Mesh, patch: Patch, wrap: Wrap, *, raised: bool) -> Mesh:
    """Return the part with a patch taken out of it, or put onto it where `raised`; bar frame."""
    tree = drop_tree(part.vertices, part.faces)
    x, turn = wrap.at(patch.uv)
    r = surface_radius(tree, x, turn)
    if raised:
        inner, outer = r - PROUD_MM, r + patch.depth_mm
    else:
        inner, outer = r - patch.depth_mm, r + PROUD_MM
    if inner.min() < LEAST_LEFT_MM:
        raise Infeasible(
            "the ornament would be cut through to the rotary axis",
            measured=float(patch.depth_mm.max()),
            limit=float(r.min() - LEAST_LEFT_MM),
            unit="mm",
            remedy="make it shallower",
        )
    below = turn if raised else _opened(turn, r, wrap, patch)
    body = _prism(_at(x, below, inner), _at(x, turn, outer), patch)
    whole = _solid(part.vertices, part.faces)
    made = whole + body if raised else whole - body
    if made.is_empty() or made.status() != manifold3d.Error.NoError:
        raise BadInput("the ornament and the part could not be united", remedy="move the ornament a little")
    mesh = made.to_mesh64()
    return Mesh(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts).astype(np.int32))


def _opened(turn_deg: Floats, r: Floats, wrap: Wrap, patch: Patch) -> Floats:
    """Return turns of the inner skin at which a V's walls keep their distance from its tip, as deep as they lie.

    Rays from the rotary axis come together inward, the flanks of a V cutter do not: left on its ray, a wall would stand
    in the cutter's way.
    """
    if patch.tip_v_mm is None:
        return turn_deg
    tip = np.interp(patch.tip_v_mm, wrap.v_mm, wrap.turn_deg)
    return tip + (turn_deg - tip) * r / (r - patch.depth_mm)


def _prism(inner: Floats, outer: Floats, patch: Patch) -> manifold3d.Manifold:
    """Close a patch between an inner and an outer skin."""
    n = len(inner)
    faces = patch.faces
    half = np.vstack([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    there = {(int(a), int(b)) for a, b in half}
    rim = np.array([(a, b) for a, b in half.tolist() if (b, a) not in there], dtype=np.int64)
    a, b = rim[:, 0], rim[:, 1]
    walls = np.vstack([np.column_stack([a, b, b + n]), np.column_stack([a, b + n, a + n])])
    every = np.vstack([faces[:, ::-1], faces + n, walls])
    solid = _solid(np.vstack([inner, outer]), every)
    if solid.volume() < 0.0:
        solid = _solid(np.vstack([inner, outer]), every[:, ::-1])
    return solid


def _solid(vertices: Floats, faces: NDArray[np.integer]) -> manifold3d.Manifold:
    solid = manifold3d.Manifold(manifold3d.Mesh64(np.array(vertices, dtype=np.float64), np.array(faces, dtype=np.uint64)))
    if solid.status() != manifold3d.Error.NoError:
        raise BadInput(f"the ornament is not a sound solid ({solid.status().name})", remedy="simplify the drawing")
    return solid
