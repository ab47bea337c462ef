"""Light, shade and line: what is seen of meshes, drawn like a shaded workshop drawing. No display, no GPU."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from newel.reports.rays import Hits, View
from newel.reports.results import Floats

Singles = NDArray[np.float32]
Ints = NDArray[np.int64]

PAPER = (0.957, 0.937, 0.890)
INK = (0.118, 0.157, 0.212)
BRASS = (0.690, 0.541, 0.235)
STEEL = (0.560, 0.590, 0.615)

_SHADE_REACH = 0.14  # how far the soft shade looks, as a share of the picture's width
_SHADE_EVERY = 3  # pixels: soft shade is looked for on a grid, and between its places where they lie on one surface
_SHADOW_RAYS = 16  # for each place of the grid
_SAME_WAY = 0.85  # cosine under which two places have no shade in common; ...
_SAME_PLANE = 0.008  # ... nor have they where one lies farther from the other's plane than this share of the picture's width
_LEAST_WEIGHT = 0.2  # of what the grid says at a pixel; with less its own rays are sent


def shade(view: View, hits: Hits, paint: Floats, ink_strength: float = 0.75) -> Floats:
    """Return the picture, (pixels, 3) of 0..1: two lights, soft shade where things stand close, inked outlines.

    `paint` (k, 3): the paint at each of the hits' rows.
    """
    open_share = openness(view, hits)
    key = view.eye * 0.62 + view.up * 0.72 - view.right * 0.40
    fill = view.eye * 0.55 - view.up * 0.30 + view.right * 0.85
    lit = 0.56 * np.clip(hits.normals @ (key / np.linalg.norm(key)), 0, 1)
    lit += 0.24 * np.clip(hits.normals @ (fill / np.linalg.norm(fill)), 0, 1)
    light = (0.42 + lit) * (0.42 + 0.58 * open_share)
    # dark goes toward ink, bright toward paper: a drawing, not a photograph
    shaded = paint * light[:, None] + np.array(INK) * np.clip(0.55 - light, 0, 1)[:, None] * 0.4
    picture = np.tile(np.array(PAPER), (view.height_px * view.width_px, 1))
    cover = hits.cover[hits.rows, None]
    picture[hits.rows] = (1 - cover) * picture[hits.rows] + cover * np.clip(shaded, 0, 1)
    inked = np.flatnonzero(hits.ink)
    share = ink_strength * hits.ink[inked, None]
    picture[inked] = (1 - share) * picture[inked] + share * np.array(INK)
    return picture


def to_pixels(view: View, picture: Floats) -> NDArray[np.uint8]:
    """Return a picture as (height, width, 3) bytes."""
    return np.rint(np.clip(picture, 0, 1) * 255).astype(np.uint8).reshape(view.height_px, view.width_px, 3)


def openness(view: View, hits: Hits) -> Floats:
    """Return how open each hit is to the sky over its own normal, 0..1.

    Rays are sent from a grid of pixels, smoothed over its neighbours and laid between them, from places of the same surface
    only: across an edge nothing is lent, and a pixel that has no such neighbour sends its own rays.
    """
    if len(hits.rows) == 0:
        return np.zeros(0)
    row, column = np.divmod(hits.rows, view.width_px)
    on_grid = np.flatnonzero((row % _SHADE_EVERY == 0) & (column % _SHADE_EVERY == 0))
    down, across = (-(-size // _SHADE_EVERY) + 3 for size in (view.height_px, view.width_px))
    # the grid with a border of one, so that every place has all its neighbours; the last place stands for nothing seen
    place = np.full(down * across, len(on_grid))
    at = (row // _SHADE_EVERY + 1) * across + column // _SHADE_EVERY + 1
    place[at[on_grid]] = np.arange(len(on_grid))
    reach = _SHADE_REACH * view.width_mm
    every = _ground(hits, np.arange(len(hits.rows)))
    grid = _ground(hits, np.append(on_grid, 0))
    grid.solid[-1] = -1
    rough = np.append(_asked(view, hits, on_grid, reach), 0.0)
    plane = np.float32(_SAME_PLANE * view.width_mm)
    steps = [(dy * across + dx, np.float32((2 - abs(dy)) * (2 - abs(dx)))) for dy in (-1, 0, 1) for dx in (-1, 0, 1)]
    mine = _Ground(grid.points[:, :-1], grid.normals[:, :-1], grid.solid[:-1])
    total, weight = _lent(mine, grid, [(place[at[on_grid] + step], share) for step, share in steps], rough, plane)
    smooth = np.append(total / weight, 0.0)
    y, x = (row % _SHADE_EVERY) / _SHADE_EVERY, (column % _SHADE_EVERY) / _SHADE_EVERY
    corners = [(0, (1 - y) * (1 - x)), (1, (1 - y) * x), (across, y * (1 - x)), (across + 1, y * x)]
    total, weight = _lent(every, grid, [(place[at + step], share.astype(np.float32)) for step, share in corners], smooth, plane)
    alone = np.flatnonzero(weight < _LEAST_WEIGHT)
    found = (total / np.maximum(weight, _LEAST_WEIGHT)).astype(float)
    found[alone] = _asked(view, hits, alone, reach)
    return found


class _Ground(NamedTuple):
    """Where shade is known or asked for, axis by axis: points and normals (3, n), which solid (n,)."""

    points: Singles
    normals: Singles
    solid: Ints


def _ground(hits: Hits, which: Ints) -> _Ground:
    points, normals = (np.ascontiguousarray(part[which].T, np.float32) for part in (hits.points_mm, hits.normals))
    return _Ground(points, normals, hits.solid[which])


def _lent(
    mine: _Ground, grid: _Ground, lenders: list[tuple[Ints, Singles | np.float32]], known: Floats, plane_mm: np.float32
) -> tuple[Singles, Singles]:
    """Return the sums over lenders of weight times what is known, and of weight, for each place of `mine`.

    A lender: which place of the grid it is (n,), and its share before it is asked whether it lies on the same surface.
    """
    total, weight = np.zeros((2, mine.solid.size), np.float32)
    told = known.astype(np.float32)
    for place, share in lenders:
        same, off = np.zeros((2, mine.solid.size), np.float32)
        for axis in range(3):
            same += mine.normals[axis] * grid.normals[axis][place]
            off += mine.normals[axis] * (grid.points[axis][place] - mine.points[axis])
        alike = np.clip((same - np.float32(_SAME_WAY)) * np.float32(1.0 / (1.0 - _SAME_WAY)), 0.0, 1.0)
        alike *= np.clip(1.0 - np.abs(off) / plane_mm, 0.0, 1.0) * (mine.solid == grid.solid[place])
        alike *= share
        total += alike * told[place]
        weight += alike
    return total, weight


def _asked(view: View, hits: Hits, which: Ints, reach_mm: float) -> Floats:
    """Send rays from hits `which` (n,) over their normals, in a spiral turned place by place; return how open they are."""
    normals = hits.normals[which].astype(np.float32)
    start = (hits.points_mm[which] + hits.normals[which] * (2e-4 * view.width_mm)).astype(np.float32)
    helper = np.where(np.abs(normals[:, :1]) < 0.8, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]]).astype(np.float32)
    side = np.cross(normals, helper)
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    other = np.cross(normals, side)
    spin = (2 * np.pi * np.random.default_rng(1).random(len(normals))).astype(np.float32)
    open_share = np.zeros(len(normals))
    for k in range(_SHADOW_RAYS):
        height = np.float32(np.sqrt(1.0 - (k + 0.5) / _SHADOW_RAYS))  # cosine-weighted
        out = np.float32(np.sqrt(1.0 - height * height))
        turn = spin + np.float32(k * 2.399963)  # golden angle
        ray = height * normals + out * (np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * other)
        found = hits.scene.rays.run(start, np.ascontiguousarray(ray, dtype=np.float32), output=1)
        open_share += np.where(found["primID"] >= 0, np.clip(found["tfar"] / reach_mm, 0, 1), 1.0)
    return open_share / _SHADOW_RAYS
