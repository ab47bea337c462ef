"""How low the tip may go at a place of the development: the question under every pass.

The edge may touch the target (kept off by the cut's allowance); the body may touch nothing: not the target, not the jaws,
the chuck, the centre or the tailstock.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from newel.core.plan import Cut
from newel.core.profile import CutterShape, Profile, outline
from newel.core.setup import KeepOut
from newel.geometry.drop import DropTree, drop
from newel.geometry.profiles import grown
from newel.toolpaths.spacing import Underside, underside

Floats = NDArray[np.float64]

BODY_CLEARANCE_MM = 0.1  # common practice: a shank that is planned to run this close to the part still runs free
_KEEP_OUT_STEP_MM = 0.1
_PLATE_MM = 1e5
_PLATE_TURN_DEG = 5.0


@dataclass(frozen=True)
class Ground:
    """All that bounds the tip from below: target, keep-outs, and a floor where there is nothing to touch.

    `body_from_mm`: a tip at or above this height cannot bring the body down to the target.
    `keep_x_mm`, `keep_z_mm`: lowest tip over the keep-outs against X.
    """

    target: DropTree
    edge: Profile
    allowance_mm: float
    body: Profile
    body_from_mm: float
    keep_x_mm: Floats
    keep_z_mm: Floats
    offset_y_mm: float
    floor_mm: float
    body_clearance_mm: float = BODY_CLEARANCE_MM

    def lowest(self, x_mm: Floats, turn_deg: Floats, over_mm: Floats | None = None) -> Floats:
        """Return the lowest tip height for places of any one shape, in mm in the table frame; none lower than `over_mm`."""
        x, turn = np.broadcast_arrays(np.asarray(x_mm, dtype=float), np.asarray(turn_deg, dtype=float))
        shape = x.shape
        x, turn = np.ascontiguousarray(x).ravel(), np.ascontiguousarray(turn).ravel()
        y = np.full_like(x, self.offset_y_mm)
        least = np.full_like(x, self.floor_mm) if over_mm is None else np.maximum(np.ravel(over_mm), self.floor_mm)
        z = np.maximum(least, drop(self.target, self.edge, x, y, turn, least - self.allowance_mm) + self.allowance_mm)
        low = np.flatnonzero(z < self.body_from_mm)
        if low.size:
            clear = self.body_clearance_mm
            held = drop(self.target, self.body, x[low], y[low], turn[low], z[low] - clear)
            z[low] = np.maximum(z[low], held + clear)  # a grown outline is told from a tip so much lower
        z = np.maximum(z, np.interp(x, self.keep_x_mm, self.keep_z_mm))
        return z.reshape(shape)


def ground_for(
    cut: Cut,
    shape: CutterShape,
    target: DropTree,
    keep_out: tuple[KeepOut, ...],
    clearance_mm: float,
    floor_mm: float,
    body_clearance_mm: float = BODY_CLEARANCE_MM,
) -> Ground:
    """Make the ground that a cut stands on: the edge kept off the target by the allowance, the body by its clearance."""
    body = grown(shape.body, body_clearance_mm)
    edge = grown(shape.edge, cut.allowance_mm) if cut.allowance_mm > 0.0 else shape.edge
    keep_x, keep_z = keep_out_heights(cut, shape, keep_out, clearance_mm)
    highest = target_radius(target)
    return Ground(
        target=target,
        edge=edge,
        allowance_mm=cut.allowance_mm,
        body=body,
        body_from_mm=highest - float(body.h_mm[0]) + 2.0 * body_clearance_mm,
        keep_x_mm=keep_x,
        keep_z_mm=keep_z,
        offset_y_mm=cut.offset_y_mm,
        floor_mm=floor_mm,
        body_clearance_mm=body_clearance_mm,
    )


def clear_of(ground: Ground, shape: CutterShape, standing: tuple[KeepOut, ...]) -> Ground:
    """Return the ground with more round things that the cutter's body, not its edge, must stand clear of."""
    below = underside(shape.body)
    z = ground.keep_z_mm.copy()
    for thing in standing:
        z = np.maximum(z, heights_over(thing, below, ground.keep_x_mm, ground.offset_y_mm, BODY_CLEARANCE_MM))
    return replace(ground, keep_z_mm=z)


def target_radius(target: DropTree) -> float:
    """Return a radius about the rotary axis that holds the whole target, in mm (never less, at most 0.1 % more).

    A plate wider than any part is let down on the target at every few degrees of turn.
    """
    plate = outline((0.0, 0.0), (_PLATE_MM, 0.0), (_PLATE_MM, 1.0))
    turn = np.arange(0.0, 360.0, _PLATE_TURN_DEG)
    top = float(drop(target, plate, 0.0, 0.0, turn, floor_mm=0.0).max())
    # a point half a step off the top stands lower by the cosine
    return top / float(np.cos(np.radians(0.5 * _PLATE_TURN_DEG)))


def keep_out_heights(cut: Cut, shape: CutterShape, keep_out: tuple[KeepOut, ...], clearance_mm: float) -> tuple[Floats, Floats]:
    """Return a table (x, z): how low the tip may go so that neither edge nor body comes near a keep-out, in mm.

    A disc of radius r at height h over the tip stands clear of a cylinder of radius R about the rotary axis where
    z + h >= sqrt(R^2 - d^2), d being the disc's nearest distance from the axis across (plane geometry).
    """
    count = max(2, int(np.ceil((cut.to_x_mm - cut.from_x_mm) / _KEEP_OUT_STEP_MM)) + 1)
    x = np.linspace(cut.from_x_mm, cut.to_x_mm, count)
    z = np.full(count, -np.inf)
    for profile in (shape.edge, shape.body):
        below = underside(profile)
        for thing in keep_out:
            z = np.maximum(z, heights_over(thing, below, x, cut.offset_y_mm, clearance_mm))
    # between two places of the table the higher one counts
    z = np.maximum(z, np.maximum(np.append(z[:1], z[:-1]), np.append(z[1:], z[-1:])))
    return x, np.where(np.isfinite(z), z, -1e6)


def heights_over(thing: KeepOut, below: Underside, x: Floats, offset_y_mm: float, clearance_mm: float) -> Floats:
    """Return the lowest tip over one keep-out for each X, -inf where the cutter is beside it."""
    away = np.maximum(0.0, np.maximum(thing.from_x_mm - x, x - thing.to_x_mm))[:, None]
    r = below.r_mm[None, :] + clearance_mm
    chord = np.sqrt(np.maximum(r * r - away * away, 0.0))
    across = np.maximum(0.0, abs(offset_y_mm) - chord)
    radius = thing.radius_mm + clearance_mm
    over = np.sqrt(np.maximum(radius * radius - across * across, 0.0)) - below.h_mm[None, :]
    met = (away < r) & (across < radius)
    return np.where(met, over, -np.inf).max(axis=1)
