"""STEP parts made by others: read, meshed, told by feature, volumes compared. The repository keeps none of them.

    python benchmarks/bench_step_parts.py [folder to keep the files in]

The parts come from test data that open CAD packages carry: the npm package occt-import-js (test files of the CAx
Implementor Forum, which CAD makers exchange to test their STEP translators) and the Debian package gmsh-doc (a bracket of its
tutorial). They are fetched with npm and apt-get; where either is missing, its parts are left out.
"""

from __future__ import annotations

import subprocess
import sys
import tarfile
import tempfile
import time
from pathlib import Path

import numpy as np

from newel.core.errors import NewelError
from newel.geometry.meshes import mesh_bounds, mesh_volume_mm3, read_mesh
from newel.geometry.step_files import exact_volumes_mm3

NPM, NPM_FOLDER = "occt-import-js@0.0.23", "package/test/testfiles"
NPM_PARTS = (
    "cube-units/cube-in.step",
    "cube-units/cube-m.step",
    "conical-surface/conical-surface.step",
    "rounded-cube/rounded-cube.step",
    "cax-if/io1-cm-214.stp",
    "cax-if/s1-c5-214/FOOT_BACK_000.stp",
    "cax-if/s1-c5-214/MAINBODY_BACK.stp",
    "cax-if/s1-c5-214/TAIL_MIDDLE_PART.stp",
    "cax-if/s1-c5-214/TAIL_TURBINE.stp",
    "cax-if/dm1-oc-214.stp",
)
DEBIAN, DEBIAN_PART = "gmsh-doc", "usr/share/doc/gmsh-doc/doc/gmsh/tutorial/t20_data.step"


def fetch(folder: Path) -> list[Path]:
    """Fetch the packages into the folder and return the parts that came."""
    found = []
    if run(["npm", "pack", NPM, "--silent"], folder):
        with tarfile.open(next(folder.glob("occt-import-js-*.tgz"))) as packed:
            packed.extractall(folder, filter="data")
        found += [folder / NPM_FOLDER / part for part in NPM_PARTS]
    if run(["apt-get", "download", DEBIAN], folder) and run(
        ["dpkg", "-x", next(folder.glob("gmsh-doc*.deb")).name, "."], folder
    ):
        packed_part = folder / (DEBIAN_PART + ".gz")
        if packed_part.exists():
            run(["gunzip", "-f", DEBIAN_PART + ".gz"], folder)
        found.append(folder / DEBIAN_PART)
    return [part for part in found if part.exists()]


def run(command: list[str], folder: Path) -> bool:
    try:
        done = subprocess.run(command, cwd=folder, capture_output=True, timeout=300, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return False
    return done.returncode == 0


def measure(part: Path) -> str:
    data = part.read_bytes()
    start = time.process_time()
    try:
        model = read_mesh(data, "step", "mm", part.name)
    except NewelError as error:
        return f"refused: {error.what}"
    took = time.process_time() - start
    features, size = model.features, np.ptp(mesh_bounds(model.mesh), axis=0)
    exact = sum(exact_volumes_mm3(data, part.name))
    volume = mesh_volume_mm3(model.mesh)
    return (
        f"{model.bodies} bodies, {' x '.join(f'{s:.1f}' for s in size)} mm, {len(model.mesh.faces)} triangles; "
        f"{len(features.flats)} flats, {len(features.rounds)} rounds, {len(features.edges)} sharp edges; "
        f"volume {exact:.6g} mm3, mesh {100 * (volume / exact - 1):+.4f} %; {took:.2f} s of CPU"
    )


def main() -> None:
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        for part in fetch(folder):
            print(f"{part.name}: {measure(part)}", flush=True)


if __name__ == "__main__":
    main()
