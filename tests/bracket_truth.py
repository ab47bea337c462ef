"""What the demo's bracket is made of, derived by hand from the sizes in demo_models.bracket(): for tests and benchmarks."""

from __future__ import annotations

import numpy as np

# (point on the axis, axis, radius, from, to along the axis, share of the turn)
_Y, _Z = (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)
ROUNDS = [
    ((61.5, 0.0, 0.0), _Y, 6.0, -19.0, 19.0, 360.0),  # the cross bore
    ((24.0, 0.0, 0.0), _Z, 9.0, -19.0, -14.0, 360.0),  # the recess below
    ((77.0, -9.0, 0.0), _Z, 2.25, -19.0, -7.0, 360.0),  # screw holes
    ((77.0, 9.0, 0.0), _Z, 2.25, -19.0, -7.0, 360.0),
    ((74.5, 0.0, 0.5), _Y, 4.5, -19.0, -11.0, 90.0),  # the slot's end: 70 + 4.5, 5 - 4.5
    ((74.5, 0.0, -0.5), _Y, 4.5, -19.0, -11.0, 90.0),
]
# corners of the pockets: middle -+ (length / 2 - r), -+ (width / 2 - r)
ROUNDS += [((x, y, 0.0), _Z, 5.0, 13.0, 19.0, 90.0) for x in (12.0, 36.0) for y in (-7.0, 7.0)]
ROUNDS += [((x, y, 0.0), _Z, 3.5, 7.0, 13.0, 90.0) for x in (16.5, 31.5) for y in (-3.5, 3.5)]
ROUNDS += [((x, 0.0, z), _Y, 4.0, 14.0, 19.0, 90.0) for x in (11.0, 23.0, 37.0, 49.0) for z in (-6.0, 6.0)]

# 4 sides, 4 bevels, 2 ends; floors: stepped pocket 2, slot, recess, 2 screw holes, 2 back pockets; walls: stepped pocket 8,
# slot 3, back pockets 8
FLATS = 4 + 4 + 2 + 8 + 8 + 3 + 8
# Sharp edges outside: 8 along the bar, 8 + 8 round the ends, less the slot's two cuts and one more piece at the open end; rims.
RIMS_OUTSIDE = 2 + 2 + 1 + 2 + 2  # stepped pocket 2, back pockets 2, recess 1, screw holes 2, cross bore 2
RIMS_INSIDE = 2 + 2 + 1 + 2  # where walls meet floors: a loop each


def _pocket_mm2(length: float, width: float, r: float) -> float:
    return length * width - (4.0 - np.pi) * r * r


def top_mm2() -> float:
    """The top face: 30 x 90 less the stepped pocket's mouth."""
    return 30.0 * 90.0 - _pocket_mm2(34.0, 24.0, 5.0)


def below_mm2() -> float:
    """The face below: 30 x 90 less recess and screw holes."""
    return 30.0 * 90.0 - np.pi * (9.0**2 + 2.0 * 2.25**2)
