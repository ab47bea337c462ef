"""The development of a blank: how far out its material stands along X and around the turn, and which move left it so."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.geometry.blank import Blank
from newel.geometry.parallel import on_threads
from newel.geometry.radial_map_kernels import outermost_radii

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]


@dataclass(frozen=True)
class MapGrid:
    """The cells of a development: `nx` along X between two X, `na` around.

    Cell i stands at from_x + (i + 0.5) (to_x - from_x) / nx; row j looks along the direction of the bar that faces the spindle
    when the bar's turn is (j + 0.5) 360 / na degrees: (y, z) = (sin, cos) of that.
    """

    from_x_mm: float
    to_x_mm: float
    nx: int
    na: int

    def __post_init__(self) -> None:
        """Refuse a grid without cells: BadInput."""
        if self.nx < 1 or self.na < 1 or not self.to_x_mm > self.from_x_mm:
            raise BadInput(f"no development has {self.nx} x {self.na} cells from {self.from_x_mm} to {self.to_x_mm} mm")

    @property
    def x_mm(self) -> Floats:
        """The middle of each cell along X, (nx,)."""
        return self.from_x_mm + (np.arange(self.nx) + 0.5) * (self.to_x_mm - self.from_x_mm) / self.nx

    @property
    def outward(self) -> Floats:
        """The direction (y, z) of each row, (na, 2)."""
        turn = (np.arange(self.na) + 0.5) * 2 * np.pi / self.na
        return np.column_stack([np.sin(turn), np.cos(turn)])


def radial_map(blank: Blank, cells: MapGrid) -> tuple[Floats, Ints]:
    """Return the outermost radius in mm (0: no material) and the tag of the move that left it (-1: the bar), (na, nx) each.

    What lies under an overhang is not seen. The radius is that of the nearest slice, exact on faces that run on over two
    rays and within half a pitch of the blank on edges.
    """
    grid = blank.grid
    slices = np.clip(np.rint((cells.x_mm - grid.x0) / grid.px), 0, grid.nx - 1).astype(np.int64)
    radius, tag = np.empty((cells.nx, cells.na)), np.empty((cells.nx, cells.na), np.int32)
    told = (blank.yz.ends, blank.yz.links, grid, slices, cells.outward)
    on_threads(cells.nx, lambda first, last: outermost_radii(*told, (first, last), radius, tag))
    return np.ascontiguousarray(radius.T), np.ascontiguousarray(tag.T)
