"""Time and measure cuts at a side: a block with bores, a threaded bore, a pocket, a hilly top and bevelled edges.

Each cut is made with the planner's coarse blank (0.4 mm) and carved into a fine one (0.1 mm), on which is measured what came
of it. Prints, for each kind: CPU seconds of the call (this process, warm: a small cut of the kind was made before), rows,
metres of feed, and the figures: bore diameters, wall places, widths of bevels, pitch, what rapids cut, how deep bodies struck.
Fixed model, no randomness. CPU seconds do not depend on what else the machine does; compare two versions in one run only.
"""

from __future__ import annotations

import math
import platform
import sys
import time
from pathlib import Path

import numba
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from newel.core.job import Section
from newel.core.motion import MoveKind
from newel.core.plan import CutKind, Hole, SharpEdge
from newel.geometry.blank import bar_blank, copy_of, inside, volume_mm3
from newel.geometry.blank_surface import surface_points
from newel.geometry.drop import drop_tree
from newel.shop.catalogue import load_shop, shipped_texts
from newel.shop.outlines import cutter_shape
from newel.toolpaths.cut_passes import cut_passes
from newel.toolpaths.tours import short_tour, tour_length_mm
from side_samples import (
    BESIDE,
    ball_end,
    box,
    carved_by,
    flat_end,
    pointed,
    post,
    rapids_cut_mm3,
    side_cut,
    tree_of,
    without,
)

SIZE, LONG = 24.0, 80.0
HALF = SIZE / 2
BORES = (Hole(12, 5, 12, 4, 8.0, False), Hole(12, -6, 12, -12, 6.0, True), Hole(68, 0, 12, 0, 14.0, False))
TAPPED = Hole(24, 0, 12, -2, 5.0, False, 1.0)
DRILLED = tuple(Hole(x, y, 12, 2.0, 3.0, False) for x in (4, 30, 55, 76) for y in (-9, 9))
POCKET = ((34.0, 52.0), (-7.0, 7.0), 8.0)


def part():
    holes = [post(h.x_mm, h.y_mm, (h.floor_z_mm - h.through, 13), h.diameter_mm, 180) for h in (*BORES, TAPPED, *DRILLED)]
    (x0, x1), (y0, y1), floor = POCKET
    return without(box((0, LONG), (-HALF, HALF), (-HALF, HALF)), *holes, box((x0, x1), (y0, y1), (floor, 13)))


def ring(points):
    """A closed edge round a level outline, counterclockwise, walls looking outward."""
    points = np.vstack([points, points[:1]])
    way = np.diff(points[:, :2], axis=0)
    side = np.column_stack([way[:, 1], -way[:, 0], np.zeros(len(way))])
    side /= np.linalg.norm(side, axis=1)[:, None]
    mean = side + np.roll(side, 1, axis=0)
    mean /= np.linalg.norm(mean, axis=1)[:, None]
    return SharpEdge(points, np.tile([0.0, 0, 1], (len(points), 1)), np.vstack([mean, mean[:1]]), 0.5)


def edges():
    """The rims of all bores and of the pocket: walked clockwise, so that walls look inward."""
    out = []
    for h in (*BORES, TAPPED):
        a = -np.arange(90) * 2 * np.pi / 90
        r = h.diameter_mm / 2
        out.append(ring(np.column_stack([h.x_mm + r * np.cos(a), h.y_mm + r * np.sin(a), np.full(90, HALF)])))
    (x0, x1), (y0, y1), _ = POCKET
    out.append(ring(np.array([[x0, y0, HALF], [x0, y1, HALF], [x1, y1, HALF], [x1, y0, HALF]])))
    return tuple(out)


