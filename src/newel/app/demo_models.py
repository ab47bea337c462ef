"""The shipped models, made by script: a barley-twist finial with leaves, and a bracket with a job on each of its sides.

Both come from the invented workshop of the demo, which mends fittings of old sundials, clocks and garden furniture.
Every size and shape here is invented for the demo. The same bytes come out on every run.
"""

from __future__ import annotations

import manifold3d
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter1d

from newel.geometry.meshes import Mesh

Floats = NDArray[np.float64]

FINIAL_LENGTH_MM = 110.0
FINIAL_RADIUS_MM = 19.0
_RINGS, _SIDES = 300, 192  # of the finished mesh: 115 000 triangles
_FINE_Z_MM = 0.1  # the radius field is drawn on a finer grid and softened there
_FILLET_MM = 0.45  # the softening: no hollow is left sharper than a fine ball can reach

# The turned outline (z, r) under all ornament: foot, cove, bead, twist, collar, bulb, flame.
_OUTLINE = np.array(
    [
        (0.0, 17.2), (2.2, 17.2), (3.4, 16.6), (5.0, 13.6), (7.0, 11.6), (8.6, 11.4), (9.6, 12.4), (11.4, 14.6), (13.4, 15.2),
        (15.4, 14.6), (17.0, 12.4), (18.0, 11.7), (20.0, 11.8), (30.0, 12.6), (40.0, 12.7), (50.0, 11.6), (55.0, 10.6),
        (56.4, 10.6), (57.6, 11.6), (58.8, 12.6), (60.2, 12.6), (61.4, 11.6), (62.6, 10.2), (64.0, 9.8), (65.6, 10.4),
        (68.0, 12.6), (72.0, 15.2), (77.0, 16.8), (82.0, 16.9), (87.0, 15.6), (92.0, 13.0), (96.0, 10.4), (100.0, 8.4),
        (103.0, 6.8), (106.0, 5.7), (108.4, 5.1), (109.4, 4.6), (110.0, 3.8),
    ]
)  # fmt: skip


def finial() -> Mesh:
    """Return the finial: Ø38 x 110 mm along its own Z, foot at z = 0; at each (z, angle) one radius, so carvable all round."""
    z_fine = np.linspace(0.0, FINIAL_LENGTH_MM, round(FINIAL_LENGTH_MM / _FINE_Z_MM) + 1)
    angle = 2.0 * np.pi * np.arange(_SIDES) / _SIDES
    radius = _finial_radius(z_fine[:, None], angle[None, :])
    radius = gaussian_filter1d(radius, _FILLET_MM / _FINE_Z_MM, axis=0, mode="nearest")
    radius = gaussian_filter1d(radius, _FILLET_MM / (2.0 * np.pi * 14.0 / _SIDES), axis=1, mode="wrap")
    radius *= FINIAL_RADIUS_MM / radius.max()
    # Rings stand closer where the outline is steep: equal shares of z and of its turned length.
    slope = np.abs(np.gradient(radius, z_fine, axis=0)).mean(axis=1)
    run = np.concatenate([[0.0], np.cumsum(0.5 * (slope[1:] + slope[:-1]) + 1.0)])
    z = np.interp(np.linspace(0.0, run[-1], _RINGS), run, z_fine)
    z[-1] = FINIAL_LENGTH_MM
    rings = np.stack([np.interp(z, z_fine, radius[:, k]) for k in range(_SIDES)], axis=1)
    return _star_solid(z, angle, rings)


