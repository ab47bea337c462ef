"""Flat patches and round faces the slow and obvious way."""

from __future__ import annotations

import numpy as np


def grown_flat(points, faces, normals, order, fit_mm, least_cos):
    """Number flat patches: from each facet in order, walk to neighbours that lie in its plane."""
    patch = [-1] * len(faces)
    at_edge = {}
    for face, (a, b, c) in enumerate(faces):
        for edge in ((a, b), (b, c), (c, a)):
            at_edge[edge] = face
    count = 0
    for seed in order:
        if patch[seed] >= 0:
            continue
        patch[seed] = count
        waiting = [seed]
        while waiting:
            a, b, c = faces[waiting.pop()]
            for edge in ((b, a), (c, b), (a, c)):
                other = at_edge[edge]
                away = (points[faces[other]] - points[faces[seed][0]]) @ normals[seed]
                if patch[other] < 0 and normals[other] @ normals[seed] >= least_cos and np.abs(away).max() <= fit_mm:
                    patch[other] = count
                    waiting.append(other)
        count += 1
    return np.array(patch)


def all_on_cylinder(points, faces, rows, point, axis, radius, fit_mm):
    """Whether every corner of the triangles `rows` lies on the cylinder."""
    out = points[faces[rows]].reshape(-1, 3) - point
    out = out - np.outer(out @ axis, axis)
    return bool((np.abs(np.linalg.norm(out, axis=1) - radius) <= fit_mm).all())


def touching_on_cylinder(points, faces, rows, point, axis, radius, fit_mm, least_cos):
    """Return the triangles beside `rows` that would belong to the cylinder as well: on it, and turned along its radius."""
    owned = {tuple(sorted(edge)) for face in faces[rows] for edge in (face[:2], face[1:], face[[2, 0]])}
    beside = []
    for number in set(range(len(faces))) - set(rows.tolist()):
        face = faces[number]
        if not any(tuple(sorted(edge)) in owned for edge in (face[:2], face[1:], face[[2, 0]])):
            continue
        corners = points[face]
        across = np.cross(corners[1] - corners[0], corners[2] - corners[0])
        out = corners.mean(axis=0) - point
        out = out - (out @ axis) * axis
        facing = abs(across @ out) / max(np.linalg.norm(across) * np.linalg.norm(out), 1e-30)
        if facing >= least_cos and all_on_cylinder(points, faces, np.array([number]), point, axis, radius, fit_mm):
            beside.append(number)
    return beside