class Bench:
    """The part, the planner's coarse blank and the fine one that is measured."""

    def __init__(self):
        self.target = tree_of(part())
        self.coarse = bar_blank(Section.SQUARE, (SIZE,), 0.0, LONG, 0.0, 0.4)
        self.fine = bar_blank(Section.SQUARE, (SIZE,), 0.0, LONG, 0.0, 0.1)

    def run(self, name, cut, shape):
        """Make a cut, carve both blanks and print what came of it."""
        begun = time.process_time()
        path = cut_passes(cut, shape, self.target, self.coarse, BESIDE)
        took = time.process_time() - begun
        carved_by(self.coarse, shape, path)
        carved = carved_by(self.fine, shape, path)
        way = np.linalg.norm(np.diff(path.pose[:, :3], axis=0), axis=1) / 1000.0
        rapid = path.kind[1:] == MoveKind.RAPID
        print(
            f"{name:28s} {took:7.2f} s CPU {len(path):7d} rows {way[~rapid].sum():6.2f} m fed {way[rapid].sum():6.2f} m rapid, "
            f"rapids cut {rapids_cut_mm3(path, carved):.4f} mm3, bodies struck {carved.struck_mm.max():.3f} mm"
        )
        return path

    def radii(self, hole):
        """Return distances of a hole's wall from its axis."""
        points, normals, _ = surface_points(self.fine)
        away = np.hypot(points[:, 0] - hole.x_mm, points[:, 1] - hole.y_mm)
        wall = (np.abs(normals[:, 2]) < 0.2) & (points[:, 2] > hole.floor_z_mm + 0.3) & (points[:, 2] < 11.0)
        return away[wall & (np.abs(away - hole.diameter_mm / 2) < 0.4)]


def thread_mill():
    shop = load_shop(shipped_texts())
    cutter = shop.cutters["4 mm thread mill"]
    return cutter_shape(cutter, shop.holder_of(cutter), 40.0, 20.0)


def walls_of_pocket(bench):
    points, normals, _ = surface_points(bench.fine)
    (x0, x1), (y0, y1), floor = POCKET
    off = []
    within = (points[:, 2] > floor + 0.2) & (points[:, 2] < 11.5) & (np.abs(normals[:, 2]) < 0.2)
    for axis, at, (low, high) in ((0, x0, (y0, y1)), (0, x1, (y0, y1)), (1, y0, (x0, x1)), (1, y1, (x0, x1))):
        along = points[:, 1 - axis]
        near = within & (along > low + 2.1) & (along < high - 2.1) & (np.abs(points[:, axis] - at) < 0.3)
        off.append(points[near, axis] - at)
    return np.concatenate(off)


def main():
    print(
        f"python {platform.python_version()}, numpy {np.__version__}, numba {numba.__version__}, "
        f"{numba.get_num_threads()} threads"
    )
    warm = Bench()
    for kind, shape, more in (
        (CutKind.BORE, flat_end(3.0), {"holes": BORES[:1], "floor_z_mm": -12.0}),
        (CutKind.PROFILE, flat_end(3.0), {"from_x_mm": 34.0, "to_x_mm": 40.0, "floor_z_mm": 11.0, "top_z_mm": 12.0}),
        (CutKind.BEVEL, pointed(6.0, 90.0, 8.0, 0.2), {"edges": edges()[:1]}),
    ):
        cut_passes(side_cut(kind, **more), shape, warm.target, warm.coarse, BESIDE)
    bench = Bench()
    base = {"to_x_mm": LONG, "from_y_mm": -14.0, "to_y_mm": 14.0, "top_z_mm": 12.0, "floor_z_mm": -12.5}
    print("\nholes")
    bench.run("drill 8 holes of 3, pecked", side_cut(CutKind.DRILL, **base, holes=DRILLED, ap_mm=3.0), pointed(3.0, 118.0))
    bench.run("bore 8, 6 (through), 14", side_cut(CutKind.BORE, **base, holes=BORES, ap_mm=1.5, ae_mm=1.2), flat_end(4.0, 25.0))
    bench.run("bore 5 for M6", side_cut(CutKind.BORE, **base, holes=(TAPPED,), ap_mm=1.0), flat_end(3.0, 18.0))
    for hole in (*BORES, TAPPED, *DRILLED[:1]):
        radii = bench.radii(hole)
        print(
            f"   asked {hole.diameter_mm:5.2f}: measured {2 * radii.min():.4f} to {2 * radii.max():.4f}, "
            f"mean {2 * radii.mean():.4f} mm"
        )
    places = np.array([[h.x_mm, h.y_mm] for h in DRILLED])
    print(f"   tour of 8 holes: {tour_length_mm(places, short_tour(places)):.1f} mm")
    bench.run("thread M6", side_cut(CutKind.THREAD, **base, holes=(TAPPED,), ae_mm=0.3), thread_mill())
    z = np.arange(1.0, 10.0, 0.01)
    line = np.column_stack([np.full(len(z), TAPPED.x_mm + 5.35 / 2), np.full(len(z), 0.03), z])
    ups = z[1:][np.diff(inside(bench.fine, line).astype(int)) > 0]
    print(f"   pitch over {len(ups) - 1} turns: {(ups[-1] - ups[0]) / (len(ups) - 1):.4f} mm")
    print("\nwalls")
    (x0, x1), (y0, y1), floor = POCKET
    pocket = {**base, "from_x_mm": x0 - 1, "to_x_mm": x1 + 1, "from_y_mm": y0 - 1, "to_y_mm": y1 + 1, "floor_z_mm": floor}
    bench.run("profile of a pocket, 4 levels", side_cut(CutKind.PROFILE, **pocket, ap_mm=1.0, slope_deg=60.0), flat_end(4.0))
    off = walls_of_pocket(bench)
    print(f"   walls off their place by {off.min():.4f} to {off.max():.4f} mm ({len(off)} points)")
    print("\nbevels")
    asked = side_cut(CutKind.BEVEL, **base, edges=edges())
    kept = copy_of(bench.fine)
    bench.run("bevel 4 rims and a pocket", asked, pointed(6.0, 90.0, 8.0, 0.2))
    leg = 0.5 / math.sqrt(2)
    rims = sum(0.5 * leg**2 * 2 * math.pi * (h.diameter_mm / 2 + leg / 3) for h in (*BORES, TAPPED))
    print(f"   took off {volume_mm3(kept) - volume_mm3(bench.fine):.3f} mm3; rims alone would be {rims:.3f} (Pappus)")
    print("\nsurface")
    hilly()


