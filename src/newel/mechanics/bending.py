"""How far a bar gives under the cutter while it is cut away: a beam along X with a section of its own in each slice.

Two planes at once: a partly carved section has no plane of symmetry to rely on, so each slice carries the matrix of its
second moments [[int y2, int yz], [int yz, int z2]] about its centre and gives in Y and Z together. Euler and Bernoulli's
beam by the force method: the cantilever's give is the integral of (x - t)(a - t) / EI, the jaws' springs add to it, and
the centre's force is what takes the far end back. Exact for slices that are uniform in themselves, wherever the load
stands (derived; elements of the same beam lose six digits to rounding at 300 slices, this none).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from newel.core.errors import BadInput

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Support:
    """How stiff the jaws and the centre are; infinity is rigid, a centre of 0 is none (the far end is free).

    `jaw_side_N_per_mm` against moving sideways at the jaw face, `jaw_tilt_Nmm_per_rad` against tilting there.
    """

    jaw_side_N_per_mm: float = math.inf
    jaw_tilt_Nmm_per_rad: float = math.inf
    centre_N_per_mm: float = 0.0


@dataclass(frozen=True)
class BarBeam:
    """A bar from the jaw face to its far end: `x_mm` (n + 1,) rising from 0, `EI_N_mm2` (n, 2, 2) in Y and Z of the bar."""

    x_mm: Floats
    EI_N_mm2: Floats
    support: Support

    def __post_init__(self) -> None:
        """Refuse a beam that has no stiffness or no length somewhere: BadInput."""
        if len(self.x_mm) < 2 or self.EI_N_mm2.shape != (len(self.x_mm) - 1, 2, 2):
            raise BadInput("a bar needs one 2 x 2 stiffness for each slice between two X")
        if self.x_mm[0] != 0.0 or not (np.diff(self.x_mm) > 0).all():
            raise BadInput("the slices of a bar must begin at the jaw face, X 0, and follow one another along X")
        determinant = np.linalg.det(self.EI_N_mm2)
        if not ((self.EI_N_mm2[:, 0, 0] > 0) & (determinant > 0)).all():
            where = self.x_mm[:-1][~((self.EI_N_mm2[:, 0, 0] > 0) & (determinant > 0))]
            raise BadInput(f"the bar has no stiffness at X {where[0]:.2f} mm: it is cut through there")
        support = self.support
        if not (support.jaw_side_N_per_mm > 0 and support.jaw_tilt_Nmm_per_rad >= 0 and support.centre_N_per_mm >= 0):
            raise BadInput("stiffnesses of jaws and centre must not be negative, and jaws must hold against sideways force")
        if support.jaw_tilt_Nmm_per_rad == 0 and support.centre_N_per_mm == 0:
            raise BadInput("jaws that tilt freely do not hold a bar without a centre")


def uniform_bar(length_mm: float, EI_N_mm2: float, support: Support, slices: int = 20) -> BarBeam:
    """Make the beam of a bar that is the same all along and every way."""
    return BarBeam(np.linspace(0.0, length_mm, slices + 1), np.tile(EI_N_mm2 * np.eye(2), (slices, 1, 1)), support)


@dataclass(frozen=True)
class BarFlexibility:
    """What every question about the bar's deflection is answered from: running integrals of 1, t, t2 over EI.

    `give` (n, 2, 2) is 1 / EI of each slice, `sums` (3, n + 1, 2, 2) run from the jaw face up to each X of the beam.
    """

    beam: BarBeam
    give: Floats
    sums: Floats

    def under_force_mm_per_N(self, x_mm: ArrayLike) -> Floats:
        """How far the bar gives at X where the force acts, (m, 2, 2) in Y and Z of the bar: deflection = this @ force."""
        x = np.atleast_1d(np.asarray(x_mm, float))
        return self._between(x, x)

    def deflection_mm(self, at_x_mm: ArrayLike, load_x_mm: float, force_N: tuple[float, float]) -> Floats:
        """Deflection (m, 2) in Y and Z at places along the bar under one force at load_x."""
        at = np.atleast_1d(np.asarray(at_x_mm, float))
        return self._between(at, np.full(len(at), float(load_x_mm))) @ np.asarray(force_N, float)

    def centre_force_N(self, load_x_mm: float, force_N: tuple[float, float]) -> Floats:
        """Sideways force (2,) that the centre bears under one force on the bar."""
        force, _ = self._redundants(np.array([float(load_x_mm)]))
        return force[0] @ np.asarray(force_N, float)

    def _between(self, x: Floats, load_x: Floats) -> Floats:
        """Give at x for a unit force at load_x, (m, 2, 2)."""
        end = np.full(len(x), self.beam.x_mm[-1])
        centre, tilt = self._redundants(load_x)
        side = 1.0 / self.beam.support.jaw_side_N_per_mm
        give = self._clamped(x, load_x) - self._clamped(x, end) @ centre
        return give + x[:, None, None] * tilt + side * (np.eye(2) - centre)

    def _redundants(self, load_x: Floats) -> tuple[Floats, Floats]:
        """Return the centre's force and the tilt in the jaws for a unit force at load_x, each (m, 2, 2)."""
        support, length = self.beam.support, float(self.beam.x_mm[-1])
        end, one, at = np.full(len(load_x), length), np.eye(2), load_x[:, None, None]
        side = 1.0 / support.jaw_side_N_per_mm
        yields = 1.0 / support.centre_N_per_mm if support.centre_N_per_mm > 0 else math.inf
        if support.jaw_tilt_Nmm_per_rad == 0.0:  # only the centre bears the moment about the jaws
            centre = at / length * one
            taken_back = (self._clamped(end, end) + yields * one) @ centre
            return centre, (taken_back - self._clamped(end, load_x) - side * (one - centre)) / length
        turn = 1.0 / support.jaw_tilt_Nmm_per_rad
        if math.isinf(yields):
            return np.zeros((len(load_x), 2, 2)), turn * at * one
        soft = self._clamped(end, end) + (length**2 * turn + side + yields) * one
        centre = np.asarray(
            np.linalg.solve(soft, self._clamped(end, load_x) + (length * turn * at + side) * one), dtype=np.float64
        )
        return centre, turn * (at * one - length * centre)

    def _clamped(self, x: Floats, load_x: Floats) -> Floats:
        """Give of the bar as a rigidly held cantilever: the integral of (x - t)(a - t) / EI up to the nearer of both."""
        near, far = np.minimum(x, load_x), np.maximum(x, load_x)
        nodes = self.beam.x_mm
        if not ((near >= nodes[0] - 1e-9) & (far <= nodes[-1] + 1e-9)).all():
            raise BadInput(f"X must lie on the bar, {nodes[0]:g} to {nodes[-1]:g} mm")
        i = np.clip(np.searchsorted(nodes, near, side="right") - 1, 0, len(nodes) - 2)
        integral = [
            self.sums[k][i] + self.give[i] * ((near ** (k + 1) - nodes[i] ** (k + 1)) / (k + 1))[:, None, None]
            for k in range(3)
        ]
        product, total = (near * far)[:, None, None], (near + far)[:, None, None]
        return np.asarray(product * integral[0] - total * integral[1] + integral[2], dtype=np.float64)


def bar_flexibility(beam: BarBeam) -> BarFlexibility:
    """Prepare a bar for questions about its deflection (300 slices take well under a millisecond)."""
    give = np.asarray(np.linalg.inv(beam.EI_N_mm2), dtype=np.float64)
    x = beam.x_mm
    steps = np.stack([give * (np.diff(x ** (k + 1)) / (k + 1))[:, None, None] for k in range(3)])
    sums = np.concatenate([np.zeros((3, 1, 2, 2)), np.cumsum(steps, axis=1)], axis=1)
    return BarFlexibility(beam, give, sums)
