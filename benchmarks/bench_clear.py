"""Clear the bracket's pockets and an outside with a bounded engagement, against offset passes at the same peak engagement.

Offset passes: rings at even distances from the region's edge, from the inmost out, entered by the same helix; their width is
lowered until the largest engaged angle they meet (inmost ring left out, which is a slot in any case) is that of the bounded
way, where any width does that. Both are timed by the clock of the demo's machine, their engagement measured by the same
kernel; the bound is volume over ae times depth times feed. Fixed shapes, no randomness. Compare within one run only.
"""

from __future__ import annotations

import time
from itertools import pairwise

import numpy as np
import shapely

from newel.core.motion import MoveKind, Toolpath
from newel.mechanics.clock import toolpath_minutes
from newel.shop.catalogue import load_shop, shipped_texts
from newel.toolpaths.clear_kernels import engaged_along
from newel.toolpaths.clear_region import Engagement, asked_angle_rad, cleared, field_of, left_over

MACHINE = load_shop(shipped_texts()).machine("light benchtop mill")
FEED, SLOT, LINK, RAMP, DEPTH, LIFT = 1200.0, 0.8, 2000.0, np.tan(np.radians(5.0)), 4.0, 0.3
STEP = 0.2


def rings_of(region):
    parts = [shapely.geometry.polygon.orient(p) for p in getattr(region, "geoms", [region]) if p.geom_type == "Polygon"]
    return [np.array(r.coords) for p in parts for r in (p.exterior, *p.interiors)]


def field_for(region, stock, radius):
    x0, y0, x1, y1 = region.bounds
    m = radius + 6 * STEP
    x, y = np.arange(x0 - m, x1 + m, STEP), np.arange(y0 - m, y1 + m, STEP)
    gx, gy = np.meshgrid(x, y, indexing="ij")
    stands = np.ones(gx.shape, bool) if stock is None else shapely.contains_xy(stock, gx, gy)
    return field_of(rings_of(region), stands, (float(x[0]), float(y[0])), STEP, radius)


class Rows:
    """A toolpath in the making at one level (floor at z = 0)."""

    def __init__(self):
        self.pose, self.feed, self.kind = [], [], []

    def add(self, places, z, feed, kind):
        """Add moves to places at one height or more."""
        for (x, y), h in zip(places, np.broadcast_to(z, len(places)), strict=True):
            self.pose.append((x, y, h, 0.0))
            self.feed.append(feed)
            self.kind.append(int(kind))

    def helix(self, middle, radius):
        """Add a helix down to the floor."""
        pitch = 2 * np.pi * radius * RAMP
        turns = DEPTH / pitch
        angle = 2 * np.pi * np.linspace(-turns, 1.0, int(72 * (turns + 1)))
        places = np.stack([middle[0] + radius * np.cos(angle), middle[1] + radius * np.sin(angle)], axis=1)
        self.add(places, np.maximum(0.0, -pitch * angle / (2 * np.pi)), SLOT * FEED, MoveKind.ENTRY)

    def minutes(self):
        """Time it all by the clock."""
        path = Toolpath(np.array(self.pose), np.array(self.feed), np.array(self.kind, dtype=np.uint8))
        return toolpath_minutes(path, MACHINE)


def bounded(region, stock, radius, ae, against):
    field = field_for(region, stock, radius)
    area = float(left_over(field).sum()) * STEP**2
    start = time.process_time()
    pieces = cleared(field, Engagement(radius, asked_angle_rad(radius, ae), against), None)
    seconds = time.process_time() - start
    rows = Rows()
    peak = 0.0
    for piece in pieces:
        if piece.enters == "helix":
            rows.helix(piece.middle, piece.helix_mm)
        elif len(piece.link):
            rows.add(piece.link, np.r_[0.0, np.full(len(piece.link) - 2, LIFT), 0.0], LINK, MoveKind.LINK)
        else:
            if rows.pose:
                rows.add([rows.pose[-1][:2]], DEPTH + 2.0, 0.0, MoveKind.RAPID)
            rows.add(piece.path[:1], DEPTH + 2.0, 0.0, MoveKind.RAPID)
            rows.add(piece.path[:1], 0.0, LINK, MoveKind.LINK)
        path = piece.path
        if len(path) > 2:
            path = shapely.get_coordinates(shapely.simplify(shapely.LineString(path), 0.003))
        for _ in range(piece.layers):
            rows.add(path, 0.0, FEED if piece.layers == 1 else SLOT * FEED, MoveKind.CUT)
        if piece.layers == 1:
            peak = max(peak, float(piece.angle_rad.max()))
    left = float(left_over(field).sum()) * STEP**2
    return rows.minutes(), peak, area, left, seconds, len(pieces)


