"""Least squares with its uncertainty: what readings say, how surely, what they cannot say, and which of them stand out.

Every unknown starts from a wide guess (its `reach`), which only matters where the readings are silent: the covariance is
(J'J / s^2 + P)^-1 with the guess in P. An unknown whose spread stays near its guess is not told by the readings. Bands
are Student's t; `band` holds for one unknown, `band_all` for all of them together (Sidak 1967: 1 - 0.95^(1/k) each).
Outliers are readings whose residual passes the t limit for all readings taken together at 1 %, tested one after another.
They are named and never left out here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.stats import t as student

from newel.core.errors import BadInput

Floats = NDArray[np.float64]
Residual = Callable[[Floats], Floats]

TOLD = 0.2  # an unknown is told when its spread is under this part of its guess
SURE = 0.95
OUTLIER_RISK = 0.01  # of naming any reading of a clean table
MOST_OUTLIERS = 10
FINEST_MM = 1e-6  # no reading tells less: residuals under this are rounding


@dataclass(frozen=True)
class Unknown:
    """One unknown: its name and unit, where to start, how far it may be from there (one spread), what is good enough.

    `known` marks a value that comes with its own uncertainty (a calibrated ball): `reach` is that uncertainty.
    """

    name: str
    unit: str
    start: float
    reach: float
    good_enough: float
    known: bool = False


@dataclass(frozen=True)
class Estimate:
    """What the readings say of one unknown; where `told` is False the value is only the guess it started from."""

    name: str
    unit: str
    value: float
    spread: float
    band: float
    band_all: float
    told: bool


@dataclass(frozen=True)
class Outlier:
    """A reading that stands out: its place among the readings, its residual, and the limit it passes (mm)."""

    index: int
    label: str
    residual: float
    limit: float


@dataclass(frozen=True)
class Fit:
    """A fit: estimates in the order of the unknowns, covariance (k, k), residuals (n,), spread of a single reading.

    `dof`: readings less unknowns told. `blind`: combinations that the readings leave open, each as ((name, share), …).
    """

    estimates: tuple[Estimate, ...]
    covariance: Floats
    residuals: Floats
    reading_spread: float
    dof: float
    outliers: tuple[Outlier, ...]
    blind: tuple[tuple[tuple[str, float], ...], ...]

    def value(self, name: str) -> float:
        """Return the value of one unknown."""
        return self.of(name).value

    def of(self, name: str) -> Estimate:
        """Return the estimate of one unknown."""
        for estimate in self.estimates:
            if estimate.name == name:
                return estimate
        raise BadInput(f"the fit has no unknown {name!r}")


def fit(unknowns: Sequence[Unknown], residual: Residual, labels: Sequence[str], noise_mm: float) -> Fit:
    """Fit unknowns so that `residual` (n readings, in mm, from values in the order of `unknowns`) is least.

    `noise_mm`: what a reading's spread is taken for until the readings tell their own (with 3 or more to spare). Raises
    BadInput where there is no reading or a residual is not a number.
    """
    if not labels:
        raise BadInput("there is no reading to fit", remedy="fill in the table that came with the routine")
    start = np.array([item.start for item in unknowns])
    reach = np.array([item.reach for item in unknowns])
    if not np.isfinite(residual(start)).all():
        bad = labels[int(np.flatnonzero(~np.isfinite(residual(start)))[0])]
        raise BadInput(f"the reading {bad!r} cannot be: the ball would not meet the bar there", where=bad)
    noise = noise_mm
    values = start
    for _ in range(3):
        values = _minimum(residual, values, start, reach, noise)
        r = residual(values)
        covariance, jacobian = _covariance(residual, values, reach, noise)
        dof = len(r) - float(np.trace(covariance @ (jacobian.T @ jacobian)) / noise**2)
        if dof < 2.5:
            noise = noise_mm
            break
        noise = max(math.sqrt(float(r @ r) / dof), FINEST_MM)
    covariance, jacobian = _covariance(residual, values, reach, noise)
    return Fit(
        _estimates(unknowns, values, covariance, dof),
        covariance,
        residual(values),
        noise,
        dof,
        _outliers(residual(values), jacobian, reach, labels),
        _blind(unknowns, covariance, reach),
    )


def _minimum(residual: Residual, at: Floats, start: Floats, reach: Floats, noise: float) -> Floats:
    def rows(values: Floats) -> Floats:
        return np.concatenate([residual(values) / noise, (values - start) / reach])

    found = least_squares(rows, at, x_scale=reach, method="trf", xtol=1e-14, ftol=1e-14, gtol=1e-12, max_nfev=200)
    return np.asarray(found.x)


def jacobian_of(residual: Residual, values: Floats, reach: Floats) -> Floats:
    """Return the (n, k) derivatives of residuals by central differences of a ten-thousandth of each reach."""
    columns = []
    for k, step in enumerate(reach * 1e-4):
        ahead, behind = values.copy(), values.copy()
        ahead[k] += step
        behind[k] -= step
        columns.append((residual(ahead) - residual(behind)) / (2.0 * step))
    return np.column_stack(columns)


def _covariance(residual: Residual, values: Floats, reach: Floats, noise: float) -> tuple[Floats, Floats]:
    jacobian = jacobian_of(residual, values, reach)
    scaled = jacobian * reach / noise
    inner = np.linalg.inv(scaled.T @ scaled + np.eye(len(reach)))
    return inner * np.outer(reach, reach), jacobian


def _estimates(unknowns: Sequence[Unknown], values: Floats, covariance: Floats, dof: float) -> tuple[Estimate, ...]:
    spread = np.sqrt(np.diag(covariance))
    told = [bool(item.known or s < TOLD * item.reach) for item, s in zip(unknowns, spread, strict=True)]
    count = max(sum(told), 1)
    freedom = dof if dof >= 2.5 else 1e6  # the noise was given, not found
    one = float(student.ppf((1.0 + SURE) / 2.0, freedom))
    every = float(student.ppf((1.0 + SURE ** (1.0 / count)) / 2.0, freedom))
    return tuple(
        Estimate(item.name, item.unit, float(v), float(s), one * float(s), every * float(s), known)
        for item, v, s, known in zip(unknowns, values, spread, told, strict=True)
    )


def _blind(unknowns: Sequence[Unknown], covariance: Floats, reach: Floats) -> tuple[tuple[tuple[str, float], ...], ...]:
    """Return the directions, in units of the guesses, in which the readings narrowed nothing down."""
    values, vectors = np.linalg.eigh(covariance / np.outer(reach, reach))
    found = []
    for value, vector in zip(values[::-1], vectors.T[::-1], strict=True):
        if value < TOLD:  # of a variance: a direction narrowed to less than half its guess is not blind
            break
        named = [
            (item.name, float(share))
            for item, share in zip(unknowns, vector, strict=True)
            if abs(share) > 0.2 and not item.known
        ]
        if named:
            found.append(tuple(named))
    return tuple(found)


def _outliers(residuals: Floats, jacobian: Floats, reach: Floats, labels: Sequence[str]) -> tuple[Outlier, ...]:
    """Name readings that stand out, by the generalised extreme studentised deviate (Rosner, Technometrics 25, 1983, 165-172).

    The reading with the largest residual over its own spread is set aside, the rest is fitted anew (on the straight part of
    the model), and so on; all up to the last one that passed its limit are named, so that two bad ones cannot hide each other.
    """
    n = len(labels)
    kept = np.ones(n, dtype=bool)
    tried: list[Outlier] = []
    named = 0
    for _ in range(min(n // 5, MOST_OUTLIERS)):
        scaled = jacobian[kept] * reach
        scale = max(float(np.sqrt(np.mean(residuals[kept] ** 2))), FINEST_MM)
        inner = np.linalg.inv(scaled.T @ scaled / scale**2 + np.eye(len(reach))) / scale**2
        left = residuals - jacobian * reach @ (inner @ (scaled.T @ residuals[kept]))
        spare = np.maximum(1.0 - np.einsum("ij,jk,ik->i", scaled, inner, scaled), 0.0)
        free = float(spare.sum())
        if free < 3.5:
            break
        index = np.flatnonzero(kept)
        sigma = max(math.sqrt(float(left[kept] @ left[kept]) / free), FINEST_MM)
        seen = spare > 0.05  # the others are hardly checked by anything but themselves
        deviate = np.where(seen, np.abs(left[kept]) / (sigma * np.sqrt(np.maximum(spare, 0.05))), 0.0)
        worst = int(np.argmax(deviate))
        t = float(student.ppf(1.0 - OUTLIER_RISK / (2 * len(index)), free - 1.0))
        limit = t * math.sqrt(free / (free - 1.0 + t * t))  # of the deviate, whose own spread holds the reading itself
        i = int(index[worst])
        tried.append(Outlier(i, labels[i], float(left[i]), limit * sigma * math.sqrt(float(spare[worst]))))
        if deviate[worst] > limit:
            named = len(tried)
        kept[i] = False
    return tuple(tried[:named])
