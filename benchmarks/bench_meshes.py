"""How long reading and mending a model of about 250,000 triangles takes, by file type and by what is wrong with it.

Run: python benchmarks/bench_meshes.py. Each case is read three times in one process; the first includes imports and caches.
Nothing here is compiled, so cold and warm differ little. Processor time is this process's own, whatever else runs.
"""

from __future__ import annotations

import os
import platform
import time

import numpy as np
import trimesh

from newel.geometry.meshes import Mesh, read_mesh, write_stl


def waved_cylinder(rings: int, sides: int) -> Mesh:
    """A closed waved cylinder of 2 * rings * sides triangles, 110 mm long."""
    z = np.linspace(0.0, 110.0, rings + 1)[:, None]
    angle = 2.0 * np.pi * np.arange(sides)[None, :] / sides
    radius = 12.0 + 2.0 * np.cos(3.0 * angle - 0.2 * z) + np.sin(0.4 * z)
    side = np.stack([radius * np.cos(angle), radius * np.sin(angle), np.broadcast_to(z, radius.shape)], axis=2)
    ring, around = np.meshgrid(np.arange(rings), np.arange(sides), indexing="ij")
    a, b = ring * sides + around, ring * sides + (around + 1) % sides
    rim, top = np.arange(sides), rings * sides
    after = (rim + 1) % sides
    low, high = (rings + 1) * sides, (rings + 1) * sides + 1
    faces = [
        np.stack([a, b, b + sides], axis=2).reshape(-1, 3),
        np.stack([a, b + sides, a + sides], axis=2).reshape(-1, 3),
        np.stack([after, rim, np.full(sides, low)], axis=1),
        np.stack([top + rim, top + after, np.full(sides, high)], axis=1),
    ]
    vertices = np.concatenate([side.reshape(-1, 3), [[0.0, 0.0, 0.0], [0.0, 0.0, 110.0]]])
    return Mesh(vertices, np.concatenate(faces).astype(np.int32))


def cases(mesh: Mesh) -> dict[str, tuple[str, bytes]]:
    """The same model in every file type, and broken in every way that is mended."""
    rng = np.random.default_rng(1)
    plain = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    flipped = mesh.faces.copy()
    some = rng.random(len(flipped)) < 0.3
    flipped[some] = flipped[some][:, ::-1]
    holed = np.delete(mesh.faces, rng.choice(len(mesh.faces) - 2000, 300, replace=False), axis=0)
    doubled = np.concatenate([mesh.faces, mesh.faces[: len(mesh.faces) // 4]])
    half = waved_cylinder(360, 173)
    two = Mesh(
        np.concatenate([half.vertices, half.vertices + np.array([5.0, 3.0, 20.0])]),
        np.concatenate([half.faces, half.faces + len(half.vertices)]),
    )
    return {
        "stl, binary": ("stl", write_stl(mesh)),
        "stl, ascii": ("stl", plain.export(file_type="stl_ascii").encode()),
        "obj": ("obj", plain.export(file_type="obj").encode()),
        "ply": ("ply", plain.export(file_type="ply")),
        "3mf": ("3mf", plain.export(file_type="3mf")),
        "stl, 30 % flipped": ("stl", write_stl(Mesh(mesh.vertices, flipped))),
        "stl, 300 faces gone": ("stl", write_stl(Mesh(mesh.vertices, holed))),
        "stl, a quarter doubled": ("stl", write_stl(Mesh(mesh.vertices, doubled))),
        "stl, two bodies overlapping": ("stl", write_stl(two)),
    }


def main() -> None:
    """Print one line a case."""
    mesh = waved_cylinder(720, 173)
    print(f"Python {platform.python_version()}, numpy {np.__version__}, trimesh {trimesh.__version__}, {os.cpu_count()} cores")
    for name, (file_type, data) in cases(mesh).items():
        seconds, work = [], []
        for _ in range(3):
            start, busy = time.perf_counter(), time.process_time()
            model = read_mesh(data, file_type, "mm", name)
            seconds.append(time.perf_counter() - start)
            work.append(time.process_time() - busy)
        size = f"{len(data) / 1e6:6.1f} MB -> {len(model.mesh.faces)} triangles"
        times = f"first {seconds[0]:5.2f} s  best {min(seconds):5.2f} s  processor {min(work):5.2f} s"
        print(f"{name:28s} {times}  {size}  {'; '.join(model.mended)}", flush=True)


if __name__ == "__main__":
    main()
