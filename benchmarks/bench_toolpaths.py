"""Time the making of passes for a twisted, beaded part of diameter 38 and length 110 from a 40 mm square bar.

Prints, for roughing (6 mm flat end) and finishing (3 mm ball, cusp 0.01 mm) in each direction: seconds of the first call in
this process and of later calls (best of three), metres of feed and of rapid, and rows. Fixed model, no randomness. Run it
alone on the machine; compare two versions in one run only.
"""

from __future__ import annotations

import os
import platform
import time

import numba
import numpy as np

from newel.core.job import Direction, Section
from newel.core.plan import Cut, CutKind
from newel.core.profile import CutterShape, outline
from newel.core.setup import KeepOut
from newel.geometry.blank import bar_blank, carve
from newel.geometry.drop import drop_tree
from newel.toolpaths.cut_passes import cut_passes
from newel.toolpaths.linking import Surroundings

AROUND = Surroundings((KeepOut("jaws", -30.0, 0.0, 35.0, True),), 60.0, 2.0, True, 20.0)


def finial(along: int = 440, round_about: int = 160):
    """Vertices and faces of the part, stubs of radius 5 at both ends included."""
    x = np.linspace(3.0, 150.0, along)[:, None]
    phi = (np.arange(round_about) * 2.0 * np.pi / round_about)[None, :]
    t = np.clip((x - 20.0) / 110.0, 0.0, 1.0)
    body = 9.0 + 8.0 * np.sin(np.pi * t) ** 2 + 1.5 * np.sin(6.0 * np.pi * t)
    r = body * (1.0 + 0.12 * np.cos(4.0 * phi - np.radians(6.0 * x)))
    r = np.minimum(np.where((x < 20.0) | (x > 130.0), 5.0, r), 19.0)
    vertices = np.stack([np.broadcast_to(x, r.shape), r * np.sin(phi), r * np.cos(phi)], -1).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(along - 1), np.arange(round_about), indexing="ij")
    a, b = i * round_about + j, i * round_about + (j + 1) % round_about
    c, d = a + round_about, b + round_about
    return vertices, np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([b, d, c], -1).reshape(-1, 3)])


def ended(*edge) -> CutterShape:
    r, top = edge[-1][0], 20.0
    return CutterShape(outline((0, 0), *edge, (r, top)), outline((r, top), (r, 28), (8, 28), (8, 50), (30, 50), (30, 100)))


def cut(kind: CutKind, direction: Direction) -> Cut:
    rough = kind is CutKind.ROUGH_AROUND
    return Cut(
        1, kind.value, kind, 1, direction, 10.0 if rough else 16.0, 140.0 if rough else 133.0, 10000.0, 1500.0, 400.0, 5.0,
        0.4 if rough else 0.0, 2.0, 2.4 if rough else 1.0, 0.01, 0.05,
    )  # fmt: skip


def measured(path) -> str:
    way = np.abs(np.diff(path.pose, axis=0))
    length = np.hypot(np.hypot(way[:, 0], way[:, 2]), np.radians(way[:, 3]) * np.abs(path.pose[1:, 2])) / 1000.0
    rapid = path.kind[1:] == 0
    return f"{length[~rapid].sum():6.1f} m feed {length[rapid].sum():5.2f} m rapid {len(path):7d} rows"


def main() -> None:
    print(f"python {platform.python_version()} numba {numba.__version__} numpy {np.__version__} cores {os.cpu_count()}")
    vertices, faces = finial()
    target = drop_tree(vertices, faces)
    print(f"part: {len(faces)} triangles")
    flat, ball = ended((3.0, 0.0)), ended((1.5, 1.5, 0.0, 1.5))
    blank = bar_blank(Section.SQUARE, (40.0,), -20.0, 150.0, 0.0, 0.25)
    path = None
    for kind, shape in ((CutKind.ROUGH_AROUND, flat), (CutKind.FINISH_AROUND, ball)):
        for direction in Direction:
            seconds = []
            for _ in range(4):
                start = time.perf_counter()
                path = cut_passes(cut(kind, direction), shape, target, blank, AROUND)
                seconds.append(time.perf_counter() - start)
            times = f"first {seconds[0]:6.2f} s later {min(seconds[1:]):6.2f} s"
            print(f"{kind.value:14s} {direction.value:8s} {times} {measured(path)}")
        if kind is CutKind.ROUGH_AROUND:
            carve(blank, shape, path.pose, np.zeros(len(path), dtype=np.int32))


if __name__ == "__main__":
    main()
