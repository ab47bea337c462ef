"""Around or side by side: how the bar stands while the part is cut, and why."""

from __future__ import annotations

import numpy as np

from newel.core.job import Job, Work
from newel.core.plan import Decision
from newel.geometry.features import Features
from newel.geometry.meshes import Mesh

SIDES_SHARE = 0.5  # of the surface in flats and bores from which a part is cut side by side (our own rule)


CARVED_SHARE = 0.1  # of the surface in plane patches under which nobody need look closer
PATCH_SHARE = 0.002  # of the surface that makes a plane patch worth counting


def looks_carved(job: Job, mesh: Mesh) -> bool:
    """Tell by a quick look whether a part has hardly a flat on it: then it is carved all round."""
    if job.work is not None:
        return job.work is not Work.SIDES
    if job.sides.angles_deg is not None:
        return False
    corner = mesh.vertices[mesh.faces]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    doubled = np.linalg.norm(cross, axis=1)
    normal = cross / np.maximum(doubled, 1e-300)[:, None]
    place = np.column_stack([normal, np.sum(normal * corner[:, 0], axis=1)])
    _, patch = np.unique(np.round(place, 3) + 0.0, axis=0, return_inverse=True)
    area = np.bincount(np.ravel(patch), weights=doubled) / max(float(doubled.sum()), 1e-300)
    return float(area[area >= PATCH_SHARE].sum()) < CARVED_SHARE


def decide_work(job: Job, mesh: Mesh, features: Features) -> tuple[Work, Decision]:
    """Decide by what the surface is made of: flats and round bores want the bar clamped, all else is carved as it turns."""
    share = flat_share(mesh, features)
    if job.work is not None:
        return job.work, Decision("how it is cut", job.work.value, "asked for", by="job file")
    if job.sides.angles_deg is not None:
        return Work.SIDES, Decision("how it is cut", Work.SIDES.value, "the job file names sides", by="job file")
    words = f"flats and round bores make up {100.0 * share:.0f} % of the surface"
    if share >= SIDES_SHARE:
        because = f"{words}: a flat tip leaves them true and without cusps while the bar stands clamped"
        return Work.SIDES, Decision("how it is cut", Work.SIDES.value, because, (Work.AROUND.value,))
    because = f"{words}, less than {100.0 * SIDES_SHARE:.0f} %: the rest is carved best while the bar turns"
    return Work.AROUND, Decision("how it is cut", Work.AROUND.value, because, (Work.SIDES.value,))


def flat_share(mesh: Mesh, features: Features) -> float:
    """Return the share of the surface in flats and in round bores (whole or in part), 0 to 1."""
    corner = mesh.vertices[mesh.faces]
    doubled = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    mine = np.zeros(len(doubled), bool)
    for flat in features.flats:
        mine[flat.faces] = True
    for bore in features.rounds:
        if bore.hollow:
            mine[bore.faces] = True
    return float(doubled[mine].sum() / max(float(doubled.sum()), 1e-300))
