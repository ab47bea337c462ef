"""Drops per second beside embreex's rays per second, in one run on one mesh: python benchmarks/bench_drop.py.

The mesh is a barley-twist finial of some 200,000 triangles, 38 mm by 110 mm; places are passes along X at many turns,
as a finishing cut asks them, and the same number scattered at random. Fixed seed and size; the first call compiles.
"""

from __future__ import annotations

import os
import platform
import time
from importlib.metadata import version

import numba
import numpy as np
import trimesh

from newel.core.profile import outline
from newel.geometry.drop import drop, drop_tree

CUTTERS = {
    "3 mm ball": outline((0, 0), (1.5, 1.5, 0, 1.5), (1.5, 20)),
    "6 mm ball": outline((0, 0), (3, 3, 0, 3), (3, 20)),
    "1 mm tapered ball, 5 deg": outline((0, 0), (0.49809735, 0.45642213, 0, 0.5), (1.5, 11.908), (1.5, 30)),
    "6 mm flat": outline((0, 0), (3, 0), (3, 20)),
    "3.175 mm flat": outline((0, 0), (1.5875, 0), (1.5875, 20)),
    "6 mm bull nose, r 1": outline((0, 0), (2, 0), (3, 1, 2, 1), (3, 20)),
    "30 deg V, flat tip 0.1": outline((0, 0), (0.05, 0), (3, 11.01), (3, 20)),
    "3 mm ball, shank, nut, nose": outline(
        (0, 0), (1.5, 1.5, 0, 1.5), (1.5, 12), (3, 15), (3, 30), (9.5, 30), (9.5, 45), (30, 45), (30, 120)
    ),
}


def finial(along: int = 312, around: int = 320) -> tuple[np.ndarray, np.ndarray]:
    """Make a barley-twist: four lobes turning along 110 mm, waisted and domed; vertices in mm and faces."""
    x = np.linspace(0.0, 110.0, along)[:, None]
    t = np.linspace(0.0, 2.0 * np.pi, around, endpoint=False)[None, :]
    r = 14.0 + 3.0 * np.sin(x / 17.0) + 0.9 * np.sin(x / 3.1) + (1.6 * np.cos(4.0 * t + x / 9.0)) * np.sin(np.pi * x / 110.0)
    r = r * np.sqrt(np.clip((110.5 - x) / 12.0, 0.0, 1.0))
    vertices = np.stack([x + 0.0 * t, r * np.cos(t), r * np.sin(t)], axis=2).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(along - 1), np.arange(around), indexing="ij")
    a, b = i * around + j, i * around + (j + 1) % around
    c, d = a + around, b + around
    return vertices, np.concatenate([np.stack([a, b, d], 2).reshape(-1, 3), np.stack([a, d, c], 2).reshape(-1, 3)])


def best_time(call, turns: int = 3) -> tuple[float, float]:
    """Wall seconds and processor seconds of the quickest of a few calls; the second holds when the machine is shared."""
    wall, busy = [], []
    for _ in range(turns):
        start, start_busy = time.perf_counter(), time.process_time()
        call()
        wall.append(time.perf_counter() - start)
        busy.append(time.process_time() - start_busy)
    return min(wall), min(busy)


def rate(n: int, seconds: tuple[float, float], threads: int) -> str:
    """Say n things in these seconds as a rate: by the clock, and by the processor time of so many threads."""
    return f"{n / seconds[0]:11,.0f}/s by the clock, {threads * n / seconds[1]:11,.0f}/s by processor time"


def main() -> None:
    print(f"python {platform.python_version()}, numba {version('numba')}, embreex {version('embreex')}, {os.cpu_count()} cores")
    vertices, faces = finial()
    start = time.perf_counter()
    tree = drop_tree(vertices, faces)
    cold = time.perf_counter() - start
    warm = min(best_time(lambda: drop_tree(vertices, faces)))
    print(f"{len(faces)} triangles; tree built in {warm:.3f} s of processor time (first call {cold:.3f} s by the clock)")
    n, threads = 100_000, numba.get_num_threads()
    rng = np.random.default_rng(3)
    x = np.tile(np.linspace(0.5, 109.5, 1000), n // 1000)
    turn = np.repeat(np.linspace(0.0, 359.0, n // 1000), 1000)
    scattered = rng.uniform(0.5, 109.5, n), rng.uniform(-6.0, 6.0, n), rng.uniform(0.0, 360.0, n)
    start = time.perf_counter()
    drop(tree, CUTTERS["3 mm ball"], x[:10], 0.0, turn[:10])
    print(f"first drop (compiles, or loads what was compiled): {time.perf_counter() - start:.2f} s")
    for name, profile in CUTTERS.items():
        print(f"{name:30s} passes    {rate(n, best_time(lambda p=profile: drop(tree, p, x, 0.0, turn)), threads)}")
        print(f"{'':30s} scattered {rate(n, best_time(lambda p=profile: drop(tree, p, *scattered)), threads)}")
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    rays = trimesh.ray.ray_pyembree.RayMeshIntersector(mesh)
    above = np.column_stack([scattered[0], scattered[1], np.full(n, 50.0)])
    down = np.tile([0.0, 0.0, -1.0], (n, 1))
    rays.intersects_first(above[:1000], down[:1000])
    print(
        f"{'embreex first hit, one thread':30s} rays      {rate(n, best_time(lambda: rays.intersects_first(above, down)), 1)}"
    )


if __name__ == "__main__":
    main()
