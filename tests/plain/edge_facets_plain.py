"""Slow, obvious twin of the kernel that takes convex bodies off triangles."""

from __future__ import annotations

import numpy as np


def less_bodies_plain(triangles, planes, boxes):
    """Triangles (k, 3, 3) less convex bodies, planes (b, 5, 4): those not met in their order, then the pieces."""
    left = list(triangles)
    for body in planes:
        kept, pieces = [], []
        for triangle in left:
            found = without_plain(triangle, body)
            if found is None:
                kept.append(triangle)
            else:
                pieces += found
        left = kept + pieces
    return np.array(left).reshape(-1, 3, 3)


def without_plain(triangle, planes):
    """A triangle less a convex body, as triangles, cut plane by plane; None where the body does not meet it."""
    kept, inside = [], triangle
    for plane in planes:
        away = inside @ plane[:3] - plane[3]
        if (away < 0.0).all():
            continue
        outer = clipped_plain(inside, away)
        kept += [np.stack([outer[0], outer[k], outer[k + 1]]) for k in range(1, len(outer) - 1)]
        inside = clipped_plain(inside, -away)
        if len(inside) < 3:
            return None
    return kept


def clipped_plain(polygon, away):
    """The part of a convex polygon (n, 3) where `away` (n,) is not negative (Sutherland and Hodgman 1974, one plane)."""
    out = []
    for k in range(len(polygon)):
        a, b, da, db = polygon[k - 1], polygon[k], away[k - 1], away[k]
        if (da >= 0.0) != (db >= 0.0):
            out.append(a + da / (da - db) * (b - a))
        if db >= 0.0:
            out.append(b)
    return np.array(out).reshape(-1, 3)
