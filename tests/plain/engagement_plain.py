"""What an edge meets, cell by cell over whole arrays: the obvious way, at a few places."""

from __future__ import annotations

import numpy as np

from newel.geometry.blank import Blank, inside_by_ray
from newel.mechanics.engagement import ANGLES, IN_ROUND, CuttingLaw, EdgeCells


def engaged_plain(
    blank: Blank, cells: EdgeCells, pose: np.ndarray, rate: np.ndarray, rpm: float, law: CuttingLaw
) -> dict[str, np.ndarray | float]:
    """At one pose (4,) with rate (4,), mm and degrees a minute."""
    angle = (np.arange(ANGLES) + 0.5) * 2.0 * np.pi / ANGLES
    r, h, length = cells.r_mm[:, None], cells.h_mm[:, None], cells.length_mm[:, None]
    across = np.stack([np.cos(angle), np.sin(angle), np.zeros(ANGLES)], axis=1)
    normal = cells.normal[:, 0, None, None] * across + cells.normal[:, 1, None, None] * np.array([0.0, 0.0, 1.0])
    place = pose[:3] + r[..., None] * across + h[..., None] * np.array([0.0, 0.0, 1.0])
    spin = np.radians(rate[3]) * np.array([1.0, 0.0, 0.0])
    velocity = rate[:3] - np.cross(spin, place)  # of the cutter over the turning work
    into = (velocity * normal).sum(axis=2)
    beside = normal - into[..., None] * velocity / (velocity**2).sum(axis=2)[..., None]
    t = np.radians(pose[3])
    to_bar = np.array([[1.0, 0.0, 0.0], [0.0, np.cos(t), np.sin(t)], [0.0, -np.sin(t), np.cos(t)]])
    beside, point = beside @ to_bar.T, place @ to_bar.T
    m = np.abs(beside) / np.maximum(np.linalg.norm(beside, axis=2), 1e-9)[..., None]
    point = point - (blank.pitch_mm * (IN_ROUND + 0.5 * (m[..., 0] + m[..., 1:].min(axis=2))))[..., None] * beside
    upright = np.abs(beside[..., 2]) > np.abs(beside[..., 1])
    met = (into > 1e-9) & inside_by_ray(blank, point.reshape(-1, 3), upright.ravel()).reshape(into.shape)
    chip = np.where(met, into, 0.0) / (rpm * law.teeth)
    tangential = law.kc11_N_per_mm2 * length * chip ** (1.0 - law.mc)
    drag = np.stack([-np.sin(angle), np.cos(angle), np.zeros(ANGLES)], axis=1)
    force = tangential[..., None] * (drag - law.normal_share * normal)
    with_motion = velocity[..., 0] * np.sin(angle) - velocity[..., 1] * np.cos(angle)
    teeth = [round(tooth * ANGLES / law.teeth) for tooth in range(law.teeth)]
    whole = sum(np.roll(force.sum(axis=0), shift, axis=0) for shift in teeth)
    moment = sum(np.roll(np.cross(place, force)[..., 0].sum(axis=0), shift) for shift in teeth)
    side = np.hypot(whole[:, 0], whole[:, 1])
    way = np.linalg.norm(rate[:3] - np.cross(spin, pose[:3]))
    return {
        "area_mm2": (np.where(met, into, 0.0) * r * length).sum() * 2.0 * np.pi / ANGLES / way,
        "arc_deg": met.any(axis=0).sum() * 360.0 / ANGLES,
        "chip_mm": chip.max(),
        "mean_chip_mm": (chip * length).sum() / max((met * length).sum(), 1e-12),
        "climb": tangential[with_motion <= 0.0].sum() / max(tangential.sum(), 1e-12),
        "force_N": whole[side.argmax()],
        "axes_N": np.abs(whole).max(axis=0),
        "side_N": side.max(),
        "thrust_N": whole[np.abs(whole[:, 2]).argmax(), 2],
        "spindle_Nm": law.teeth * (tangential * r).sum() / ANGLES * 1e-3,
        "rotary_Nm": np.abs(moment).max() * 1e-3,
    }
