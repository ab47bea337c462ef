"""What the job file asks of single groups of surfaces: tolerance, allowance and corner radius by side, height or face name."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from newel.core.job import SurfaceAsk
from newel.core.plan import KeptWalls
from newel.planning.side_bench import SideBench
from newel.planning.sides import SQUARE_DEG, apart_deg, turned

Floats = NDArray[np.float64]
Faces = NDArray[np.int64]

SIDE_DEG = 0.5  # an angle in the job file names the side this near to it
_AT_MM = 1e-6


def asked_of(bench: SideBench, turn_deg: float, z_mm: tuple[float, float]) -> SurfaceAsk:
    """Return what is asked of surfaces cut at a turn between two heights over the axis; of several groups the last counts."""
    found = SurfaceAsk()
    for ask in bench.job.surfaces:
        if _is_meant(bench, ask, turn_deg, z_mm):
            found = SurfaceAsk(
                tolerance_mm=ask.tolerance_mm if ask.tolerance_mm is not None else found.tolerance_mm,
                allowance_mm=ask.allowance_mm if ask.allowance_mm is not None else found.allowance_mm,
                corner_radius_mm=ask.corner_radius_mm if ask.corner_radius_mm is not None else found.corner_radius_mm,
            )
    return found


def allowances_of(bench: SideBench, turn_deg: float, z_mm: tuple[float, float]) -> tuple[float, tuple[KeptWalls, ...]]:
    """Return the allowance of all that is cut at a turn between two heights, and the walls there that keep more.

    Walls that a group names by face or height keep theirs alone; of several groups the last counts.
    """
    asks = [ask for ask in bench.job.surfaces if ask.allowance_mm is not None and _is_meant(bench, ask, turn_deg, z_mm)]
    if all(_means_all(ask) for ask in asks):
        return (asks[-1].allowance_mm or 0.0 if asks else 0.0), ()
    heights = sorted({z for ask in asks for z in (ask.from_z_mm, ask.to_z_mm) if z is not None})
    triangles, face = parted_at(bench.part.vertices[bench.part.faces], turn_deg, heights)
    middle = turned(triangles.mean(axis=1), turn_deg)[:, 2]
    stays = np.zeros(len(triangles))
    for ask in asks:
        mine = np.ones(len(triangles), bool) if ask.face is None else np.isin(face, _faces_named(bench, ask.face))
        mine &= middle >= (ask.from_z_mm if ask.from_z_mm is not None else -np.inf)
        mine &= middle <= (ask.to_z_mm if ask.to_z_mm is not None else np.inf)
        stays[mine] = ask.allowance_mm
    least = float(stays.min())
    more = [v for v in np.unique(stays).tolist() if v > least]
    return least, tuple(KeptWalls(triangles[stays == v], v) for v in more)


def _means_all(ask: SurfaceAsk) -> bool:
    return ask.face is None and ask.from_z_mm is None and ask.to_z_mm is None


def _faces_named(bench: SideBench, name: str) -> Faces:
    some = [flat.faces for flat in bench.features.flats if flat.name == name]
    some += [item.faces for item in bench.features.rounds if item.name == name]
    return np.concatenate(some) if some else np.zeros(0, np.int64)


def parted_at(triangles: Floats, turn_deg: float, heights_mm: Sequence[float]) -> tuple[Floats, Faces]:
    """Part triangles (k, 3, 3) at heights over the axis at a turn: (n, 3, 3), and which of the k each was (n,)."""
    face = np.arange(len(triangles))
    for height in heights_mm:
        over = turned(triangles.reshape(-1, 3), turn_deg)[:, 2].reshape(-1, 3) - height
        cuts = (over.min(axis=1) < -_AT_MM) & (over.max(axis=1) > _AT_MM)
        pieces, of = [triangles[~cuts]], [face[~cuts]]
        # the corner that is alone on its side goes first, the order of the others kept
        up = over[cuts] > 0.0
        alone = np.argmax(up == (up.sum(axis=1) == 1)[:, None], axis=1)
        row = np.arange(len(alone))
        a, b, c = (triangles[cuts][row, (alone + k) % 3] for k in range(3))
        za, zb, zc = (over[cuts][row, (alone + k) % 3] for k in range(3))
        p, q = (a + (za / (za - z))[:, None] * (other - a) for other, z in ((b, zb), (c, zc)))
        for piece in ((a, p, q), (p, b, c), (p, c, q)):
            pieces.append(np.stack(piece, axis=1))
            of.append(face[cuts])
        triangles, face = np.concatenate(pieces), np.concatenate(of)
    return triangles, face


def _is_meant(bench: SideBench, ask: SurfaceAsk, turn_deg: float, z_mm: tuple[float, float]) -> bool:
    if ask.turn_deg is not None and apart_deg(ask.turn_deg, turn_deg) > SIDE_DEG:
        return False
    if ask.from_z_mm is not None and z_mm[1] < ask.from_z_mm:
        return False
    if ask.to_z_mm is not None and z_mm[0] > ask.to_z_mm:
        return False
    return ask.face is None or _shows(bench, ask.face, turn_deg, z_mm)


def _shows(bench: SideBench, name: str, turn_deg: float, z_mm: tuple[float, float]) -> bool:
    """Tell whether a face of this name lies square or upright at a turn, between two heights."""
    level = np.sin(np.radians(SQUARE_DEG))
    for flat in bench.features.flats:
        if flat.name != name:
            continue
        up = float(turned(flat.normal[None, :], turn_deg)[0, 2])
        z = turned(bench.part.vertices[np.unique(bench.part.faces[flat.faces])], turn_deg)[:, 2]
        if (up >= 1.0 - level or abs(up) <= level) and z.max() >= z_mm[0] and z.min() <= z_mm[1]:
            return True
    for bore in bench.features.rounds:
        if bore.name == name and abs(abs(float(turned(bore.axis[None, :], turn_deg)[0, 2])) - 1.0) <= level:
            return True
    return False
