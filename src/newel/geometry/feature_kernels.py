"""Kernels of the search for features: growing flat patches over facets, and round faces over patches."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit


class Surface(NamedTuple):
    """Facets: points (n, 3), faces (m, 3), neighbours (m, 3), unit normals (m, 3), sliver (m,)."""

    points: np.ndarray
    faces: np.ndarray
    neighbours: np.ndarray
    normals: np.ndarray
    sliver: np.ndarray


class PatchTable(NamedTuple):
    """Flat patches: the points of patch i are points[corner[first[i] : first[i + 1]]].

    Its neighbours over edges that could be smooth are near[near_first[i] : near_first[i + 1]]; unit normals (p, 3).
    """

    points: np.ndarray
    first: np.ndarray
    corner: np.ndarray
    normals: np.ndarray
    near_first: np.ndarray
    near: np.ndarray


class Round(NamedTuple):
    """A cylinder: unit `axis` (3,), a `centre` (3,) on it, `radius`, `sign` (+1 boss, -1 bore).

    `cut_cos`: a facet whose plane is nearer to the axis than this share of the radius is none of its own.
    """

    axis: np.ndarray
    centre: np.ndarray
    radius: float
    sign: float
    cut_cos: float


class Scratch(NamedTuple):
    """What a search writes on, (p,) each: patches `taken` and `tried`, `mark` (who came last), `region` (what was found)."""

    taken: np.ndarray
    tried: np.ndarray
    mark: np.ndarray
    region: np.ndarray


class Limits(NamedTuple):
    """How closely a patch must lie on a round face: see round_faces.py."""

    fit_mm: float
    half_chord_sin: float
    cut_half_chord: float
    least_radial: float
    square_sin: float
    least_patches: int
    least_depth_mm: float
    least_depth_share: float
    most_lean: float


@njit(cache=True, error_model="numpy")
def grow_flat(surface, order, fit_mm, least_cos):
    """Number the flat patches: from each facet in `order` to all that lie in its plane within fit_mm. Returns (m,).

    Slivers that lie in the plane are passed over and stay -1: which patch is theirs is not for the first comer to say.
    """
    points, faces, neighbours, normals, sliver = surface
    patch = np.full(len(faces), -1, np.int64)
    passed = np.full(len(faces), -1, np.int64)
    queue = np.empty(len(faces), np.int64)
    count = 0
    for seed in order:
        if patch[seed] >= 0:
            continue
        nx, ny, nz = normals[seed, 0], normals[seed, 1], normals[seed, 2]
        p = faces[seed, 0]
        level = nx * points[p, 0] + ny * points[p, 1] + nz * points[p, 2]
        patch[seed] = count
        queue[0] = seed
        head, tail = 0, 1
        while head < tail:
            face = queue[head]
            head += 1
            for k in range(3):
                other = neighbours[face, k]
                if patch[other] >= 0 or passed[other] == count:
                    continue
                cos = nx * normals[other, 0] + ny * normals[other, 1] + nz * normals[other, 2]
                if cos < least_cos and not sliver[other]:
                    continue
                inside = True
                for j in range(3):
                    q = faces[other, j]
                    away = nx * points[q, 0] + ny * points[q, 1] + nz * points[q, 2] - level
                    if not abs(away) <= fit_mm:
                        inside = False
                if inside:
                    if sliver[other]:
                        passed[other] = count
                    else:
                        patch[other] = count
                    queue[tail] = other
                    tail += 1
        count += 1
    return patch


@njit(cache=True, error_model="numpy")
def _ends(table, patch, axis):
    """Return the two corners of a patch furthest apart across `axis` (as point numbers)."""
    n = table.normals[patch]
    tx = axis[1] * n[2] - axis[2] * n[1]
    ty = axis[2] * n[0] - axis[0] * n[2]
    tz = axis[0] * n[1] - axis[1] * n[0]
    low, high = -1, -1
    least, most = np.inf, -np.inf
    for i in range(table.first[patch], table.first[patch + 1]):
        p = table.corner[i]
        t = tx * table.points[p, 0] + ty * table.points[p, 1] + tz * table.points[p, 2]
        if t < least:
            least, low = t, p
        if t > most:
            most, high = t, p
    return low, high


@njit(cache=True, error_model="numpy")
def _lies_on(table, patch, cylinder, limits):
    """Whether a patch is a facet of the cylinder: no corner outside it, enough of them on it, turned along its radius.

    A facet that is square to the radius may have been cut through between its ends: its corners may lie inside.
    """
    axis, centre, radius, sign, cut_cos = cylinder
    n = table.normals[patch]
    least = radius - limits.fit_mm
    square = abs(n[0] * axis[0] + n[1] * axis[1] + n[2] * axis[2]) <= limits.square_sin
    on = 0
    low, high = np.inf, -np.inf
    tx = axis[1] * n[2] - axis[2] * n[1]
    ty = axis[2] * n[0] - axis[0] * n[2]
    tz = axis[0] * n[1] - axis[1] * n[0]
    mx, my, mz = 0.0, 0.0, 0.0
    for i in range(table.first[patch], table.first[patch + 1]):
        p = table.corner[i]
        dx = table.points[p, 0] - centre[0]
        dy = table.points[p, 1] - centre[1]
        dz = table.points[p, 2] - centre[2]
        along = dx * axis[0] + dy * axis[1] + dz * axis[2]
        dx -= along * axis[0]
        dy -= along * axis[1]
        dz -= along * axis[2]
        away = np.sqrt(dx * dx + dy * dy + dz * dz)
        if not away <= radius + limits.fit_mm:
            return False
        if away < least and not (square and sign * (n[0] * dx + n[1] * dy + n[2] * dz) >= radius * cut_cos):
            return False
        if away >= radius - limits.fit_mm:
            on += 1
        t = tx * dx + ty * dy + tz * dz
        low = min(low, t)
        high = max(high, t)
        mx += dx
        my += dy
        mz += dz
    middle = np.sqrt(mx * mx + my * my + mz * mz)
    radial = sign * (n[0] * mx + n[1] * my + n[2] * mz)
    return (
        on >= 2
        and high - low <= 2.0 * radius * limits.half_chord_sin + limits.fit_mm
        and radial >= limits.least_radial * middle
    )


@njit(cache=True, error_model="numpy")
def _solved(matrix, right):
    """Solve five equations by elimination with the largest pivot; both are written on. No answer: nan."""
    for k in range(5):
        best = k
        for i in range(k + 1, 5):
            if abs(matrix[i, k]) > abs(matrix[best, k]):
                best = i
        for j in range(5):
            matrix[k, j], matrix[best, j] = matrix[best, j], matrix[k, j]
        right[k], right[best] = right[best], right[k]
        for i in range(k + 1, 5):
            share = matrix[i, k] / matrix[k, k]
            for j in range(k, 5):
                matrix[i, j] -= share * matrix[k, j]
            right[i] -= share * right[k]
    for k in range(4, -1, -1):
        for j in range(k + 1, 5):
            right[k] -= matrix[k, j] * right[j]
        right[k] /= matrix[k, k]
    return right


@njit(cache=True, error_model="numpy")
def _square(axis):
    """Return two unit directions square to a unit axis and to each other."""
    side = np.zeros(3)
    if abs(axis[0]) < 0.6:
        side[0] = 1.0
    else:
        side[1] = 1.0
    side = side - (side * axis).sum() * axis
    side = side / np.sqrt((side * side).sum())
    return side, np.cross(axis, side)


@njit(cache=True, error_model="numpy")
def _fitted(table, patches, count, cylinder, fit_mm):
    """Take one step of Gauss and Newton toward the cylinder that fits the patches' corners best."""
    axis, centre, radius = cylinder.axis, cylinder.centre, cylinder.radius
    side, other = _square(axis)
    matrix, right, slope = np.zeros((5, 5)), np.zeros(5), np.empty(5)
    middle, seen = 0.0, 0.0
    for k in range(count):
        for i in range(table.first[patches[k]], table.first[patches[k] + 1]):
            middle += ((table.points[table.corner[i]] - centre) * axis).sum()
            seen += 1.0
    centre = centre + (middle / seen) * axis
    for k in range(count):
        for i in range(table.first[patches[k]], table.first[patches[k] + 1]):
            p = table.corner[i]
            dx = table.points[p, 0] - centre[0]
            dy = table.points[p, 1] - centre[1]
            dz = table.points[p, 2] - centre[2]
            along = dx * axis[0] + dy * axis[1] + dz * axis[2]
            u = dx * side[0] + dy * side[1] + dz * side[2]
            v = dx * other[0] + dy * other[1] + dz * other[2]
            away = np.sqrt(u * u + v * v)
            if not away > radius - 2.0 * fit_mm:
                continue  # on a facet that was cut through, between its ends
            slope[0], slope[1] = u / away, v / away
            slope[2], slope[3], slope[4] = along * u / away, along * v / away, 1.0
            for m in range(5):
                right[m] += slope[m] * (away - radius)
                for n in range(5):
                    matrix[m, n] += slope[m] * slope[n]
    for m in range(5):
        matrix[m, m] *= 1.0 + 1e-9
    step = _solved(matrix, right)
    moved = axis + step[2] * side + step[3] * other
    moved = moved / np.sqrt((moved * moved).sum())
    wide = radius + step[4]
    if not (wide > 0.0 and wide < 1e6 and abs(step[2]) < 0.1 and abs(step[3]) < 0.1):
        return cylinder
    return Round(moved, centre + step[0] * side + step[1] * other, wide, cylinder.sign, cylinder.cut_cos)


