"""What a part's surface is made of, as far as machining asks: flat faces, round holes and bosses, sharp edges.

Plain data in the model's frame (mm), whether read from a file that names its faces or found on a mesh.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class FlatFace:
    """A flat piece of the surface: outward unit `normal` (3,), n . p = `offset_mm`; `faces` (k,) are its triangles."""

    normal: Floats
    offset_mm: float
    area_mm2: float
    faces: Ints
    name: str = ""


@dataclass(frozen=True)
class RoundFace:
    """A cylindrical piece of the surface: a bore or a boss.

    Its axis runs through `point` (3,) along unit `axis` (3,), from `from_mm` to `to_mm` along it. `hollow`: material lies
    outside (a bore). `around_deg`: how much of the turn is there (360: a whole one).
    """

    point: Floats
    axis: Floats
    radius_mm: float
    from_mm: float
    to_mm: float
    hollow: bool
    around_deg: float
    faces: Ints
    name: str = ""


@dataclass(frozen=True)
class EdgeLine:
    """A sharp edge of the surface: a polyline `points` (n, 3), closed where first = last.

    `one`, `other` (n, 3): outward unit normals of the faces that meet there. `outside`: material fills less than half the
    turn about the edge (an outside edge, that can be bevelled); else an inside corner.
    """

    points: Floats
    one: Floats
    other: Floats
    outside: bool


@dataclass(frozen=True)
class Features:
    """All that was found on one part."""

    flats: tuple[FlatFace, ...] = ()
    rounds: tuple[RoundFace, ...] = ()
    edges: tuple[EdgeLine, ...] = ()


def moved(features: Features, matrix: Floats) -> Features:
    """Return the features taken along by a rigid motion with one scale: `matrix` (4, 4)."""
    scale = float(np.cbrt(np.linalg.det(matrix[:3, :3])))
    turn = matrix[:3, :3] / scale

    def at(points: Floats) -> Floats:
        return points @ matrix[:3, :3].T + matrix[:3, 3]

    flats = tuple(
        replace(
            f,
            normal=turn @ f.normal,
            offset_mm=float((turn @ f.normal) @ at(f.offset_mm * f.normal)),
            area_mm2=f.area_mm2 * scale**2,
        )
        for f in features.flats
    )
    rounds = tuple(
        replace(
            r,
            point=at(r.point),
            axis=turn @ r.axis,
            radius_mm=r.radius_mm * scale,
            from_mm=r.from_mm * scale,
            to_mm=r.to_mm * scale,
        )
        for r in features.rounds
    )
    edges = tuple(replace(e, points=at(e.points), one=e.one @ turn.T, other=e.other @ turn.T) for e in features.edges)
    return Features(flats, rounds, edges)
