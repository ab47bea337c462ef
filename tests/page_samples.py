"""A small job for the tests of the page: a peg that one ball can carve, and coarse enough to be made in a few seconds."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from playwright.sync_api import Page

from newel.geometry.meshes import Mesh, write_stl

MAKE_MS = 240_000  # a bound for a very busy machine, not a measurement

JOB = """# A peg, coarse enough to be made in a few seconds.
format = 1
machine = "light benchtop mill"
cutters = ["6 mm ball"]

[model]
file = "peg.stl"

[bar]
section = "square"
size_mm = 20
material = "medium tooling board"

[rough]
direction = "along"

[finish]
direction = "helical"
cusp_mm = 0.15  # coarse
tolerance_mm = 0.4
rest = false

[proof]
resolution_mm = 0.4
"""


def peg() -> Mesh:
    """A slim olive, 24 mm long: a 6 mm ball can reach all of it but the edge of its small ends."""
    n, m = 40, 40
    x, turn = np.meshgrid(np.linspace(0.0, 24.0, n), np.linspace(0.0, 2 * np.pi, m, endpoint=False), indexing="ij")
    r = 3.2 + 4.0 * np.sin(x / 24.0 * np.pi)
    skin = np.stack([r * np.cos(turn), r * np.sin(turn), x], axis=-1).reshape(-1, 3)
    a, b = np.meshgrid(np.arange(n - 1), np.arange(m), indexing="ij")
    c = (b + 1) % m
    q00, q01, q10, q11 = (k.ravel() for k in (a * m + b, a * m + c, (a + 1) * m + b, (a + 1) * m + c))
    k = np.arange(m)
    ends = [
        np.column_stack([np.full(m, n * m), (k + 1) % m, k]),
        np.column_stack([np.full(m, n * m + 1), (n - 1) * m + k, (n - 1) * m + (k + 1) % m]),
    ]
    faces = np.vstack([np.column_stack([q00, q01, q10]), np.column_stack([q01, q11, q10]), *ends])
    return Mesh(np.vstack([skin, [[0.0, 0.0, 0.0], [0.0, 0.0, 24.0]]]), faces.astype(np.int32))


@dataclass(frozen=True)
class Served:
    """A page that is being served: where, from which folder, and by which process."""

    address: str
    folder: Path
    server: subprocess.Popen[bytes]


def peg_stl() -> bytes:
    """The peg as an STL file."""
    return write_stl(peg())


def no_serious_finding(page: Page, axe: str, where: str) -> None:
    """Let the accessibility checker look at the page as it stands."""
    page.evaluate(axe)
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']}).then((r) => r.violations)")
    serious = [
        (item["id"], [node["html"][:120] for node in item["nodes"]][:3])
        for item in found
        if item["impact"] in ("serious", "critical")
    ]
    assert not serious, (where, serious)