def _finial_radius(z: Floats, angle: Floats) -> Floats:
    """Return the radius of the finial at z (n, 1) and angle (1, m) in radians, before softening."""
    outline = PchipInterpolator(_OUTLINE[:, 0], _OUTLINE[:, 1])(z)
    # Barley twist: two strands, one turn in 34 mm, 4.4 mm deep, fading out at both ends.
    strand = np.abs(np.cos(angle - 2.0 * np.pi * (z - 18.0) / 34.0))
    twist = -4.4 * (1.0 - np.sqrt(strand**2 * 0.94 + 0.06)) * _between(z, 19.0, 55.0, 3.5)
    # Gadroons round the lower bead.
    lobes = 0.55 * (np.abs(np.cos(10.0 * angle)) - 0.6) * _between(z, 10.4, 16.4, 1.6)
    # Fluted flame over the bulb, turning the other way than the twist.
    flame = 0.8 * (np.abs(np.cos(4.0 * (angle + 2.0 * np.pi * (z - 92.0) / 70.0))) - 0.6) * _between(z, 94.0, 109.0, 4.0)
    return outline + twist + lobes + flame + _leaves(z, angle)


def _leaves(z: Floats, angle: Floats) -> Floats:
    """Return how far the leaves of the bulb stand out: three rows, each tip lapping over the feet of the next row's leaves."""
    height = np.zeros(np.broadcast_shapes(z.shape, angle.shape))
    for row, (foot, tip, count) in enumerate(((63.5, 79.5, 8), (66.5, 88.5, 8), (75.0, 97.0, 8))):
        for leaf in range(count):
            middle = 2.0 * np.pi * (leaf + 0.5 * (row % 2)) / count
            across = np.angle(np.exp(1j * (angle - middle))) * count / np.pi  # -1 .. 1 over the leaf's own share
            height = np.maximum(height, _leaf((z - foot) / (tip - foot), across, 2.6 - 0.4 * row))
    return height


def _leaf(along: Floats, across: Floats, rise_mm: float) -> Floats:
    """Return one leaf: an ogee blade rising toward its tip, domed, with a midrib and a lobed rim."""
    v = np.clip(along, 0.0, 1.0)
    half_width = 1.12 * np.sqrt(np.clip(v * 6.0, 0.0, 1.0)) * np.sqrt(1.0 - v**2.6) * (1.0 + 0.06 * np.cos(7.0 * np.pi * v))
    u = np.abs(across) / np.maximum(half_width, 1e-6)
    blade = np.clip(1.0 - u**2.6, 0.0, 1.0) ** 0.7
    rib = 0.55 * np.exp(-((across / 0.13) ** 2)) - 0.3 * np.exp(-(((np.abs(across) - 0.30) / 0.16) ** 2))
    ease = np.clip(v / 0.2, 0.0, 1.0)
    rise = rise_mm * (0.2 * ease + 0.8 * v**1.2) + rib * ease * (1.0 - v**3)
    inside = (along > 0.0) & (along < 1.0)
    return np.where(inside, np.maximum(rise, 0.0) * blade, 0.0)


