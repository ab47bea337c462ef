"""Slow twin of the blank: points of the bar against the cutter standing at many poses of every move."""

from __future__ import annotations

import numpy as np

from newel.core.profile import Profile


def outline_points(profile: Profile, chords: int = 400) -> tuple[np.ndarray, np.ndarray]:
    """Return the outline as many (r, h)."""
    r, h = [profile.r_mm[0]], [profile.h_mm[0]]
    for i in range(len(profile.r_mm) - 1):
        cr, ch = profile.centre_r_mm[i], profile.centre_h_mm[i]
        share = np.linspace(0, 1, chords + 1)[1:]
        if np.isnan(cr):
            r.extend(profile.r_mm[i] + share * (profile.r_mm[i + 1] - profile.r_mm[i]))
            h.extend(profile.h_mm[i] + share * (profile.h_mm[i + 1] - profile.h_mm[i]))
        else:
            a0 = np.arctan2(profile.h_mm[i] - ch, profile.r_mm[i] - cr)
            a1 = np.arctan2(profile.h_mm[i + 1] - ch, profile.r_mm[i + 1] - cr)
            radius = np.hypot(profile.h_mm[i] - ch, profile.r_mm[i] - cr)
            r.extend(cr + radius * np.cos(a0 + share * (a1 - a0)))
            h.extend(ch + radius * np.sin(a0 + share * (a1 - a0)))
    return np.array(r), np.array(h)


def depth_in_cutter(points: np.ndarray, profile: Profile, poses: np.ndarray, stands: int) -> np.ndarray:
    """Return, for bar points (n, 3), how deep each ever stood inside the edge (mm, below 0 outside), a lower bound on |depth|.

    Every move is stood at `stands` poses; depth is the least of the radial room and the height room.
    """
    r, h = outline_points(profile)
    deepest = np.full(len(points), -np.inf)
    for before, after in zip(np.vstack([poses[:1], poses[:-1]]), poses, strict=True):
        for t in np.linspace(0, 1, stands):
            x, y, z, turn = before + t * (after - before)
            c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
            table_y, table_z = points[:, 1] * c - points[:, 2] * s, points[:, 1] * s + points[:, 2] * c
            rho = np.hypot(points[:, 0] - x, table_y - y)
            height = table_z - z
            # radius of the outline at this height; height of the outline at this radius
            room_r = np.interp(height, h + 1e-12 * np.arange(len(h)), r) - rho
            room_h = np.minimum(height - np.interp(rho, r + 1e-12 * np.arange(len(r)), h), h[-1] - height)
            inside = (height >= h[0]) & (height <= h[-1])
            deepest = np.maximum(deepest, np.where(inside, np.minimum(room_r, room_h), -np.inf))
    return deepest
