"""The frames everything is measured in, and the one rotation between them.

Bar frame B: right-handed, X along the rotary axis, 0 at the jaw face, growing toward the tailstock; Y and Z
turn with the bar. Table frame T: the same origin and X, not turning; Z toward the spindle. A point of the bar
stands in T at Rx(theta), where theta = sense * A; the *turn* theta is what kernels and planners use, A is what
a program says. Transforms are named target_from_source, so that neighbours cancel when they are composed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Transform:
    """A rigid (or scaled) motion of points from frame `source` into frame `target`; matrix is (4, 4)."""

    target: str
    source: str
    matrix: Floats

    def apply(self, points: Floats) -> Floats:
        """Carry points of shape (n, 3), in mm, from the source into the target frame."""
        return points @ self.matrix[:3, :3].T + self.matrix[:3, 3]

    def after(self, first: Transform) -> Transform:
        """Return this transform applied after `first`; raise BadInput where the frames do not meet."""
        if first.target != self.source:
            raise BadInput(f"frames do not meet: {self.target} from {self.source} after {first.target} from {first.source}")
        return Transform(self.target, first.source, np.asarray(self.matrix @ first.matrix, dtype=np.float64))

    def inverse(self) -> Transform:
        """Return the way back."""
        return Transform(self.source, self.target, np.asarray(np.linalg.inv(self.matrix), dtype=np.float64))


def turn_about_x(turn_deg: float) -> Floats:
    """Return the (3, 3) right-handed rotation about +X (+Y goes to +Z) by `turn_deg` degrees."""
    t = np.radians(turn_deg)
    c, s = np.cos(t), np.sin(t)
    return np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]], dtype=np.float64)


def table_from_bar(turn_deg: float) -> Transform:
    """Return where the bar's points stand on the table when the bar is turned by theta = sense * A."""
    matrix: Floats = np.eye(4)
    matrix[:3, :3] = turn_about_x(turn_deg)
    return Transform("table", "bar", matrix)
