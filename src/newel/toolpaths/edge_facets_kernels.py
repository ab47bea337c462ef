"""Kernels of the part without its bevels' wedges: triangles less convex bodies.

Corners are copied number by number: whole rows at once took several times as long to compile.
"""

from __future__ import annotations

import numpy as np
from numba import njit

_MOST_CORNERS = 8  # a triangle gains at most one corner by each of five planes
_MOST_PIECES = 32  # of one triangle: at most 2 + 3 + 4 + 5 + 6


@njit(cache=True, error_model="numpy")
def less_bodies(triangles, planes, boxes):
    """Return triangles (k, 3, 3) less convex bodies: all that there were, then their pieces; and which of them stand (k,).

    A body's inside is normal . x < offset for all of its `planes` (b, 5, 4); it lies within its box of `boxes` (b, 2, 3).
    """
    count = len(triangles)
    held, boxed, stands = _with_room(triangles, np.ones(count, np.bool_), count)
    polygons, away = np.empty((3, _MOST_CORNERS, 3)), np.empty(_MOST_CORNERS)
    for body in range(len(planes)):
        before = count
        for k in range(before):
            if not stands[k] or not _near(boxed, k, boxes, body) or _beside(held, k, planes, body):
                continue
            if count + _MOST_PIECES > len(held):
                held, boxed, stands = _with_room(held, stands, count)
            made = _pieces(held, k, count, planes, body, polygons, away)
            if made >= 0:
                stands[k] = False
                _box(held, count, count + made, boxed)
                count += made
    return held[:count], stands[:count]


@njit(cache=True, error_model="numpy")
def _with_room(triangles, stands, count):
    """Return triangles with room for as many again and more, their boxes, and which of them stand."""
    room = 2 * count + _MOST_PIECES
    held, boxed, still = np.empty((room, 3, 3)), np.empty((room, 2, 3)), np.ones(room, np.bool_)
    for k in range(count):
        still[k] = stands[k]
        for corner in range(3):
            for axis in range(3):
                held[k, corner, axis] = triangles[k, corner, axis]
    _box(held, np.int64(0), count, boxed)  # typed, not a plain number: numba compiles once more for one
    return held, boxed, still


@njit(cache=True, error_model="numpy")
def _box(held, first, last, boxed):
    """Write the boxes of some triangles: least and largest coordinates."""
    for k in range(first, last):
        for axis in range(3):
            a, b, c = held[k, 0, axis], held[k, 1, axis], held[k, 2, axis]
            boxed[k, 0, axis] = min(a, min(b, c))
            boxed[k, 1, axis] = max(a, max(b, c))


@njit(cache=True, error_model="numpy")
def _near(boxed, k, boxes, body):
    """Tell whether a triangle's box meets the body's."""
    near = True
    for axis in range(3):
        near = near and boxed[k, 0, axis] <= boxes[body, 1, axis] and boxed[k, 1, axis] >= boxes[body, 0, axis]
    return near


@njit(cache=True, error_model="numpy")
def _beside(held, k, planes, body):
    """Tell whether a triangle lies beyond one of the body's planes."""
    for p in range(planes.shape[1]):
        beyond = True
        for corner in range(3):
            beyond = beyond and _beyond(held[k], corner, planes[body], p) >= 0.0
        if beyond:
            return True
    return False


@njit(cache=True, error_model="numpy")
def _beyond(polygon, corner, planes, p):
    """Return how far a polygon's corner lies beyond a plane."""
    dot = polygon[corner, 0] * planes[p, 0] + polygon[corner, 1] * planes[p, 1] + polygon[corner, 2] * planes[p, 2]
    return dot - planes[p, 3]


@njit(cache=True, error_model="numpy")
def _pieces(held, k, at, planes, body, polygons, away):
    """Write a triangle less a body, cut plane by plane, from `at` on; return how many pieces, -1 where the body misses it."""
    inside, other, outer = polygons[0], polygons[1], polygons[2]
    made, corners = 0, 3
    for corner in range(corners):
        for axis in range(3):
            inside[corner, axis] = held[k, corner, axis]
    for p in range(planes.shape[1]):
        all_inside = True
        for corner in range(corners):
            away[corner] = _beyond(inside, corner, planes[body], p)
            all_inside = all_inside and away[corner] < 0.0
        if all_inside:
            continue
        cut_off = _clipped(inside, away, corners, outer)
        for corner in range(1, cut_off - 1):
            for axis in range(3):
                held[at + made, 0, axis] = outer[0, axis]
                held[at + made, 1, axis] = outer[corner, axis]
                held[at + made, 2, axis] = outer[corner + 1, axis]
            made += 1
        for corner in range(corners):
            away[corner] = -away[corner]
        corners = _clipped(inside, away, corners, other)
        inside, other = other, inside
        if corners < 3:
            return -1
    return made


@njit(cache=True, error_model="numpy")
def _clipped(polygon, away, corners, into):
    """Write the part of a convex polygon where `away` is not negative (Sutherland and Hodgman 1974, one plane).

    Returns how many corners it has.
    """
    count = 0
    before = corners - 1
    for k in range(corners):
        da, db = away[before], away[k]
        if (da >= 0.0) != (db >= 0.0):
            share = da / (da - db)
            for axis in range(3):
                into[count, axis] = polygon[before, axis] + share * (polygon[k, axis] - polygon[before, axis])
            count += 1
        if db >= 0.0:
            for axis in range(3):
                into[count, axis] = polygon[k, axis]
            count += 1
        before = k
    return count