@njit(cache=True, error_model="numpy")
def spread(table, scratch, count, cylinder, limits, token):
    """Grow from the first `count` patches of the region over all that lie on the cylinder.

    The cylinder is fitted anew each time the number of patches has doubled. Returns how many there are, and the cylinder.
    """
    region, mark = scratch.region, scratch.mark
    for k in range(count):
        mark[region[k]] = token
    head, again = 0, 2 * count
    while head < count:
        patch = region[head]
        head += 1
        for i in range(table.near_first[patch], table.near_first[patch + 1]):
            other = table.near[i]
            if mark[other] == token or scratch.taken[other]:
                continue
            if _lies_on(table, other, cylinder, limits):
                mark[other] = token
                region[count] = other
                count += 1
                if count >= again:
                    again = 2 * count
                    for _ in range(2):
                        cylinder = _fitted(table, region, count, cylinder, limits.fit_mm)
    return count, cylinder


@njit(cache=True, error_model="numpy")
def _through(a, b, c, axis):
    """Return the centre and radius of the circle through three points, seen along `axis` (radius inf: on a line)."""
    b = b - a
    c = c - a
    b = b - (b[0] * axis[0] + b[1] * axis[1] + b[2] * axis[2]) * axis
    c = c - (c[0] * axis[0] + c[1] * axis[1] + c[2] * axis[2]) * axis
    cross = (
        axis[0] * (b[1] * c[2] - b[2] * c[1]) + axis[1] * (b[2] * c[0] - b[0] * c[2]) + axis[2] * (b[0] * c[1] - b[1] * c[0])
    )
    bb = b[0] * b[0] + b[1] * b[1] + b[2] * b[2]
    cc = c[0] * c[0] + c[1] * c[1] + c[2] * c[2]
    k = bb * c - cc * b
    out = np.empty(3)
    out[0] = (k[1] * axis[2] - k[2] * axis[1]) / (2.0 * cross)
    out[1] = (k[2] * axis[0] - k[0] * axis[2]) / (2.0 * cross)
    out[2] = (k[0] * axis[1] - k[1] * axis[0]) / (2.0 * cross)
    radius = np.sqrt(out[0] * out[0] + out[1] * out[1] + out[2] * out[2])
    return a + out, radius


