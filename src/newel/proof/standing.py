"""What holds the part must stay: cuts into the stubs, or into the full bar beside the jaws and the centre.

The deviation looks at the part alone, and a stub is no part of it; but a part whose stub is cut through comes loose in
the machine. So the carved surface is looked at once more, where something is meant to stay standing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from newel.core.findings import Finding
from newel.core.setup import SetUp, SetUpBar
from newel.core.units import mm
from newel.geometry.blank import section_halfplanes
from newel.geometry.blank_surface import Skin
from newel.proof.course import Course, findings_at

Floats = NDArray[np.float64]


def standing_findings(course: Course, skin: Skin, setup: SetUp, limit_mm: float) -> list[Finding]:
    """Return a finding for each line that cut deeper than `limit_mm` into what is meant to stay standing.

    `skin`: the carved blank's surface. Only what is there when the programs have ended is seen; what lies within the limit
    of a stub's end is its neighbour's.
    """
    if not setup.stays_standing:
        return []
    points, _, rows = skin
    beside = [(points[:, 0] > stub.from_x_mm) & (points[:, 0] < stub.to_x_mm) for stub in setup.stays_standing]
    cut = np.flatnonzero((rows >= 0) & np.any(beside, axis=0))
    points, rows = points[cut], rows[cut]
    under = depth_in_bar_mm(points, setup.bar)
    radius = np.hypot(points[:, 1], points[:, 2])
    depth, name = np.zeros(len(points)), np.zeros(len(points), np.intp)
    for k, stub in enumerate(setup.stays_standing):
        along = (points[:, 0] > stub.from_x_mm + limit_mm) & (points[:, 0] < stub.to_x_mm - limit_mm)
        here = np.where(along, np.minimum(stub.radius_mm - radius, under), 0.0)
        deeper = here > depth
        depth[deeper], name[deeper] = here[deeper], k
    bad = np.flatnonzero(depth > limit_mm)
    order = bad[np.lexsort((-depth[bad], rows[bad]))]
    worst = order[np.concatenate([[True], np.diff(rows[order]) != 0])] if len(order) else order
    of_row = {int(rows[k]): int(k) for k in worst}

    def says(row: int) -> str:
        k = of_row[row]
        return f"cuts {mm(depth[k])} into what must stay standing: {setup.stays_standing[name[k]].name}"

    return findings_at(course, "stub-cut", rows[worst].astype(np.intp), says, measured=depth[worst], limit=limit_mm, unit="mm")


def depth_in_bar_mm(points: Floats, bar: SetUpBar) -> Floats:
    """Return how deep points (k, 3) lie under the skin of the bar as sawn (k,), in mm; the ends do not count."""
    planes = section_halfplanes(bar.section, bar.size_mm, bar.turned_deg)
    if len(planes) == 0:
        return np.asarray(bar.size_mm[0] / 2.0 - np.hypot(points[:, 1], points[:, 2]), dtype=np.float64)
    return np.asarray((planes[:, 2] - points[:, 1:] @ planes[:, :2].T).min(axis=1), dtype=np.float64)
