"""Slow, obvious twins of the toolpath kernels: loops and plain arithmetic that anyone can read."""

from __future__ import annotations

import math

import numpy as np


def height_plain(table, r_step_mm, distance_mm):
    return float(np.interp(distance_mm, r_step_mm * np.arange(len(table)), table))


def standing_height_plain(radius, x0, x_step, x, y, turn_rad, table, r_step_mm, *, whole=False, parts=200):
    """Ask the end of every ray above the axis, and all of every ray past it: where the tip would stand if it touched there.

    `whole`: all of every ray.
    """
    widest = r_step_mm * (len(table) - 1)
    nx, na = radius.shape
    best = -math.inf
    for i in range(nx):
        along = x0 + i * x_step - x
        if abs(along) > widest:
            continue
        for j in range(na):
            delta = 2.0 * math.pi * j / na - turn_rad
            if radius[i, j] <= 0.0:
                continue
            for k in range(parts + 1) if whole or math.cos(delta) <= 0.0 else (parts,):
                rho = radius[i, j] * k / parts
                away = math.hypot(along, rho * math.sin(delta) - y)
                if away <= widest:
                    best = max(best, rho * math.cos(delta) - height_plain(table, r_step_mm, away))
    return best


def cut_likely_plain(radius, x0, x_step, pose, table, r_step_mm):
    """Take poses off a copy of the map: each cell's ray is walked outward from the axis until it enters the cutter."""
    out = radius.copy()
    widest = r_step_mm * (len(table) - 1)
    nx, na = radius.shape
    for x, y, z, turn in pose:
        for i in range(nx):
            dx = x0 + i * x_step - x
            for j in range(na):
                delta = 2.0 * math.pi * j / na - turn

                def inside(rho, dx=dx, delta=delta, y=y, z=z):
                    away = math.hypot(dx, rho * math.sin(delta) - y)
                    return away <= widest and rho * math.cos(delta) >= z + height_plain(table, r_step_mm, away)

                if out[i, j] <= 0.0 or math.cos(delta) <= 0.0 or not inside(out[i, j]):
                    continue
                steps = np.linspace(0.0, out[i, j], 4000)
                out[i, j] = next(rho for rho in steps if inside(rho))
    return out


def nearest_order_plain(x, turn, radius, start_x, start_turn):
    left = list(range(len(x)))
    order = []
    at = (start_x, start_turn)
    while left:
        ways = []
        for p in left:
            for end in (0, 1):
                apart = abs((turn[p][end] - at[1] + 180.0) % 360.0 - 180.0)
                ways.append((math.hypot(x[p][end] - at[0], math.radians(apart) * radius[p]), p, end))
        _, p, end = min(ways)
        order.append((p, end == 1))
        at = (x[p][1 - end], turn[p][1 - end])
        left.remove(p)
    return order
