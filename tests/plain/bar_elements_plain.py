"""The slow twin of the sliced bar: cubic beam elements in two planes, one dense matrix, springs added, solved plainly."""

from __future__ import annotations

import numpy as np

RIGID = 1e13  # N/mm and N mm/rad: what stands for a rigid support here


def deflection(nodes, EI, springs, load_node, force):
    """Deflection (n + 1, 2) of every node under a force at one node; springs: jaw side, jaw tilt, centre (inf: rigid)."""
    size = 4 * len(nodes)
    K = np.zeros((size, size))
    for i, l in enumerate(np.diff(nodes)):
        plane = (
            np.array(
                [
                    [12, 6 * l, -12, 6 * l],
                    [6 * l, 4 * l * l, -6 * l, 2 * l * l],
                    [-12, -6 * l, 12, -6 * l],
                    [6 * l, 2 * l * l, -6 * l, 4 * l * l],
                ]
            )
            / l**3
        )
        for p in range(2):
            for q in range(2):
                rows = 4 * i + 2 * p + np.array([0, 1, 4, 5])
                columns = 4 * i + 2 * q + np.array([0, 1, 4, 5])
                K[np.ix_(rows, columns)] += EI[i][p, q] * plane
    side, tilt, centre = (min(k, RIGID) for k in springs)
    for plane in (0, 2):
        K[plane, plane] += side
        K[plane + 1, plane + 1] += tilt
        K[size - 4 + plane, size - 4 + plane] += centre
    load = np.zeros(size)
    load[4 * load_node], load[4 * load_node + 2] = force
    moved = np.linalg.solve(K, load)
    return moved.reshape(-1, 4)[:, [0, 2]]
