"""Light, shade and line: what is seen of meshes, drawn like a shaded workshop drawing. No display, no GPU."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from newel.reports.rays import Hits, View
from newel.reports.results import Floats

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
    openness = _openness(view, hits)
    key = view.eye * 0.62 + view.up * 0.72 - view.right * 0.40
    fill = view.eye * 0.55 - view.up * 0.30 + view.right * 0.85
    lit = 0.56 * np.clip(hits.normals @ (key / np.linalg.norm(key)), 0, 1)
    lit += 0.24 * np.clip(hits.normals @ (fill / np.linalg.norm(fill)), 0, 1)
    light = (0.42 + lit) * (0.42 + 0.58 * openness)
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


def _openness(view: View, hits: Hits) -> Floats:
    """Return how open each hit is to the sky over its own normal, 0..1.

    Rays are sent from a grid of pixels, smoothed over its neighbours and laid between them, from places of the same surface
    only: across an edge nothing is lent, and a pixel that has no such neighbour sends its own rays.
    """
    row, column = np.divmod(hits.rows, view.width_px)
    on_grid = np.flatnonzero((row % _SHADE_EVERY == 0) & (column % _SHADE_EVERY == 0))
    down, across = (-(-size // _SHADE_EVERY) + 3 for size in (view.height_px, view.width_px))
    # the grid with a border of one, so that every place has all its neighbours: -1 where nothing is seen
    place = np.full(down * across, -1)
    at = (row // _SHADE_EVERY + 1) * across + column // _SHADE_EVERY + 1
    place[at[on_grid]] = np.arange(len(on_grid))
    reach = _SHADE_REACH * view.width_mm
    rough = _asked(view, hits, on_grid, reach)
    total, weight = np.zeros(len(on_grid)), np.zeros(len(on_grid))
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            share = np.full(len(on_grid), (2.0 - abs(dy)) * (2.0 - abs(dx)))
            _lend(view, hits, (on_grid, on_grid, place[at[on_grid] + dy * across + dx]), share, rough, (total, weight))
    smooth = total / weight
    total, weight = np.zeros(len(hits.rows)), np.zeros(len(hits.rows))
    every = np.arange(len(hits.rows))
    y, x = (row % _SHADE_EVERY) / _SHADE_EVERY, (column % _SHADE_EVERY) / _SHADE_EVERY
    for dy, part_y in ((0, 1 - y), (1, y)):
        for dx, part_x in ((0, 1 - x), (1, x)):
            _lend(view, hits, (every, on_grid, place[at + dy * across + dx]), part_y * part_x, smooth, (total, weight))
    alone = np.flatnonzero(weight < _LEAST_WEIGHT)
    found = total / np.maximum(weight, _LEAST_WEIGHT)
    found[alone] = _asked(view, hits, alone, reach)
    return found


def _lend(
    view: View, hits: Hits, who: tuple[Ints, Ints, Ints], share: Floats, known: Floats, sums: tuple[Floats, Floats]
) -> None:
    """Add to hits `who[0]` (n,) the shade known at places `who[2]` (n,; -1: none) of the grid, whose hits are `who[1]`."""
    mine = np.flatnonzero((who[2] >= 0) & (share > 0.0))
    place = who[2][mine]
    one, other = who[0][mine], who[1][place]
    normal = hits.normals[one]
    alike = np.clip((np.einsum("ij,ij->i", normal, hits.normals[other]) - _SAME_WAY) / (1.0 - _SAME_WAY), 0.0, 1.0)
    off = np.abs(np.einsum("ij,ij->i", normal, hits.points_mm[other] - hits.points_mm[one]))
    alike *= np.clip(1.0 - off / (_SAME_PLANE * view.width_mm), 0.0, 1.0) * (hits.solid[one] == hits.solid[other])
    weight = share[mine] * alike
    sums[0][mine] += weight * known[place]
    sums[1][mine] += weight


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