def offset_rings(region, radius, ae):
    """Rings from the inmost out, counter-clockwise (stock on the right)."""
    rings = []
    inner = region
    while not inner.is_empty:
        rings.append(rings_of(inner))
        inner = inner.buffer(-ae, quad_segs=16)
    return rings[::-1]


def offsets(region, stock, radius, ae):
    """Offset passes at a width; minutes and the largest engaged angle of all rings but the slots that begin them."""
    field = field_for(region, stock, radius)
    rows = Rows()
    outside = stock is not None
    rings = offset_rings(region, radius, ae)
    peak = 0.0
    last = None
    for level, group in enumerate(rings if not outside else rings[::-1]):
        for ring in group:
            if last is None and not outside:
                rows.helix(ring[0] - [0.8 * radius, 0.0], 0.8 * radius)
            parts = [np.linspace(a, b, max(2, int(np.hypot(*(b - a)) / 0.2)), endpoint=False) for a, b in pairwise(ring)]
            dense = np.vstack([*parts, ring[-1:]])
            angle = engaged_along(field, dense, 0.005, 64)
            if not (angle > 0.02).any():
                continue
            if last is not None:
                near = int(np.argmin(np.hypot(*(dense - last).T)))
                dense = np.vstack([dense[near:], dense[1 : near + 1]])
                rows.add([last, dense[0]], 0.0, FEED, MoveKind.CUT)
            first = level == 0
            thinned = shapely.get_coordinates(shapely.simplify(shapely.LineString(dense), 0.003))
            rows.add(thinned, 0.0, SLOT * FEED if first else FEED, MoveKind.CUT)
            if not first:
                peak = max(peak, float(np.quantile(angle, 0.995)))
            last = dense[-1]
    return rows.minutes(), peak


def compare(name, region, stock, radius, ae):
    asked = asked_angle_rad(radius, ae)
    minutes, peak, area, left, seconds, pieces = bounded(region, stock, radius, ae, 2 * radius)
    climb = bounded(region, stock, radius, ae, np.inf)[0]
    bound = area / ae / FEED
    naive, naive_peak = offsets(region, stock, radius, ae)
    low, high = 0.05 * ae, ae
    for _ in range(7):
        mid = 0.5 * (low + high)
        low, high = (mid, high) if offsets(region, stock, radius, mid)[1] <= peak * 1.02 else (low, mid)
    same, same_peak = offsets(region, stock, radius, low)
    deg = np.degrees
    if same_peak > 1.1 * peak:
        met = f"at no width does the peak come under {deg(same_peak):.0f} (corners of the rings)"
    else:
        met = f"at the same peak: ae {low:.2f}, {same:.2f} min: {same / minutes:.2f} times as long"
    print(
        f"{name:16s} ae {ae:.1f} bound {bound:.2f} min | bounded {minutes:.2f} min ({bound / minutes:.0%} of the bound; "
        f"climb only {climb:.2f}), peak {deg(peak):.0f} of {deg(asked):.0f} deg, left {left / area:.2%}, {pieces} pieces, "
        f"{seconds:.2f} s of processor | offsets at the same ae {naive:.2f} min, peak {deg(naive_peak):.0f} | {met}"
    )


def main() -> None:
    def pocket(length, width, corner, radius):
        box = shapely.box(0, 0, length, width)
        return box.buffer(-corner).buffer(corner - radius, quad_segs=24)

    part = shapely.box(22, 10, 78, 30).buffer(2.0)
    outside = shapely.box(0, -5, 100, 45).difference(part.buffer(3.0, quad_segs=24))
    for _ in range(2):  # the second time warm
        for ae in (1.2, 2.4):
            compare("pocket 34 x 24", pocket(34, 24, 5.0, 3.0), None, 3.0, ae)
            compare("pocket 22 x 14", pocket(22, 14, 3.5, 3.0), None, 3.0, ae)
            compare("pocket 20 x 20", pocket(20, 20, 4.0, 3.0), None, 3.0, ae)
            compare("round 18", shapely.Point(0, 0).buffer(6.0, quad_segs=48), None, 3.0, ae)
            compare("body, outside", outside, shapely.box(-10, 0, 110, 40), 3.0, ae)
        print()


if __name__ == "__main__":
    main()