@njit(cache=True, error_model="numpy")
def _offered(table, one, two, axis, limits):
    """Return the cylinder about `axis` through the ends of two patches (radius inf: none)."""
    low, high = _ends(table, one, axis)
    low_two, high_two = _ends(table, two, axis)
    a, b = table.points[low], table.points[high]
    c, d = table.points[low_two], table.points[high_two]
    middle = 0.5 * (a + b)
    far = c
    if ((d - middle) ** 2).sum() > ((c - middle) ** 2).sum():
        far = d
    centre, radius = _through(a, b, far, axis)
    out = a - centre
    sign = 1.0 if (out * table.normals[one]).sum() > 0.0 else -1.0
    widest = 0.0
    for pair in ((a, b), (c, d)):
        across = pair[1] - pair[0]
        across = across - (across * axis).sum() * axis
        widest = max(widest, np.sqrt((across * across).sum()))
    half = min(limits.cut_half_chord * np.arcsin(min(0.5 * widest / radius, 1.0)), 0.5 * np.pi)
    return Round(axis, centre, radius, sign, np.cos(half))


@njit(cache=True, error_model="numpy")
def next_round(table, scratch, pairs, axes, begin, limits):
    """Find the next round face from pair `begin` of neighbouring patches on; each pair offers an axis: its shared edge.

    Returns how many patches of scratch.region are its own (0: none is left), the pair after, and the cylinder.
    A patch that was part of what came out too small is `tried` and offers no axis again.
    """
    tried, region = scratch.tried, scratch.region
    for k in range(begin, len(pairs)):
        one, two = pairs[k, 0], pairs[k, 1]
        if scratch.taken[one] or scratch.taken[two] or tried[one] or tried[two]:
            continue
        cylinder = _offered(table, one, two, axes[k], limits)
        if not cylinder.radius < 1e6:
            continue
        if not (_lies_on(table, one, cylinder, limits) and _lies_on(table, two, cylinder, limits)):
            continue
        region[0], region[1] = one, two
        count, cylinder = spread(table, scratch, 2, cylinder, limits, k + 1)
        if count < limits.least_patches:
            continue
        depth = _depth(table, region, count, cylinder.axis, cylinder.radius, limits.most_lean)
        if depth >= limits.least_depth_mm and depth >= limits.least_depth_share * cylinder.radius:
            return count, k + 1, cylinder
        for i in range(count):
            tried[region[i]] = True
    return 0, len(pairs), Round(np.zeros(3), np.zeros(3), 0.0, 0.0, 0.0)


@njit(cache=True, error_model="numpy")
def _depth(table, region, count, axis, radius, most_lean):
    """Return how far the patches' corners bulge, seen along the middle of their turn: 2 r for a whole one.

    0 where the patches lean against the axis by more than `most_lean` on the mean: a cone, or curved both ways.
    """
    mx, my, mz, lean = 0.0, 0.0, 0.0, 0.0
    for k in range(count):
        n = table.normals[region[k]]
        along = n[0] * axis[0] + n[1] * axis[1] + n[2] * axis[2]
        lean += abs(along)
        mx += n[0] - along * axis[0]
        my += n[1] - along * axis[1]
        mz += n[2] - along * axis[2]
    if lean > most_lean * count:
        return 0.0
    size = np.sqrt(mx * mx + my * my + mz * mz)
    if size < 0.2 * count:
        return 2.0 * radius
    low, high = np.inf, -np.inf
    for k in range(count):
        for i in range(table.first[region[k]], table.first[region[k] + 1]):
            p = table.corner[i]
            t = (mx * table.points[p, 0] + my * table.points[p, 1] + mz * table.points[p, 2]) / size
            low = min(low, t)
            high = max(high, t)
    return high - low
