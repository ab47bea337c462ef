"""What the job file asks of single groups of surfaces: tolerance, allowance and corner radius by side, height or face name."""

from __future__ import annotations

import numpy as np

from newel.core.job import SurfaceAsk
from newel.planning.side_bench import SideBench
from newel.planning.sides import SQUARE_DEG, apart_deg, turned

SIDE_DEG = 0.5  # an angle in the job file names the side this near to it


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