def hilly():
    """A hilly side of 60 x 20 mm with a 4 mm ball, cusp 0.01."""
    x, y = np.linspace(-2, 62, 321), np.linspace(-12, 12, 121)
    xs, ys = np.meshgrid(x, y, indexing="ij")
    zs = 7.0 + 1.5 * np.sin(2 * np.pi * xs / 24.0) * np.cos(2 * np.pi * ys / 20.0)
    i, j = np.meshgrid(np.arange(len(x) - 1), np.arange(len(y) - 1), indexing="ij")
    a = (i * len(y) + j).ravel()
    faces = np.concatenate([np.stack([a, a + len(y), a + 1], -1), np.stack([a + len(y), a + len(y) + 1, a + 1], -1)])
    bench = Bench()
    bench.target = drop_tree(np.stack([xs, ys, zs], -1).reshape(-1, 3), faces)
    bench.coarse, bench.fine = (bar_blank(Section.SQUARE, (20.0,), 0.0, 60.0, 0.0, pitch) for pitch in (0.4, 0.1))
    cut = side_cut(
        CutKind.SURFACE,
        from_x_mm=-1.5,
        to_x_mm=61.5,
        from_y_mm=-11.5,
        to_y_mm=11.5,
        floor_z_mm=0.0,
        cusp_mm=0.01,
        slope_deg=50.0,
    )
    bench.run("surface 60 x 20, cusp 0.01", cut, ball_end(4.0))
    points, _, _ = surface_points(bench.fine)
    mid = (np.abs(points[:, 0] - 30) < 28) & (np.abs(points[:, 1]) < 9.5) & (points[:, 2] > 3)
    px, py, pz = points[mid].T
    gx = 1.5 * 2 * np.pi / 24 * np.cos(2 * np.pi * px / 24) * np.cos(2 * np.pi * py / 20)
    gy = -1.5 * 2 * np.pi / 20 * np.sin(2 * np.pi * px / 24) * np.sin(2 * np.pi * py / 20)
    over = (pz - 7.0 - 1.5 * np.sin(2 * np.pi * px / 24) * np.cos(2 * np.pi * py / 20)) / np.sqrt(1 + gx**2 + gy**2)
    print(f"   over the surface: {over.min():.4f} to {over.max():.4f} mm, 99.9 % under {np.quantile(over, 0.999):.4f} mm")


if __name__ == "__main__":
    main()
