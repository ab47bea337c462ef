"""How near a moving cutter comes to a cylinder about X, slowly and plainly: dense points on both, at many moments."""

from __future__ import annotations

import numpy as np


def clearance_plain(begin, end, pieces, cylinder, moments=41, around=121, levels=41):
    """Return the least distance of points of the cutter's skin from the cylinder, over moments of a straight move."""
    x1, x2, radius = cylinder
    angle = np.linspace(0.0, 2.0 * np.pi, around)
    best = np.inf
    for h1, h2, r1, r2 in pieces:
        share = np.linspace(0.0, 1.0, levels)
        h, r = h1 + share * (h2 - h1), r1 + share * (r2 - r1)
        rings = [(h[:, None], r[:, None] * np.ones_like(angle))]
        # bottom and top discs, and the axis
        for level, rim in ((h1, r1), (h2, r2)):
            rings.append((np.full((levels, 1), level), rim * share[:, None] * np.ones_like(angle)))
        for height, wide in rings:
            px, py, pz = wide * np.cos(angle), wide * np.sin(angle), height * np.ones_like(angle)
            for t in np.linspace(0.0, 1.0, moments):
                x, y, z = begin[:3] + t * (end[:3] - begin[:3])
                dx = np.maximum(0.0, np.maximum(x1 - (px + x), (px + x) - x2))
                dr = np.maximum(0.0, np.hypot(py + y, pz + z) - radius)
                best = min(best, float(np.hypot(dx, dr).min()))
    return best
