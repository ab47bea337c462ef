"""What is asked of a part beyond its model's shape: threads in its plain holes, and surfaces with a tolerance of their own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class ThreadedHole:
    """A plain hole of the model that shall carry a right-hand ISO metric thread.

    Its axis runs through `point` (3,) along unit `axis` (3,), from `from_mm` to `to_mm` along it. `bore_mm`: the diameter that
    the model shows; `nominal_mm` and `pitch_mm` of the thread.
    """

    point: Floats
    axis: Floats
    from_mm: float
    to_mm: float
    bore_mm: float
    nominal_mm: float
    pitch_mm: float


@dataclass(frozen=True)
class NamedFace:
    """One face that a model names: a plane (`radius_mm` None) or a cylinder through `point` (3,), in the model's frame.

    `axis` (3,) is the plane's outward normal or the cylinder's axis. `low`, `high` (3,): the box about its triangles.
    """

    point: Floats
    axis: Floats
    radius_mm: float | None
    low: Floats
    high: Floats


@dataclass(frozen=True)
class SurfaceGroup:
    """Surfaces with a tolerance or an allowance of their own: what is None asks nothing.

    Those cut at a clamped turn (the set-up's frame), between two heights over the axis there, on faces of one name (`faces`;
    None: on any). `name` is for people.
    """

    name: str
    turn_deg: float | None
    from_z_mm: float | None
    to_z_mm: float | None
    faces: tuple[NamedFace, ...] | None
    tolerance_mm: float | None
    allowance_mm: float | None
