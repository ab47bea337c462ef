"""What of the part's surface can be reached, place by place, as plain data that planning finds and reports draw."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class ReachMap:
    """Places spread evenly over the part's surface, in the bar frame: `points` in mm, outward unit `normals`, (n, 3) each.

    `reached_by` (n,): which side of the plan reaches a place, -1 for none. `why` (n,): 0 where it is reached, else the
    number of the reason in `reasons` (plain words; reasons[0] is said of what is reached).
    """

    points: Floats
    normals: Floats
    reached_by: Ints
    why: Ints
    reasons: tuple[str, ...]

    def shares(self) -> Floats:
        """Return the share of the surface that falls under each reason, 0..1."""
        return np.bincount(self.why, minlength=len(self.reasons)) / max(len(self.why), 1)
