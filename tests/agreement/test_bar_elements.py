"""The sliced bar (force method) against dense beam elements of an uneven bar on springs."""

from __future__ import annotations

import math

import numpy as np
import pytest

from newel.mechanics.bending import BarBeam, Support, bar_flexibility
from plain.bar_elements_plain import deflection

SPRINGS = [
    (math.inf, math.inf, 0.0),
    (math.inf, math.inf, math.inf),
    (2e4, 5e6, 0.0),
    (2e4, 5e6, 3e3),
    (2e4, 0.0, 3e3),
    (math.inf, 0.0, math.inf),
]


@pytest.mark.parametrize("springs", SPRINGS)
@pytest.mark.parametrize("seed", range(3))
def test_uneven_bar_on_springs(springs, seed):
    rng = np.random.default_rng(seed)
    nodes = np.concatenate([[0.0], np.cumsum(rng.uniform(2, 15, 12))])
    root = rng.normal(size=(12, 2, 2))
    EI = 1e7 * (root @ root.transpose(0, 2, 1) + 0.3 * np.eye(2))
    bar = bar_flexibility(BarBeam(nodes, EI, Support(*springs)))
    force = (12.0, -5.0)
    for load_node in (1, 6, 11):
        expected = deflection(nodes, EI, springs, load_node, force)
        ours = bar.deflection_mm(nodes, nodes[load_node], force)
        np.testing.assert_allclose(ours, expected, rtol=1e-5, atol=1e-6 * abs(expected).max())
        at_load = bar.under_force_mm_per_N(nodes[load_node])[0] @ force
        np.testing.assert_allclose(at_load, expected[load_node], rtol=1e-5)
        if 0 < springs[2] < math.inf:  # the centre's spring bears its force
            np.testing.assert_allclose(bar.centre_force_N(nodes[load_node], force), springs[2] * expected[-1], rtol=1e-5)
