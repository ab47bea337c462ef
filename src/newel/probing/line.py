"""Straight lines through measured points: y on x, the line of least distance (Pearson 1901), and with both errors known (York).

References: NIST/ITL StRD, Norris (certified values of the plain line); K. Pearson, Phil. Mag. 2 (1901) 559-572; D. York,
Can. J. Phys. 44 (1966) 1079-1086, in the unified form of York and others, Am. J. Phys. 72 (2004) 367-375, without
correlation of the errors.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Line:
    """y = intercept + slope x, with the standard deviation of both and of a residual (of a distance where it is orthogonal)."""

    intercept: float
    slope: float
    intercept_spread: float
    slope_spread: float
    residual_spread: float


def line_plain(x: Floats, y: Floats) -> Line:
    """Return the least-squares line of y on x, whose x is without error. BadInput for fewer than 3 points or one x only."""
    x, y = _checked(x, y)
    mean = float(x.mean())
    dx = x - mean
    sxx = float(dx @ dx)
    slope = float(dx @ (y - y.mean())) / sxx
    intercept = float(y.mean()) - slope * mean
    off = y - intercept - slope * x
    s = math.sqrt(float(off @ off) / (len(x) - 2))
    return Line(intercept, slope, s * math.sqrt(1.0 / len(x) + mean**2 / sxx), s / math.sqrt(sxx), s)


def line_orthogonal(x: Floats, y: Floats) -> Line:
    """Return the line of least squared distance (its spreads by the plain line's rule in its own direction)."""
    x, y = _checked(x, y)
    points = np.column_stack([x - x.mean(), y - y.mean()])
    _, sizes, directions = np.linalg.svd(points, full_matrices=False)
    along = directions[0]
    if abs(along[0]) < 1e-12:
        raise BadInput("the points stand on a line along y: it has no slope")
    slope = float(along[1] / along[0])
    rms = float(sizes[1]) / math.sqrt(len(x))
    s = float(sizes[1]) / math.sqrt(len(x) - 2)
    turn = s / float(sizes[0])  # spread of the direction, rad
    slope_spread = turn * (1.0 + slope**2)
    return Line(
        float(y.mean() - slope * x.mean()),
        slope,
        math.hypot(s * math.sqrt((1.0 + slope**2) / len(x)), float(x.mean()) * slope_spread),
        slope_spread,
        rms,
    )


def line_both_known(x: Floats, y: Floats, x_weight: Floats, y_weight: Floats) -> Line:
    """Return York's line for points whose x and y have known weights (one over variance)."""
    x, y = _checked(x, y)
    wx, wy = np.asarray(x_weight, dtype=float), np.asarray(y_weight, dtype=float)
    if wx.shape != x.shape or wy.shape != x.shape or not ((wx > 0).all() and (wy > 0).all()):
        raise BadInput("each point needs a weight above 0 in x and in y")
    slope = line_plain(x, y).slope
    for _ in range(200):
        w = wx * wy / (wx + slope**2 * wy)
        u, v = x - float(w @ x) / w.sum(), y - float(w @ y) / w.sum()
        beta = w * (u / wy + slope * v / wx)
        new = float((w * beta) @ v) / float((w * beta) @ u)
        done = abs(new - slope) <= 1e-15 * max(1.0, abs(slope))
        slope = new
        if done:
            break
    w = wx * wy / (wx + slope**2 * wy)
    mean_x, mean_y = float(w @ x) / w.sum(), float(w @ y) / w.sum()
    u, v = x - mean_x, y - mean_y
    beta = w * (u / wy + slope * v / wx)
    adjusted = mean_x + beta
    centre = float(w @ adjusted) / w.sum()
    slope_spread = math.sqrt(1.0 / float(w @ (adjusted - centre) ** 2))
    intercept = mean_y - slope * mean_x
    off = math.sqrt(float(w @ (y - intercept - slope * x) ** 2) / (len(x) - 2))
    return Line(intercept, slope, math.sqrt(1.0 / w.sum() + centre**2 * slope_spread**2), slope_spread, off)


def _checked(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if x.ndim != 1 or x.shape != y.shape or len(x) < 3 or not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise BadInput("a line with its uncertainty needs three points or more with finite coordinates")
    if np.ptp(x) <= 0.0 and np.ptp(y) <= 0.0:
        raise BadInput("all points are one and the same")
    return x, y
