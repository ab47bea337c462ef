"""A cutter as every kernel sees it: an outline of lines and arcs turned about the spindle axis.

The outline runs from the axis at the tip (r = 0, h = 0) outwards and upwards; h never falls along it. Where the
outline steps outward at one height (a shank wider than the edge, the underside of a holder) two neighbouring
points share h; where it rises as a wall they share r.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Profile:
    """Outline of a solid of revolution about the tool axis, in mm from the tip.

    `r_mm`, `h_mm`: corners, shape (m + 1,). `centre_r_mm`, `centre_h_mm`: shape (m,), the centre of the arc that
    joins corner i to corner i + 1 (bulging away from the axis and downward, at most a quarter turn), or nan for a
    straight line. Arrays are read-only.
    """

    r_mm: Floats
    h_mm: Floats
    centre_r_mm: Floats
    centre_h_mm: Floats

    def __post_init__(self) -> None:
        """Refuse outlines that no kernel could follow: BadInput."""
        m = len(self.r_mm) - 1
        if m < 1 or len(self.h_mm) != m + 1 or len(self.centre_r_mm) != m or len(self.centre_h_mm) != m:
            raise BadInput("a profile needs at least one line or arc, and one centre (or nan) for each")
        if not (np.isfinite(self.r_mm).all() and np.isfinite(self.h_mm).all()):
            raise BadInput("a profile has a corner that is not a finite number")
        if (self.r_mm < 0).any() or (np.diff(self.h_mm) < -1e-12).any():
            raise BadInput("a profile must not cross the axis nor run downward")
        for array in (self.r_mm, self.h_mm, self.centre_r_mm, self.centre_h_mm):
            array.setflags(write=False)

    @property
    def radius_mm(self) -> float:
        """The largest radius of the outline."""
        return float(self.r_mm.max())

    @property
    def top_mm(self) -> float:
        """The height of the outline's end above the tip."""
        return float(self.h_mm[-1])


def outline(*corners: tuple[float, float] | tuple[float, float, float, float]) -> Profile:
    """Make a profile from corners (r, h); a corner (r, h, centre_r, centre_h) is reached by an arc about that centre.

    >>> ball = outline((0, 0), (3, 3, 0, 3), (3, 20))   # a 6 mm ball with a straight flank
    >>> ball.radius_mm, ball.top_mm
    (3.0, 20.0)
    """
    r = np.array([corner[0] for corner in corners], dtype=float)
    h = np.array([corner[1] for corner in corners], dtype=float)
    centres = np.array([corner[2:4] if len(corner) == 4 else (np.nan, np.nan) for corner in corners[1:]], dtype=float)
    return Profile(r, h, centres[:, 0].copy(), centres[:, 1].copy())


@dataclass(frozen=True)
class CutterShape:
    """All of a cutter that moves: `edge` cuts; `body` (neck, shank, holder, spindle nose, above the edge) must touch nothing.

    The body's outline begins where the edge's ends, not at the axis.
    """

    edge: Profile
    body: Profile
