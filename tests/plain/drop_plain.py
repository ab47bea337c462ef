"""The slow, obvious drop: search every triangle for its largest z - H(rho), knowing nothing of contact forms.

A cutter is told here by formulas of its own, not by its outline: pieces (H, R), each convex on [0, R], the underside
being the lowest of them. On a triangle z - H(rho) is then concave, and two nested golden-section searches close in on
the largest value wherever it stands, on facet, edge or vertex. Beyond R a piece carries on as a wall of slope 1e6.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from newel.core.profile import Profile, outline

WALL = 1e6
GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0
STEPS = 54  # 0.618**54 = 5e-12 of a side: 3e-5 mm on a wall of slope 1e6, nothing anywhere else


@dataclass(frozen=True)
class PlainCutter:
    """A cutter as an outline (what is tested) and as formulas (what tests it)."""

    name: str
    profile: Profile
    pieces: tuple[tuple[Callable[[np.ndarray], np.ndarray], float], ...]


def flat(radius):
    return PlainCutter("flat", outline((0, 0), (radius, 0), (radius, 40)), ((lambda r: 0.0 * r, radius),))


def ball(radius):
    def height(r):
        return radius - np.sqrt(np.maximum(radius**2 - r**2, 0.0))

    return PlainCutter("ball", outline((0, 0), (radius, radius, 0, radius), (radius, 40)), ((height, radius),))


def bull_nose(radius, corner):
    inner = radius - corner

    def height(r):
        return np.where(r <= inner, 0.0, corner - np.sqrt(np.maximum(corner**2 - (r - inner) ** 2, 0.0)))

    profile = outline((0, 0), (inner, 0), (radius, corner, inner, corner), (radius, 40))
    return PlainCutter("bull nose", profile, ((height, radius),))


def tapered_ball(tip, half_angle_deg, radius):
    a = math.radians(half_angle_deg)
    joint_r, joint_h = tip * math.cos(a), tip * (1.0 - math.sin(a))
    top = joint_h + (radius - joint_r) / math.tan(a)

    def height(r):
        return np.where(r <= joint_r, tip - np.sqrt(np.maximum(tip**2 - r**2, 0.0)), joint_h + (r - joint_r) / math.tan(a))

    profile = outline((0, 0), (joint_r, joint_h, 0, tip), (radius, top), (radius, top + 40))
    return PlainCutter("tapered ball", profile, ((height, radius),))


def round_shouldered(tip, half_angle_deg, radius, shoulder):
    """A tapered ball that ends in a rounded shoulder: three smooth stretches, the last all but upright from its start."""
    a = math.radians(half_angle_deg)
    joint_r, joint_h = tip * math.cos(a), tip * (1.0 - math.sin(a))
    centre_r = radius - shoulder
    end_r = centre_r + shoulder * math.cos(a)
    end_h = joint_h + (end_r - joint_r) / math.tan(a)
    centre_h = end_h + shoulder * math.sin(a)

    def height(r):
        ball = tip - np.sqrt(np.maximum(tip**2 - r**2, 0.0))
        corner = centre_h - np.sqrt(np.maximum(shoulder**2 - (r - centre_r) ** 2, 0.0))
        return np.where(r <= joint_r, ball, np.where(r <= end_r, joint_h + (r - joint_r) / math.tan(a), corner))

    corners = (
        (0, 0),
        (joint_r, joint_h, 0, tip),
        (end_r, end_h),
        (radius, centre_h, centre_r, centre_h),
        (radius, centre_h + 40),
    )
    return PlainCutter("round shoulder", outline(*corners), ((height, radius),))


def v_cutter(radius, point_angle_deg, tip_flat_radius=0.0):
    slope = 1.0 / math.tan(math.radians(point_angle_deg / 2.0))
    top = (radius - tip_flat_radius) * slope
    corners = [(0, 0), (radius, top), (radius, top + 40)]
    if tip_flat_radius > 0.0:
        corners.insert(1, (tip_flat_radius, 0))
    name = "V with tip flat" if tip_flat_radius else "V"
    return PlainCutter(name, outline(*corners), ((lambda r: np.maximum(r - tip_flat_radius, 0.0) * slope, radius),))


def in_holder():
    """A 3 mm ball with 4 mm of edge, a cone out to a 6 mm shank, a chamfered nut and a nose."""

    def tip(r):
        return 1.5 - np.sqrt(np.maximum(1.5**2 - r**2, 0.0))

    profile = outline((0, 0), (1.5, 1.5, 0, 1.5), (1.5, 4), (3, 7), (3, 10), (6, 10), (7, 11), (7, 16), (12, 16), (12, 90))
    pieces = (
        (tip, 1.5),
        (lambda r: np.maximum(4.0 + (r - 1.5) * 2.0, 4.0), 3.0),
        (lambda r: np.maximum(10.0 + (r - 6.0), 10.0), 7.0),
        (lambda r: 16.0 + 0.0 * r, 12.0),
    )
    return PlainCutter("stepped body with holder", profile, pieces)


def all_cutters():
    return (
        flat(3.0),
        ball(1.5),
        bull_nose(3.0, 1.0),
        tapered_ball(0.5, 5.0, 1.5),
        round_shouldered(1.5, 5.0, 2.5, 1.0),
        v_cutter(3.0, 60.0),
        v_cutter(2.0, 30.0, 0.05),
        in_holder(),
    )


def drop_plain(vertices, faces, cutter: PlainCutter, x_mm, y_mm, turn_deg) -> np.ndarray:
    """Lowest tip heights that clear every triangle at places (k,); -inf where the cutter is over none."""
    v = np.asarray(vertices, dtype=float)
    corners = []
    for x, y, turn in zip(x_mm, y_mm, turn_deg, strict=True):
        c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
        turned = np.column_stack([v[:, 0] - x, v[:, 1] * c - v[:, 2] * s - y, v[:, 1] * s + v[:, 2] * c])
        corners.append(turned[np.asarray(faces)])
    rows = np.concatenate(corners)
    tops = [_drop_of_piece(rows, height, radius).reshape(len(x_mm), -1).max(axis=1) for height, radius in cutter.pieces]
    top = np.max(tops, axis=0)
    return np.where(top > -1e3, top, -np.inf)


def _drop_of_piece(corners, height, radius):
    a, ab, ac = corners[:, 0], corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]

    def value(u, v):
        p = a + u[:, None] * ab + v[:, None] * ac
        rho = np.hypot(p[:, 0], p[:, 1])
        return p[:, 2] - height(np.minimum(rho, radius)) - WALL * np.maximum(rho - radius, 0.0)

    def best_on_row(u):
        return golden(lambda v: value(u, v), np.zeros(len(u)), 1.0 - u)

    return golden(best_on_row, np.zeros(len(a)), np.ones(len(a)))


def golden(value, low, high):
    """Largest value of a concave function on [low, high], for each row."""
    low, high = low.copy(), high.copy()
    one, two = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
    at_one, at_two = value(one), value(two)
    best = np.maximum(np.maximum(value(low), value(high)), np.maximum(at_one, at_two))
    for _ in range(STEPS):
        right = at_two > at_one
        low, high = np.where(right, one, low), np.where(right, high, two)
        fresh = np.where(right, low + GOLDEN * (high - low), high - GOLDEN * (high - low))
        at_fresh = value(fresh)
        one, two = np.where(right, two, fresh), np.where(right, fresh, one)
        at_one, at_two = np.where(right, at_two, at_fresh), np.where(right, at_fresh, at_one)
        best = np.maximum(best, at_fresh)
    return best
