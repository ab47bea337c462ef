"""Kernels of the development map: how low a cutter stands on it, and what a run of poses takes off it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from newel.geometry.loan_kernels import loan

RAY_PARTS = 8  # of a ray within the cutter: a steep wall is taken to stand higher than it does by up to one of them


class MapArrays(NamedTuple):
    """The map for kernels: radius (nx, na) in mm, centre of the first X cell, cell sizes, sines and cosines of the turns."""

    radius_mm: np.ndarray
    x0_mm: float
    x_step_mm: float
    turn_step_rad: float
    sine: np.ndarray
    cosine: np.ndarray


class Ray(NamedTuple):
    """Material from the axis out to a radius, at a turn from upright of which sine and cosine are given."""

    radius_mm: float
    sine: float
    cosine: float


@njit(cache=True, error_model="numpy", forceinline=True)
def _height(table, r_step_mm, distance_mm):
    """Height of a cutter's underside over its tip at a distance from its axis, from a table that starts at the axis."""
    place = distance_mm / r_step_mm
    k = int(place)
    if k >= len(table) - 1:
        return table[len(table) - 1]
    part = place - k
    return table[k] * (1.0 - part) + table[k + 1] * part


@njit(cache=True, error_model="numpy", forceinline=True)
def _tip_on_ray(ray, y_mm, along_mm, table, r_step_mm, slack_turn, best):
    """Lowest tip height over one ray of material, or `best` where that is higher.

    All of the ray may stand, not its end alone: a steep wall of a hollow is met by a cutter that its edge does not reach.
    `along_mm`: the ray's distance from the cutter along X.
    """
    widest = r_step_mm * (len(table) - 1)
    half = np.sqrt(max(widest * widest - along_mm * along_mm, 0.0))
    y, s = (y_mm, ray.sine) if ray.sine >= 0.0 else (-y_mm, -ray.sine)
    rise = min(1.0, ray.cosine + s * slack_turn)
    near, far = 0.0, ray.radius_mm
    if s + slack_turn > 0.0:
        near = max(near, (y - half) / (s + slack_turn))
    elif y > half:
        return best
    if s > slack_turn:
        far = min(far, (y + half) / (s - slack_turn))
    elif y + half < 0.0:
        return best
    if near > far or (far * rise if rise > 0.0 else near * rise) - table[0] <= best:
        return best
    # each part of the ray counts as high as its higher end and as near as its nearest place: never less than what stands
    for k in range(RAY_PARTS):
        t0 = near + (far - near) * k / RAY_PARTS
        t1 = near + (far - near) * (k + 1) / RAY_PARTS
        first = t0 * s - y
        last = t1 * s - y
        across = 0.0 if first * last <= 0.0 else min(abs(first), abs(last))
        across = max(0.0, across - t1 * slack_turn)
        height = (t1 if rise > 0.0 else t0) * rise
        tip = height - _height(table, r_step_mm, np.sqrt(across * across + along_mm * along_mm))
        if tip > best:
            best = tip
    return best