def _between(z: Floats, start: float, end: float, fade: float) -> Floats:
    """Return 1 between two heights, 0 outside, fading smoothly over `fade` mm inside both ends."""
    t = np.clip(np.minimum(z - start, end - z) / fade, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def _star_solid(z: Floats, angle: Floats, radius: Floats) -> Mesh:
    """Return the closed solid with radius (n, m) at heights z (n,) and angles (m,), with flat ends."""
    n, m = radius.shape
    side = np.stack([radius * np.cos(angle), radius * np.sin(angle), np.broadcast_to(z[:, None], radius.shape)], axis=2)
    vertices = np.concatenate([side.reshape(-1, 3), [[0.0, 0.0, z[0]], [0.0, 0.0, z[-1]]]])
    ring, around = np.meshgrid(np.arange(n - 1), np.arange(m), indexing="ij")
    a, b = ring * m + around, ring * m + (around + 1) % m
    c, d = a + m, b + m
    rim = np.arange(m)
    after = (rim + 1) % m
    top = (n - 1) * m
    faces = np.concatenate(
        [
            np.stack([a, b, d], axis=2).reshape(-1, 3),
            np.stack([a, d, c], axis=2).reshape(-1, 3),
            np.stack([after, rim, np.full(m, n * m)], axis=1),
            np.stack([top + rim, top + after, np.full(m, n * m + 1)], axis=1),
        ]
    )
    return Mesh(vertices, faces.astype(np.int32))


BRACKET_LENGTH_MM = 90.0
BRACKET_WIDTH_MM = 38.0
_ARC_SIDES = 96  # of a full circle


def bracket() -> Mesh:
    """Return the bracket: 38 x 38 x 90 mm along its own X, centred on it, with another job on each of its four sides.

    Top (+Z): a stepped pocket. Front (-Y): a slot, open at one end. Below (-Z): a round recess and two screw holes. Back
    (+Y): two pockets side by side. A bore of 12 mm runs across along Y; the four long edges are bevelled at 45 degrees.
    Inner corners have a radius of 3.5 mm or more, so that a cutter of 6 mm can turn in them.
    """
    half = BRACKET_WIDTH_MM / 2.0
    bevel = 4.0
    corners = [(-half + bevel, -half), (half - bevel, -half), (half, -half + bevel), (half, half - bevel)]
    corners += [(-y, -z) for y, z in corners]
    body = _along_x(manifold3d.CrossSection([np.array(corners)]), 0.0, BRACKET_LENGTH_MM)
    top = [_pocket(24.0, 0.0, 34.0, 24.0, 6.0, 5.0), _pocket(24.0, 0.0, 22.0, 14.0, 12.0, 3.5)]
    front = [_pocket(84.0, 0.0, 28.0, 10.0, 8.0, 4.5)]
    below = [_round_hole(24.0, 0.0, 18.0, 5.0), _round_hole(77.0, -9.0, 4.5, 12.0), _round_hole(77.0, 9.0, 4.5, 12.0)]
    back = [_pocket(17.0, 0.0, 20.0, 20.0, 5.0, 4.0), _pocket(43.0, 0.0, 20.0, 20.0, 5.0, 4.0)]
    bore = [_round_hole(61.5, 0.0, 12.0, BRACKET_WIDTH_MM + 2.0)]
    cuts = [*top, *(cut.rotate((90.0, 0.0, 0.0)) for cut in front), *(cut.rotate((180.0, 0.0, 0.0)) for cut in below)]
    cuts += [cut.rotate((-90.0, 0.0, 0.0)) for cut in (*back, *bore)]
    solid = manifold3d.Manifold.batch_boolean([body, *cuts], manifold3d.OpType.Subtract)
    mesh = solid.to_mesh64()
    return Mesh(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts).astype(np.int32))


def _along_x(section: manifold3d.CrossSection, from_x: float, to_x: float) -> manifold3d.Manifold:
    """Return the section, drawn in (y, z), drawn out along X."""
    return section.extrude(to_x - from_x).rotate((90.0, 0.0, 90.0)).translate((from_x, 0.0, 0.0))


def _pocket(x: float, y: float, length: float, width: float, depth: float, corner_radius: float) -> manifold3d.Manifold:
    """Return what a pocket takes out of the top: middle (x, y), along X, across Y, depth from the face, corner radius."""
    core = manifold3d.CrossSection.square((length - 2.0 * corner_radius, width - 2.0 * corner_radius), center=True)
    outline = core.offset(corner_radius, manifold3d.JoinType.Round, circular_segments=_ARC_SIDES)
    return _sunk(outline.translate((x, y)), depth)


def _round_hole(x: float, y: float, diameter: float, depth: float) -> manifold3d.Manifold:
    """Return what a round hole takes out of the top."""
    return _sunk(manifold3d.CrossSection.circle(diameter / 2.0, _ARC_SIDES).translate((x, y)), depth)


def _sunk(outline: manifold3d.CrossSection, depth: float) -> manifold3d.Manifold:
    over = 1.0  # reaches above the face, so that no thin skin is left on it
    return outline.extrude(depth + over).translate((0.0, 0.0, BRACKET_WIDTH_MM / 2.0 - depth))
