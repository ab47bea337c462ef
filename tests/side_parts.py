"""Small parts for cuts at sides: a block with a pocket, a hexagon, and the bench they are planned on. All invented, small."""

from __future__ import annotations

import manifold3d
import numpy as np

from newel.core.job import BarAsk, Job, ModelAsk, Section
from newel.geometry.meshes import Mesh
from newel.pipeline import tools_at_hand
from newel.shop.catalogue import Shop, load_shop, shipped_texts


def mesh_of(solid: manifold3d.Manifold) -> Mesh:
    raw = solid.to_mesh64()
    return Mesh(np.asarray(raw.vert_properties)[:, :3].copy(), np.asarray(raw.tri_verts).astype(np.int32))


def block(length: float = 30.0, width: float = 20.0) -> manifold3d.Manifold:
    """Return a square block along X, from 0 to `length`, centred on its axis."""
    return manifold3d.Manifold.cube((length, width, width)).translate((0.0, -width / 2.0, -width / 2.0))


def pocketed(corner_mm: float = 4.0, depth: float = 5.0) -> Mesh:
    """Return the block of 30 x 20 x 20 mm with a pocket of 16 x 12 mm in its top (+Z), corners rounded."""
    core = manifold3d.CrossSection.square((16.0 - 2.0 * corner_mm, 12.0 - 2.0 * corner_mm), center=True)
    outline = core.offset(corner_mm, manifold3d.JoinType.Round, circular_segments=64) if corner_mm > 0.0 else core
    tool = outline.extrude(depth + 1.0).translate((15.0, 0.0, 10.0 - depth))
    return mesh_of(block() - tool)


def job_for(section: Section = Section.SQUARE, size: tuple[float, ...] = (22.0,), **more: object) -> Job:
    make = Job
    return make("part", ModelAsk("part.stl"), BarAsk(section, size, "beech"), "light benchtop mill", **more)  # type: ignore[arg-type]


def shop() -> Shop:
    return load_shop(shipped_texts())


def bench_tools(job: Job):  # type: ignore[no-untyped-def]
    """Return shop, machine, material and tools of a job."""
    found = shop()
    machine = found.machine(job.machine)
    return found, machine, found.material(job.bar.material), tools_at_hand(job, found, machine)