@njit(cache=True, error_model="numpy", nogil=True)
def standing_heights(m, places, y_mm, under, slack, some, out):
    """Write lowest tip heights (n,) at which a cutter clears the map, for places from `some[0]` up to `some[1]`.

    `places`: X (n,), turn in radians (n,), heights (n,) below which none is told. `under`: the underside's table and step.

    `slack` widens cells by as many cells each way. With a slack, rays stand all the way; without, only their ends do (what a
    cutter let down has upright walls, which rays from the axis cross), and past the axis what is nearest to the cutter.
    """
    x_mm, turn_rad, least = places
    table, r_step_mm = under
    nx, na = m.radius_mm.shape
    widest = r_step_mm * (len(table) - 1)
    slack_x = slack * m.x_step_mm
    slack_turn = slack * m.turn_step_rad
    for q in range(some[0], some[1]):
        best = least[q]
        reach_x = widest + slack_x
        first = max(0, int(np.ceil((x_mm[q] - reach_x - m.x0_mm) / m.x_step_mm)))
        last = min(nx - 1, int(np.floor((x_mm[q] + reach_x - m.x0_mm) / m.x_step_mm)))
        c, s = np.cos(turn_rad[q]), np.sin(turn_rad[q])
        middle = int(np.floor(turn_rad[q] / m.turn_step_rad + 0.5))
        for step in range(na // 2 + 1):
            # rays further out than this cannot stand higher than what was found
            if best >= 0.0 and step > 1:
                angle = (step - 0.5) * m.turn_step_rad - slack_turn
                if angle >= 0.5 * np.pi or (angle > 0.0 and np.tan(angle) * best > widest + abs(y_mm)):
                    break
            for side in range(2):
                if step == 0 and side == 1:
                    continue
                j = (middle + (step if side == 0 else -step)) % na
                sine = m.sine[j] * c - m.cosine[j] * s
                cosine = m.cosine[j] * c + m.sine[j] * s
                for i in range(first, last + 1):
                    radius = m.radius_mm[i, j]
                    along = max(0.0, abs(m.x0_mm + i * m.x_step_mm - x_mm[q]) - slack_x)
                    if radius <= 0.0 or along > widest:
                        continue
                    if slack > 0.0 or cosine <= 0.0:
                        ray = Ray(radius, sine, cosine)
                        best = _tip_on_ray(ray, y_mm, along, table, r_step_mm, slack_turn, best)
                    elif radius * cosine > best:
                        distance = np.sqrt((radius * sine - y_mm) ** 2 + along * along)
                        if distance <= widest:
                            best = max(best, radius * cosine - _height(table, r_step_mm, distance))
        out[q] = best


@njit(cache=True, error_model="numpy", forceinline=True)
def _cleared(radius, dx, sine, cosine, y_mm, z_mm, table, r_step_mm):
    """Radius left on a ray from the axis by a cutter at (y, z): the ray's own where the cutter does not meet its end.

    Between a place outside and one within lies the one sought; chords find it, and the share of an end that stays twice is
    halved, so that both ends come together (the Illinois way, Dowell and Jarratt 1971).
    """
    widest = r_step_mm * (len(table) - 1)
    across = radius * sine - y_mm
    distance = np.sqrt(across * across + dx * dx)
    if distance > widest:
        return radius
    high = radius
    within_high = radius * cosine - z_mm - _height(table, r_step_mm, distance)
    if within_high < 1e-4:  # what was cut to this height before is not cut again for a rounding error
        return radius
    half = np.sqrt(max(widest * widest - dx * dx, 0.0))
    low = 0.0  # where the ray comes under the cutter
    if sine > 0.0:
        low = max(0.0, (y_mm - half) / sine)
    elif sine < 0.0:
        low = max(0.0, (y_mm + half) / sine)
    across = low * sine - y_mm
    within_low = low * cosine - z_mm - _height(table, r_step_mm, np.sqrt(across * across + dx * dx))
    if within_low >= 0.0:
        return min(low, radius)
    kept = 0  # which end stayed last
    for _ in range(60):
        mid = (low * within_high - high * within_low) / (within_high - within_low)
        across = mid * sine - y_mm
        within = mid * cosine - z_mm - _height(table, r_step_mm, np.sqrt(across * across + dx * dx))
        if abs(within) < 1e-7:
            return mid
        if within < 0.0:
            low, within_low = mid, within
            if kept == 1:
                within_high *= 0.5
            kept = 1
        else:
            high, within_high = mid, within
            if kept == -1:
                within_low *= 0.5
            kept = -1
        if high - low < 1e-6:
            break
    return high


@njit(cache=True, error_model="numpy", forceinline=True)
def _lent(m):
    """Return a map whose arrays are on loan."""
    return MapArrays(loan(m.radius_mm), m.x0_mm, m.x_step_mm, m.turn_step_rad, loan(m.sine), loan(m.cosine))


@njit(cache=True, error_model="numpy")
def cut_map(sure, likely, pose, table, r_step_mm, ways):
    """Take a run of poses off two maps, in order, and measure what each pose meets.

    `sure`: cells hold no less than what stands anywhere in them; `likely`: what stands at their middle. `pose` (n, 4):
    x, y, z, turn in radians. `ways` (n, 2): unit direction of the move over the surface (along X, across). Writes the
    maps; returns depth (n,) of the deepest stock met below its top, and side (n, 2): how far, of the cutter's radius, stock was
    met to the left and to the right of the way.
    """
    sure, likely, pose, table, ways = _lent(sure), _lent(likely), loan(pose), loan(table), loan(ways)
    n = len(pose)
    depth = np.zeros(n)
    sides = np.zeros((n, 2))
    nx, na = likely.radius_mm.shape
    widest = r_step_mm * (len(table) - 1)
    half_x, half_turn = 0.5 * likely.x_step_mm, 0.5 * likely.turn_step_rad
    cos_half, sin_half = np.cos(half_turn), np.sin(half_turn)
    for q in range(n):
        x, y, z, turn = pose[q, 0], pose[q, 1], pose[q, 2], pose[q, 3]
        first = max(0, int(np.ceil((x - widest - half_x - likely.x0_mm) / likely.x_step_mm)))
        last = min(nx - 1, int(np.floor((x + widest + half_x - likely.x0_mm) / likely.x_step_mm)))
        c, s = np.cos(turn), np.sin(turn)
        middle = int(np.floor(turn / likely.turn_step_rad + 0.5))
        far = 0.5 * np.pi
        if z > 0.0:
            far = np.arctan((widest + abs(y)) / z)
        span = int(far / likely.turn_step_rad) + 1
        for k in range(-span, span + 1):
            j = (middle + k) % na
            sine = likely.sine[j] * c - likely.cosine[j] * s
            cosine = likely.cosine[j] * c + likely.sine[j] * s
            if cosine <= 0.0:
                continue
            for i in range(first, last + 1):
                dx = likely.x0_mm + i * likely.x_step_mm - x
                standing = likely.radius_mm[i, j]
                if standing > 0.0:
                    left = _cleared(standing, dx, sine, cosine, y, z, table, r_step_mm)
                    if left < standing:
                        likely.radius_mm[i, j] = left
                        met = standing - left
                        if met > depth[q]:
                            depth[q] = met
                        if met > 0.02:
                            aside = (dx * ways[q, 1] - (standing * sine - y) * ways[q, 0]) / widest
                            if aside > sides[q, 0]:
                                sides[q, 0] = aside
                            if -aside > sides[q, 1]:
                                sides[q, 1] = -aside
                standing = sure.radius_mm[i, j]
                if standing * (cosine + abs(sine) * half_turn) <= z:
                    continue
                # the corner farthest from the cutter decides most often: it is asked first
                far_dx = half_x if dx >= 0.0 else -half_x
                far_turn = sin_half if sine >= 0.0 else -sin_half
                left = 0.0
                for corner in range(4):
                    corner_dx = dx + (far_dx if corner < 2 else -far_dx)
                    turned = far_turn if corner % 2 == 0 else -far_turn
                    corner_sine = sine * cos_half + cosine * turned
                    corner_cosine = cosine * cos_half - sine * turned
                    at = standing
                    if corner_cosine > 0.0:
                        at = _cleared(standing, corner_dx, corner_sine, corner_cosine, y, z, table, r_step_mm)
                    if at > left:
                        left = at
                    if left >= standing:
                        break
                if left < standing:
                    sure.radius_mm[i, j] = left
    return depth, sides
