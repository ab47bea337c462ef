"""Plain solids for the pictures: the bar, the jaws, the centre and the tailstock, as closed meshes."""

from __future__ import annotations

import numpy as np

from newel.core.job import Section
from newel.core.plan import Bar
from newel.reports.results import Floats, Mesh
from newel.shop.machines import Chuck, TailstockUnit


def section_corners_yz(section: Section, size_mm: tuple[float, ...], turned_deg: float) -> Floats:
    """Return the corners (n, 2) of a bar's cross-section in Y and Z, counter-clockwise; a round bar gets 96."""
    if section is Section.ROUND:
        t = np.linspace(0.0, 2 * np.pi, 96, endpoint=False)
        corners = size_mm[0] / 2 * np.column_stack([np.cos(t), np.sin(t)])
    elif section is Section.HEXAGON:
        t = np.radians(np.arange(0, 360, 60))  # a flat up: corners at 0, 60 …
        corners = size_mm[0] / np.sqrt(3.0) * np.column_stack([np.cos(t), np.sin(t)])
    else:
        w, h = size_mm[0] / 2, size_mm[-1] / 2
        corners = np.array([[w, -h], [w, h], [-w, h], [-w, -h]])
    c, s = np.cos(np.radians(turned_deg)), np.sin(np.radians(turned_deg))
    return corners @ np.array([[c, s], [-s, c]])


def bar_solid(bar: Bar) -> Mesh:
    """Return the bar as sawn."""
    return prism(section_corners_yz(bar.section, bar.size_mm, bar.turned_deg), bar.from_x_mm, bar.to_x_mm)


def prism(corners_yz: Floats, from_x: float, to_x: float) -> Mesh:
    """Return a convex prism along X."""
    n = len(corners_yz)
    ends = [np.column_stack([np.full(n, x), corners_yz]) for x in (from_x, to_x)]
    i = np.arange(n)
    j = (i + 1) % n
    walls = np.vstack([np.column_stack([i, j, i + n]), np.column_stack([j, j + n, i + n])])
    k = np.arange(1, n - 1)
    near = np.column_stack([np.zeros(n - 2, int), k + 1, k])
    far = np.column_stack([np.full(n - 2, n), k + n, k + 1 + n])
    return Mesh(np.vstack(ends), np.vstack([walls, near, far]).astype(np.int64))


def turned(x_mm: Floats, r_mm: Floats, pieces: int = 96) -> Mesh:
    """Return a solid turned about X from its outline (x, r); the ends should be at r = 0."""
    t = np.linspace(0.0, 2 * np.pi, pieces, endpoint=False)
    rows = len(x_mm)
    vertices = np.stack([np.repeat(x_mm, pieces), np.outer(r_mm, np.cos(t)).ravel(), np.outer(r_mm, np.sin(t)).ravel()], axis=1)
    a, b = np.meshgrid(np.arange(rows - 1), np.arange(pieces), indexing="ij")
    b1 = (b + 1) % pieces
    v00, v01, v10, v11 = (q.ravel() for q in (a * pieces + b, a * pieces + b1, (a + 1) * pieces + b, (a + 1) * pieces + b1))
    return Mesh(vertices, np.vstack([np.column_stack([v00, v01, v10]), np.column_stack([v01, v11, v10])]).astype(np.int64))


def jaws_solids(chuck: Chuck, bar: Bar, *, shown_mm: float) -> list[Mesh]:
    """Return the jaws, stepped as jaws are, and `shown_mm` of the chuck's body behind them."""
    radius = chuck.body_diameter_mm / 2
    back, length = -chuck.jaw_length_mm, min(chuck.body_length_mm, shown_mm)
    body = turned(
        np.array([back - length, back - length, back - 1.5, back, back]),
        np.array([0.0, radius, radius, radius - 1.5, 0.0]),
    )
    count = max(chuck.jaws, 2)
    inner = _inner_radius(bar, 360.0 / count)
    outer = chuck.jaw_swing_diameter_mm / 2
    half = min(chuck.body_diameter_mm * 0.11, 0.45 * outer, inner * np.tan(np.pi / count) * 0.85)
    step = inner + 0.4 * (outer - inner)
    solids = [body]
    for jaw in range(count):
        turn = bar.turned_deg + 90.0 + jaw * 360.0 / count
        solids.append(_jaw((inner, step), half, (back, 0.0), turn))
        solids.append(_jaw((step, float(np.sqrt(outer**2 - half**2))), half, (back, 0.5 * back), turn))
    return solids


def tailstock_solids(unit: TailstockUnit, bar_end_x: float, *, shown_mm: float) -> list[Mesh]:
    """Return the live centre with its point in the bar's end, and `shown_mm` of the tailstock behind it."""
    radius = unit.centre_diameter_mm / 2
    cone = radius / np.tan(np.radians(unit.centre_angle_deg / 2))
    x0, x1 = bar_end_x - min(2.0, cone / 3), bar_end_x + unit.centre_length_mm
    centre = turned(np.array([x0, min(x0 + cone, x1), x1, x1]), np.array([0.0, radius, radius, 0.0]))
    outer = min(unit.body_radius_mm, 2.4 * radius)  # the cylinder that holds the whole casting would hide the picture
    x2 = x1 + min(unit.body_length_mm, shown_mm)
    return [centre, turned(np.array([x1, x1, x2, x2]), np.array([0.0, outer, outer, 0.0]))]


def _inner_radius(bar: Bar, spread: float) -> float:
    """Return how far from the axis the jaws touch the bar, standing on its flats."""
    if bar.section is Section.HEXAGON and round(spread) not in (60, 120, 180):
        return float(bar.size_mm[0] / np.sqrt(3.0))
    return float(min(bar.size_mm) / 2)


def _jaw(radii: tuple[float, float], half: float, x: tuple[float, float], turn_deg: float) -> Mesh:
    corners = np.array([[radii[0], -half], [radii[1], -half], [radii[1], half], [radii[0], half]])
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return prism(corners @ np.array([[c, s], [-s, c]]), *x)
